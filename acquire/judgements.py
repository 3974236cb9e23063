"""Derives every stamp, check, doubt and bracket again from the events before it, and says which came out
otherwise.

    bench file, checks, incidents, corrections, in order ──> stamp of each reading ──> as the journal has it?

Wording is not compared: a later version may put it more plainly. Nor are stamps and checks of earlier
versions held to more than they state.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import isclose
from typing import TypeVar

from pydantic import ValidationError

from acquire.bench import Bench, parse_bench
from acquire.calibration.aftermath import Aftermath
from acquire.calibration.again import evaluated_again
from acquire.calibration.brackets import Bracket
from acquire.calibration.checks import EVALUATION, Check, Corrected
from acquire.calibration.correction import Correction, active_correction, corrected_by
from acquire.calibration.history import Incident, Known, channel_of
from acquire.calibration.rules import Rules, rules_for
from acquire.calibration.stamp import corrected_stamp
from acquire.chain import Event
from acquire.comparison import Fault
from acquire.errors import ConfigError, JournalError
from acquire.journal import Journal
from acquire.model import Amendment, AppliedCorrection, BenchText, Model, Reading, Stamp, UncertaintyPart

CLOSE = 1e-9
"""Relative: what another machine's arithmetic may make of the same formula."""

_M = TypeVar("_M", bound=Model)


@dataclass(slots=True)
class Judgements:
    """What was derived again."""

    stamps_n: int = 0
    checks_n: int = 0
    """Of checks by earlier versions only the limits are derived again: they are not counted here."""
    before_bench_n: int = 0
    """Readings logged before the journal kept the bench file: their stamps cannot be derived again."""
    faults: list[Fault] = field(default_factory=list)


def judge_again(journal: Journal) -> Judgements:
    """Goes through the journal once, from its first event; what cannot be read is named and passed over."""
    walk = _Walk()
    try:
        for event in journal.events():
            walk.take(event)
    except JournalError as error:
        walk.found.faults.append(Fault(f"{error}; no stamp behind it was derived again"))
    walk.found.faults += map(Fault, walk.aftermath.differs())
    return walk.found


class _Walk:
    """What is known at one place in the journal."""

    def __init__(self) -> None:
        self.found = Judgements()
        self.aftermath = Aftermath()
        self._bench: Bench | None = None
        self._known: dict[str, list[Known]] = defaultdict(list)
        self._corrections: list[Correction] = []
        self._opened: dict[str, int] = {}
        self._rules: dict[str, Rules] = {}
        self._imported: set[str] = set()

    def take(self, event: Event) -> None:
        """The next event."""
        match event.kind:
            case "bench":
                self._use_bench(event)
            case "check":
                if (check := self._read(event, Check)) is not None:
                    self._judge_check(event, check)
                    closing = Known(event.seq, event.id, check)
                    if self._bench is not None:  # earlier versions wrote no brackets
                        self.aftermath.check(closing, self._known[check.gauge])
                    self._known[check.gauge].append(closing)
            case "incident":
                if (incident := self._read(event, Incident)) is not None:
                    self._known[incident.gauge].append(Known(event.seq, event.id, incident))
            case "correction":
                if (correction := self._read(event, Correction)) is not None:
                    self._corrections.append(correction)
            case "trial":
                self._opened.setdefault(str(event.body.get("id")), event.seq)
                if event.body.get("imported") is True:
                    self._imported.add(str(event.body.get("id")))
            case "reading":
                # One that cannot be read is reported with its recording.
                reading = self._read(event, Reading, told=True)
                # Earlier results were stamped as their table says, not by a history that is known here.
                if reading is not None and reading.trial not in self._imported:
                    self._judge_stamp(reading)
                if reading is not None:
                    self.aftermath.reading(event.seq, reading)
            case "amendment":
                if (amendment := self._read(event, Amendment)) is not None:
                    self.aftermath.amendment(amendment)
            case "bracket":
                if (bracket := self._read(event, Bracket)) is not None:
                    self.aftermath.bracket(bracket)

    def _read(self, event: Event, model: type[_M], *, told: bool = False) -> _M | None:
        try:
            return model.model_validate(event.body)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            if not told:
                what = f"event {event.seq} ({event.kind} {event.id}) cannot be read: {where}: {first['msg']}"
                self.found.faults.append(Fault(what))
            return None

    def _use_bench(self, event: Event) -> None:
        noted = self._read(event, BenchText)
        self._rules.clear()
        self._bench = None
        if noted is None:
            return
        try:
            self._bench = parse_bench(noted.text, f"the bench file of event {event.seq}")
        except ConfigError as error:
            self.found.faults.append(Fault(f"{error}; no stamp judged by it was derived again"))

    def _judge_stamp(self, reading: Reading) -> None:
        if self._bench is None:
            self.found.before_bench_n += 1
            return
        try:
            rules = self._rules.get(reading.gauge) or rules_for(self._bench, reading.gauge)
        except ConfigError as error:
            self._say(reading, f"was stamped although by its bench file there was no such gauge: {error}")
            return
        self._rules[reading.gauge] = rules
        stamp, correction = corrected_stamp(
            reading.gauge,
            reading.t_utc,
            self._known[reading.gauge],
            self._corrections,
            rules,
            channel=channel_of(reading.details),
            value=reading.value,
            trial=reading.trial,
            trial_opened=self._opened.get(reading.trial) if rules.before_trial else None,
        )
        self.found.stamps_n += 1
        differs = [
            *_stamp_differs(reading.stamp, stamp),
            *_correction_differs(reading.correction, correction),
        ]
        if differs:
            self._say(reading, f"has a stamp that its gauge's history does not give: {'; '.join(differs)}")

    def _say(self, reading: Reading, what: str) -> None:
        self.found.faults.append(Fault(f"{reading.id} {what}", reading.raw.recording, reading.id))

    def _judge_check(self, event: Event, check: Check) -> None:
        differs = list(self._limits_differ(check))
        if check.evaluation == EVALUATION:
            self.found.checks_n += 1
            used = active_correction(self._corrections, check.gauge, check.channel)
            differs += _check_differs(check, corrected_by(used))
        if differs:
            what = f"check {event.id} does not follow from what was measured: {'; '.join(differs)}"
            self.found.faults.append(Fault(what))

    def _limits_differ(self, check: Check) -> Iterator[str]:
        if self._bench is not None and check.gauge in self._bench.gauges:
            entry = self._bench.gauges[check.gauge]
            yield from _differ("tolerance", check.tolerance, entry.tolerance.at(check.assigned))
            if check.evaluation == EVALUATION:
                yield from _differ("guard", check.guard, entry.decision.guard)


