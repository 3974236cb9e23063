"""Which step of a trial comes next, and how far each one is.

Everything is worked out anew from the journal, so a bench that was switched off for a night, or killed, goes
on where it was. The order: bare slip and gloss of every panel, then the product goes on and handling is
rated, then slip, gloss and appearance, then the wash stages, each with its inspection. A control stays
untreated: it has no handling, and what is measured "treated" on it shows what time and washing do alone.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from acquire.errors import ConfigError, MethodError
from acquire.facts import facts
from acquire.journal import Journal
from acquire.logger import readings
from acquire.model import Inspection, Phase, Rating, Reading, Step, Test, Trial
from acquire.scoring.method import Method

BARE: Phase = "bare"

RATED = (Test.HANDLING, Test.APPEARANCE)


@dataclass(frozen=True, slots=True)
class Record:
    """What a journal knows that steps are made of, amendments applied."""

    readings: tuple[Reading, ...] = ()
    ratings: tuple[Rating, ...] = ()
    inspections: tuple[Inspection, ...] = ()


@dataclass(frozen=True, slots=True)
class StepState:
    """One step and how far it is: readings, strokes, or one answer by a person."""

    step: Step
    taken: int
    wanted: int

    @property
    def done(self) -> bool:
        return self.taken >= self.wanted


def record_of(journal: Journal, trial: str | None = None) -> Record:
    """What the journal knows now, of one trial or of all. The newest answer to a question counts."""
    ratings = {(one.trial, one.step): one for _, one in facts(journal, "rating", Rating)}
    inspections = {
        (one.trial, one.panel, one.stage): one for _, one in facts(journal, "inspection", Inspection)
    }
    return Record(tuple(readings(journal, trial)), tuple(ratings.values()), tuple(inspections.values()))


def trials_of(journal: Journal) -> dict[str, Trial]:
    """Every trial by its id, in the order they were opened."""
    return {trial.id: trial for _, trial in facts(journal, "trial", Trial)}


def steps(trial: Trial, method: Method) -> list[Step]:
    """Every step of a trial under a method, in order."""
    found: list[Step] = []
    measured = [
        test for test, used in ((Test.SLIP, method.slip.used), (Test.GLOSS, method.gloss.used)) if used
    ]
    found += [Step(test=test, panel=panel, phase=BARE) for test in measured for panel in trial.panels]
    if method.handling.used and not trial.control:
        found.append(Step(test=Test.HANDLING, panel=trial.panels[0]))
    found += [Step(test=test, panel=panel) for test in measured for panel in trial.panels]
    if method.appearance.used:
        found += [Step(test=Test.APPEARANCE, panel=panel) for panel in trial.panels]
    if method.wash.used:
        found += [
            Step(test=Test.WASH, panel=trial.panels[0], stage=stage.at)
            for stage in method.wash.stages
            if stage.at > 0
        ]
    return found


def states(trial: Trial, method: Method, record: Record) -> list[StepState]:
    """How far each step of a trial is. Wash stages behind a failed inspection are not asked for."""
    found = []
    for step in steps(trial, method):
        state = state_of(trial.id, step, method, record)
        found.append(state)
        if step.test is Test.WASH and _failed(trial.id, step, record):
            break
    return found


def next_step(trial: Trial, method: Method, record: Record) -> StepState | None:
    """The first step that is not done, or None when the trial is complete."""
    return next((state for state in states(trial, method, record) if not state.done), None)


def state_of(trial_id: str, step: Step, method: Method, record: Record) -> StepState:
    """How far one step is.

    Extras, and readings that a person ruled out, do not fill a step. A wash step is done once its stage has
    been inspected.
    """
    if step.test in RATED:
        rated = any(_same(rating.trial, rating.step, trial_id, step) for rating in record.ratings)
        return StepState(step, int(rated), 1)
    if step.test is Test.WASH:
        return StepState(step, int(_inspection(trial_id, step, record) is not None), 1)
    wanted = method.slip.asked if step.test is Test.SLIP else method.gloss.asked
    taken = sum(
        _same(reading.trial, reading.step, trial_id, step) and fills(reading) for reading in record.readings
    )
    return StepState(step, taken, wanted)


def fills(reading: Reading) -> bool:
    """Whether a reading fills its step: a person's ruling first, else it does unless it is an extra."""
    return not reading.extra if reading.counts is None else reading.counts


