"""The steps of a trial as its pages show them: how far each is, and what can be done about it."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from math import floor, log10

from acquire.bench import Bench
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.model import Inspection, Rating, Reading, Step, Test, Trial
from acquire.outputs import step_words
from acquire.outputs.words import SYMBOLS, of_unit
from acquire.progress import Progress, TrialProgress, answers_to, local_time, progress_of
from acquire.scoring.method import Method
from acquire.scoring.strokes import stood
from acquire.stepping import TOLD
from acquire.trials import RATED, Record, StepState, record_of, states

WORDS = {
    "open": ("to do", ""),
    "under way": ("under way", ""),
    "waiting": ("waits", "warn"),
    "held": ("later", ""),
    "done": ("done", "good"),
    "skipped": ("skipped", "warn"),
    "passed over": ("not written down", "quiet"),
}
"""For each state of a step its word on the page, and how that is marked."""


_BESIDE = {
    "better": "better than on the control zone",
    "same": "the same as on the control zone",
    "worse": "worse than on the control zone",
}


@dataclass(frozen=True, slots=True)
class StepView:
    """One step."""

    key: str
    title: str
    kind: str
    state: str
    taken: int
    wanted: int
    step: Step | None
    panel: str | None
    acts: tuple[str, ...]
    """What can be done: arm, rate, inspect, apply, done, skipped, voided, repeated."""
    waits: str = ""
    """What holds it back, for a person."""
    held: bool = False
    """It can be begun all the same; that is marked."""
    needs: tuple[str, ...] = ()
    instruction: str = ""
    caution: str = ""
    said: tuple[str, ...] = ()
    """What a person wrote down of it."""
    readings: tuple[Reading, ...] = ()

    @property
    def word(self) -> str:
        return WORDS[self.state][0]

    @property
    def look(self) -> str:
        return WORDS[self.state][1]

    @property
    def count(self) -> str:
        return f"{self.taken} of {self.wanted}" if self.wanted > 1 else ""

    @property
    def over(self) -> bool:
        return self.state in ("done", "skipped", "passed over")


@dataclass(frozen=True, slots=True)
class TrialView:
    """One trial with its steps."""

    trial: Trial
    steps: tuple[StepView, ...]
    next: StepView | None
    closed: bool
    led: bool
    """It has a protocol."""

    def step(self, key: str) -> StepView:
        """Raises ConfigError if there is none of that key."""
        found = next((one for one in self.steps if one.key == key), None)
        if found is None:
            raise ConfigError(f"trial {self.trial.id!r} has no step {key!r}", hint="look at the trial's page")
        return found

    @property
    def done_n(self) -> int:
        return sum(one.over for one in self.steps)


def trial_view(journal: Journal, bench: Bench, method: Method, trial: Trial, now: datetime) -> TrialView:
    """How a trial stands.

    Raises:
        ConfigError, JournalError: the journal does not hold what it must.
    """
    progress = progress_of(journal, trial, method, now)
    if progress is None:
        record = record_of(journal, trial.id)
        plain = tuple(_without_protocol(one, trial, record) for one in states(trial, method, record))
        coming = next((one for one in plain if not one.over), None)
        return TrialView(trial, plain, coming, closed=coming is None, led=False)
    steps = tuple(_led(one, progress, bench, method, now) for one in progress.steps)
    coming = next((one for one in steps if progress.next and one.key == progress.next.planned.key), None)
    return TrialView(trial, steps, coming, closed=progress.closed, led=True)


def _led(one: Progress, progress: TrialProgress, bench: Bench, method: Method, now: datetime) -> StepView:
    planned, rule = one.planned, one.planned.rule
    return StepView(
        key=planned.key,
        title=str(planned),
        kind=rule.kind,
        state=one.state,
        taken=one.taken,
        wanted=one.wanted,
        step=planned.step,
        panel=planned.panel,
        acts=tuple(_acts(one, progress, method)),
        waits=_waits(one, bench, now),
        held=one.state == "held",
        needs=tuple(rule.needs),
        instruction=rule.instruction,
        caution=rule.caution,
        said=tuple(_said(one, progress)),
        readings=_readings(planned.step, progress.ledger.record),
    )


def _waits(one: Progress, bench: Bench, now: datetime) -> str:
    until = "" if one.until_utc is None else f" until {local_time(one.until_utc, now, bench.zone)}"
    if one.state == "waiting":
        return f"{one.planned.panel} cures{until}"
    if one.waits_for is not None:
        return f"{one.waits_for.panel} cures{until}" if until else f"first comes: {one.waits_for}"
    return ""


def _acts(one: Progress, progress: TrialProgress, method: Method) -> Iterator[str]:
    kind, step = one.planned.rule.kind, one.planned.step
    if progress.closed:
        if kind == "close":
            yield "repeated"
        return
    counted = step is not None and step.stage is not None and method.wash.strokes_at(step.stage) is not None
    if (kind == "measure" or (kind == "wash" and counted)) and not one.over:
        yield "arm"
    if kind in ("rate", "inspect"):
        yield kind
    if kind == "apply" and one.state != "done":
        yield kind
    # Of what was passed over a person may still say what became of it.
    unsaid = one.state not in ("done", "skipped")
    if kind in TOLD and not counted and unsaid:
        yield "done"
    if unsaid and kind != "close":
        yield "skipped"
    if one.begun_seq is not None or not unsaid or one.state == "waiting":
        yield from ("repeated", "voided")


def _said(one: Progress, progress: TrialProgress) -> Iterator[str]:
    planned, ledger = one.planned, progress.ledger
    for _, event in ledger.steps.get(planned.key, []):
        by = f", says {event.by}" if event.by else ""
        reason = f": {event.reason}" if event.reason else ""
        yield f"{event.what}{' early' if event.early else ''}{by}{reason}"
    if planned.rule.kind == "apply" and (found := ledger.application_on(planned.panel)) is not None:
        yield step_words.application(found[1]).partition(": ")[2]
    ids = set(answers_to(planned, ledger))
    yield from (_answer(item) for item in ledger.answers if item.id in ids)


def _answer(item: Rating | Inspection) -> str:
    if isinstance(item, Rating):
        return f"rated {item.value:g}"
    words = ["passed" if stood(item) else "failed", f"after {item.strokes} strokes"]
    words += [_BESIDE[item.against_control]] if item.against_control else []
    words += ["finish cut through"] if item.cut_through else []
    return ", ".join(words) + (f": {item.note}" if item.note else "")


def _readings(step: Step | None, record: Record) -> tuple[Reading, ...]:
    return () if step is None else tuple(one for one in record.readings if one.step == step)


def _without_protocol(state: StepState, trial: Trial, record: Record) -> StepView:
    step = state.step
    parts = [step.test.value.replace(" ", "-"), step.panel, step.phase]
    parts += [] if step.stage is None else [str(step.stage)]
    kind = "rate" if step.test in RATED else "inspect" if step.test is Test.WASH else "measure"
    acts = {"rate": ("rate",), "inspect": ("arm", "inspect"), "measure": ("arm",)}[kind]
    answers: list[Rating | Inspection] = []
    if kind == "rate":
        answers += [one for one in record.ratings if one.trial == trial.id and one.step == step]
    if kind == "inspect":
        answers += [
            one
            for one in record.inspections
            if (one.trial, one.panel, one.stage) == (trial.id, step.panel, step.stage)
        ]
    readings = _readings(step, record)
    under_way = "under way" if readings else "open"
    return StepView(
        key="/".join(parts),
        title=f"{str(step)[:1].upper()}{str(step)[1:]}",
        kind=kind,
        state="done" if state.done else under_way,
        taken=state.taken,
        wanted=state.wanted,
        step=step,
        panel=step.panel,
        acts=() if trial.imported else acts,
        said=tuple(_answer(one) for one in answers),
        readings=readings,
    )


def reading_became(reading: Reading) -> str:
    """In a word what became of a reading, where it does not simply count."""
    if reading.counts is False:
        return "ruled out"
    if reading.extra and not reading.counts:
        return "extra"
    return "stands out" if reading.flagged else ""


def shown(reading: Reading) -> str:
    """The value as its gauge shows it, with all its decimals."""
    if not 0 < reading.resolution < 1:
        return of_unit(reading.value, reading.unit)
    decimals = -floor(log10(reading.resolution * 1.000001))
    return f"{reading.value:.{decimals}f} {SYMBOLS.get(reading.unit, reading.unit)}"
