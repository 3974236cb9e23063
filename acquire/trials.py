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
from acquire.protocol_events import Sealed, StepEvent, Unsealed
from acquire.scoring.method import Method
from acquire.scoring.ratings import scale_of, unfit
from acquire.scoring.scope import panels_of
from acquire.scoring.selection import left_out_by_stamp, select, wanted
from acquire.scoring.strokes import judge, stood

BARE: Phase = "bare"

RATED = (Test.HANDLING, Test.APPEARANCE)


@dataclass(frozen=True, slots=True)
class Record:
    """What a journal knows that steps are made of, amendments applied."""

    readings: tuple[Reading, ...] = ()
    ratings: tuple[Rating, ...] = ()
    """The newest of each trial and step."""
    inspections: tuple[Inspection, ...] = ()
    """All of them, in the journal's order."""


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
    """What the journal knows now, of one trial or of all."""
    void = withdrawn(journal)
    ratings = {
        (one.trial, one.step): one for _, one in facts(journal, "rating", Rating) if one.id not in void
    }
    inspections = tuple(one for _, one in facts(journal, "inspection", Inspection) if one.id not in void)
    return Record(tuple(readings(journal, trial)), tuple(ratings.values()), inspections)


def trials_of(journal: Journal) -> dict[str, Trial]:
    """Every trial by its id, in the order they were opened; products that were unsealed by their names."""
    trials = {trial.id: trial for _, trial in facts(journal, "trial", Trial)}
    opened = {one.id: one.mapping for _, one in facts(journal, "unsealed", Unsealed)}
    for _, sealed in facts(journal, "sealed", Sealed):
        for letter, product in opened.get(sealed.id, {}).items():
            trial = sealed.trials.get(letter, "")
            if trial in trials:
                trials[trial] = trials[trial].model_copy(update={"product": product})
    return trials


def withdrawn(journal: Journal) -> frozenset[str]:
    """Ids of ratings, inspections and applications that a person voided or repeated: they no longer count."""
    return frozenset(id_ for _, one in facts(journal, "step", StepEvent) for id_ in one.withdraws)


def steps(trial: Trial, method: Method) -> list[Step]:
    """Every step of a trial under a method, in order."""
    found: list[Step] = []
    measured = [test for test in (Test.SLIP, Test.GLOSS, Test.UV) if uses(method, test)]
    found += [Step(test=test, panel=panel, phase=BARE) for test in measured for panel in trial.panels]
    if method.handling.used and not trial.control:
        found += [Step(test=Test.HANDLING, panel=panel) for panel in panels_of(Test.HANDLING, trial.panels)]
    found += [Step(test=test, panel=panel) for test in measured for panel in trial.panels]
    if method.appearance.used:
        found += [Step(test=Test.APPEARANCE, panel=panel) for panel in trial.panels]
    if method.wash.used:
        found += [
            Step(test=Test.WASH, panel=panel, stage=stage.at)
            for panel in panels_of(Test.WASH, trial.panels)
            for stage in method.wash.stages
            if stage.at > 0
        ]
    return found


def uses(method: Method, test: Test) -> bool:
    """Whether a method scores a test."""
    sections = {
        Test.SLIP: method.slip.used,
        Test.GLOSS: method.gloss.used,
        Test.WASH: method.wash.used,
        Test.HANDLING: method.handling.used,
        Test.APPEARANCE: method.appearance.used,
        Test.UV: method.uv.used,
    }
    return sections[test]


def states(trial: Trial, method: Method, record: Record) -> list[StepState]:
    """How far each step of a trial is. Wash stages behind a failed inspection are not asked for."""
    found = []
    for step in steps(trial, method):
        state = state_of(trial.id, step, method, record)
        found.append(state)
        if step.test is Test.WASH and failed(trial.id, step, record):
            break
    return found


def next_step(trial: Trial, method: Method, record: Record) -> StepState | None:
    """The first step that is not done, or None when the trial is complete."""
    return next((state for state in states(trial, method, record) if not state.done), None)


def state_of(trial_id: str, step: Step, method: Method, record: Record) -> StepState:
    """How far one step is, by the rules of scoring: what a score would leave out does not fill a step.

    A wash step is done once its stage has been inspected, at strokes that count.
    """
    if step.test in RATED:
        scale = scale_of(step.test, method)
        rated = any(
            _same(rating.trial, rating.step, trial_id, step) and unfit(rating, scale) is None
            for rating in record.ratings
        )
        return StepState(step, int(rated), 1)
    if step.test is Test.WASH:
        return StepState(step, int(_inspected(trial_id, step, method, record)), 1)
    own = [reading for reading in record.readings if _same(reading.trial, reading.step, trial_id, step)]
    want = wanted(step.test, method)
    return StepState(step, len(select(own, want, method).used), want.asked)


def strokes_on(trial_id: str, panel: str, readings: Iterable[Reading], method: Method | None = None) -> int:
    """Strokes counted on a panel since it was first washed, in all its wash steps together.

    Args:
        method: leaves out strokes that it does not let count for the calibration state of their counter.
    """
    return int(
        sum(
            reading.value
            for reading in stroke_readings(trial_id, panel, readings)
            if reading.counts is not False and (method is None or left_out_by_stamp(reading, method) is None)
        )
    )


def stroke_readings(trial_id: str, panel: str, readings: Iterable[Reading]) -> list[Reading]:
    """All readings of strokes on a panel, in the order given."""
    return [
        reading
        for reading in readings
        if reading.trial == trial_id and reading.step.test is Test.WASH and reading.step.panel == panel
    ]


def find_step(
    trial: Trial, method: Method, test: Test, *, panel: str | None, phase: Phase | None, stage: int | None
) -> Step:
    """The step a person means.

    Raises:
        ConfigError: the trial has no such panel or the method no such step; says which there are.
    """
    if panel is not None:
        must_have(trial, panel)
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
        must_have(trial, panel)
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


def must_have(trial: Trial, panel: str) -> None:
    """Raises ConfigError unless the trial has that panel."""
    if panel not in trial.panels:
        raise ConfigError(
            f"trial {trial.id!r} has no panel {panel!r}", hint=f"its panels: {_list(trial.panels)}"
        )


def check_rating(rating: Rating, trial: Trial, method: Method) -> None:
    """Raises MethodError unless the rating lies on the method's scale."""
    scale = scale_of(rating.step.test, method)
    if unfit(rating, scale) is not None:
        raise MethodError(
            f"a rating of {rating.value:g} is not on the scale",
            hint=f"from {scale.min} to {scale.max} in steps of {scale.step}",
        )


def failed(trial_id: str, step: Step, record: Record) -> bool:
    """Whether the newest answer is no, even one that cannot count: such a panel is washed no further."""
    found = [one for one in _inspections(trial_id, step, record) if one.stage == step.stage]
    return bool(found) and not stood(found[-1])


def _inspected(trial_id: str, step: Step, method: Method, record: Record) -> bool:
    judged = judge(_inspections(trial_id, step, record), record.readings, method)
    return any(one.inspection.stage == step.stage and one.why_not is None for one in judged)


def _inspections(trial_id: str, step: Step, record: Record) -> list[Inspection]:
    return [one for one in record.inspections if one.trial == trial_id and one.panel == step.panel]


def _same(trial: str, step: Step, trial_id: str, wanted: Step) -> bool:
    return trial == trial_id and step == wanted


def _list(names: Iterable[str]) -> str:
    return ", ".join(names)