def strokes_on(trial_id: str, panel: str, readings: Iterable[Reading]) -> int:
    """Strokes counted on a panel since it was first washed, in all its wash steps together."""
    return int(
        sum(
            reading.value
            for reading in readings
            if reading.trial == trial_id
            and reading.step.test is Test.WASH
            and reading.step.panel == panel
            and reading.counts is not False
        )
    )


def find_step(
    trial: Trial, method: Method, test: Test, *, panel: str | None, phase: Phase | None, stage: int | None
) -> Step:
    """The step a person means.

    Raises:
        ConfigError: the trial has no such panel or the method no such step; says which there are.
    """
    if panel is not None:
        _must_have(trial, panel)
    meant = [
        step
        for step in steps(trial, method)
        if step.test is test
        and (panel is None or step.panel == panel)
        and (phase is None or step.phase == phase)
        and (stage is None or step.stage == stage)
    ]
    if len(meant) == 1:
        return meant[0]
    there = _list(str(step) for step in (meant or steps(trial, method)))
    if not meant:
        raise ConfigError(f"trial {trial.id!r} has no such {test.value} step", hint=f"its steps: {there}")
    raise ConfigError(f"more than one {test.value} step is meant", hint=f"say which: {there}")


def step_to_measure(
    trial: Trial,
    method: Method,
    record: Record,
    *,
    test: Test | None,
    panel: str | None,
    phase: Phase | None,
    stage: int | None,
) -> Step:
    """The step a gauge shall take now: the first that fits what was said and is not done, else the only one.

    Without a `phase` no step behind the product's application is chosen before the bare panels are measured
    and handling is rated: what is measured "treated" on a bare panel cannot be told from the truth later.

    Raises:
        ConfigError: nothing fits, or something else comes first.
    """
    if panel is not None:
        _must_have(trial, panel)
    every = states(trial, method, record)
    fitting = [
        state
        for state in every
        if (test is None or state.step.test is test)
        and (panel is None or state.step.panel == panel)
        and (phase is None or state.step.phase == phase)
        and (stage is None or state.step.stage == stage)
    ]
    open_ones = [state.step for state in fitting if not state.done]
    if not open_ones and test is not None and len(fitting) == 1:
        return fitting[0].step  # done already: what comes now is extra
    if not open_ones:
        if all(state.done for state in every):
            raise ConfigError(f"trial {trial.id!r} is complete", hint=f"panelwright score {trial.id}")
        there = _list(str(state.step) for state in every if not state.done)
        raise ConfigError(f"trial {trial.id!r} has no open step like that", hint=f"open: {there}")
    step = open_ones[0]
    if phase is None and step.phase != BARE:
        _nothing_before_product(step, every)
    if step.test in RATED:
        raise ConfigError(
            f"next is {step}, which a person judges",
            hint=f"panelwright rate {trial.id} {step.test.value} VALUE --panel {step.panel}",
        )
    return step


def _nothing_before_product(step: Step, every: Iterable[StepState]) -> None:
    for state in every:
        before = state.step.phase == BARE or state.step.test is Test.HANDLING
        if before and not state.done and state.step != step:
            raise ConfigError(
                f"{state.step} comes before {step}",
                hint=f"take that first, or say --phase {step.phase} if it shall be left out",
            )


def _must_have(trial: Trial, panel: str) -> None:
    if panel not in trial.panels:
        raise ConfigError(
            f"trial {trial.id!r} has no panel {panel!r}", hint=f"its panels: {_list(trial.panels)}"
        )


def check_rating(rating: Rating, trial: Trial, method: Method) -> None:
    """Raises MethodError unless the rating lies on the method's scale."""
    scale = method.handling if rating.step.test is Test.HANDLING else method.appearance
    steps_up = (rating.value - float(scale.min)) / float(scale.step)
    if not (float(scale.min) <= rating.value <= float(scale.max)) or abs(steps_up - round(steps_up)) > 1e-9:
        raise MethodError(
            f"a rating of {rating.value:g} is not on the scale",
            hint=f"from {scale.min} to {scale.max} in steps of {scale.step}",
        )


def _failed(trial_id: str, step: Step, record: Record) -> bool:
    found = _inspection(trial_id, step, record)
    return found is not None and not found.passed


def _inspection(trial_id: str, step: Step, record: Record) -> Inspection | None:
    found = [
        one
        for one in record.inspections
        if one.trial == trial_id and one.panel == step.panel and one.stage == step.stage
    ]
    return found[-1] if found else None


def _same(trial: str, step: Step, trial_id: str, wanted: Step) -> bool:
    return trial == trial_id and step == wanted


def _list(names: Iterable[str]) -> str:
    return ", ".join(names)