def _check_differs(check: Check, corrected: Corrected) -> Iterator[str]:
    again = evaluated_again(check, corrected=corrected)
    if again.verdict != check.verdict:
        yield f"verdict {check.verdict}, now {again.verdict}"
    for name in ("mean", "deviation", "standard_uncertainty", "expanded_uncertainty", "conformity"):
        yield from _differ(name, getattr(check, name), getattr(again, name))
    kept, derived = ({trait.name: trait.value for trait in one.traits} for one in (check, again))
    for trait in sorted(kept.keys() | derived.keys()):
        yield from _differ(trait, kept.get(trait), derived.get(trait))


def _differ(name: str, kept: float | None, derived: float | None) -> Iterator[str]:
    if kept is None or derived is None:
        if kept is not derived:
            yield f"{name} {kept}, now {derived}"
    elif not isclose(kept, derived, rel_tol=CLOSE, abs_tol=CLOSE):
        yield f"{name} {kept:.9g}, now {derived:.9g}"


def _stamp_differs(kept: Stamp, derived: Stamp) -> Iterator[str]:
    if kept.state is not derived.state:
        yield f"{kept.state.value}, now {derived.state.value}"
    if derived.parts and not kept.parts:
        return  # by an earlier version, which told no parts
    for name in ("check", "reference", "closing_due"):
        if getattr(kept, name) != getattr(derived, name):
            yield f"{name} {getattr(kept, name)}, now {getattr(derived, name)}"
    for name in (
        "age_s",
        "deviation",
        "standard_uncertainty",
        "at_value",
        "drift",
        "drift_standard_uncertainty",
    ):
        yield from _differ(name, getattr(kept, name), getattr(derived, name))
    before, after = ({part.key: part for part in stamp.parts} for stamp in (kept, derived))
    for key in sorted(before.keys() | after.keys()):
        yield from _part_differs(key, before.get(key), after.get(key))


def _part_differs(key: str, kept: UncertaintyPart | None, derived: UncertaintyPart | None) -> Iterator[str]:
    if kept is None or derived is None:
        yield f"part {key!r} {'is gone' if derived is None else 'is new'}"
        return
    yield from _differ(f"part {key!r}", kept.standard_uncertainty, derived.standard_uncertainty)
    yield from _differ(f"freedom of part {key!r}", kept.degrees_of_freedom, derived.degrees_of_freedom)


def _correction_differs(kept: AppliedCorrection | None, derived: AppliedCorrection | None) -> Iterator[str]:
    if kept is None or derived is None:
        if kept is not derived:
            yield f"correction {kept and kept.id}, now {derived and derived.id}"
        return
    if kept.id != derived.id:
        yield f"correction {kept.id}, now {derived.id}"
    yield from _differ("correction's amount", kept.amount, derived.amount)
    yield from _differ("correction's uncertainty", kept.standard_uncertainty, derived.standard_uncertainty)
