"""How far each open trial is under its protocol: what is done, what comes next, what it waits for.

    protocol × panels × wash stages ──> planned steps ──ledger (from the journal)──> states

Nothing is remembered outside the journal, so a bench that was switched off for a night goes on where it was.
Facts go before words: a step that was measured is done, whatever was said of it. In what order things were
done is told by their place in the journal; only the cure looks at the clock.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from typing import Literal

from acquire.calibration.checks import Check
from acquire.chain import Event
from acquire.errors import ConfigError
from acquire.facts import bodies, facts
from acquire.journal import Journal
from acquire.model import Inspection, Rating, Reading, Trial
from acquire.panels import Panel, panels_of_bench
from acquire.plan import Planned, planned_steps
from acquire.protocol import Protocol, parse_protocol
from acquire.protocol_events import Application, KeptProtocol, StepEvent
from acquire.scoring.method import Method
from acquire.trials import Record, failed, record_of, state_of, strokes_on, trials_of, withdrawn

State = Literal["open", "under way", "waiting", "held", "done", "skipped", "passed over"]
"""`waiting`: for time to pass. `held`: for an earlier step. `passed over`: left out without a word."""
OVER = ("done", "skipped", "passed over")


@dataclass(slots=True)
class Ledger:
    """What a journal holds of one trial, with places in it."""

    record: Record
    protocol: Protocol
    steps: dict[str, list[tuple[int, StepEvent]]] = field(default_factory=dict)
    """By key of the planned step."""
    applications: list[tuple[int, Application]] = field(default_factory=list)
    answers: list[Rating | Inspection] = field(default_factory=list)
    """All that were not withdrawn, those that later ones replaced too."""
    seqs: dict[str, int] = field(default_factory=dict)
    """Place of each reading and answer of the trial, by its id."""
    checked: dict[str, int] = field(default_factory=dict)
    """Place of each gauge's newest check that could decide."""
    panels: dict[str, Panel] = field(default_factory=dict)
    """Those of the trial that are listed."""

    def newest(self, key: str, *whats: str) -> tuple[int, StepEvent] | None:
        """The newest event about a step that says one of `whats`, if nothing opened the step again since."""
        for seq, one in reversed(self.steps.get(key, [])):
            if one.what in whats:
                return seq, one
            if one.what in ("voided", "repeated"):
                return None
        return None

    def application_on(self, panel: str | None) -> tuple[int, Application] | None:
        found = [one for one in self.applications if one[1].panel == panel]
        return found[-1] if found else None


@dataclass(frozen=True, slots=True)
class Progress:
    """One planned step and how far it is."""

    planned: Planned
    state: State
    taken: int
    wanted: int
    begun_seq: int | None
    """Place in the journal of the first thing that belongs to it."""
    waits_for: "Planned | None" = None
    """The earlier step that holds it back."""
    until_utc: datetime | None = None
    """Of a cure under way, and of what it alone holds back: when it is over."""
    early: bool = False
    """A person began it although something else should have come first."""

    @property
    def over(self) -> bool:
        return self.state in OVER


@dataclass(frozen=True, slots=True)
class TrialProgress:
    """All steps of one trial, in the protocol's order."""

    trial: Trial
    steps: tuple[Progress, ...]
    ledger: Ledger

    @property
    def closed(self) -> bool:
        return self.steps[-1].state == "done"

    @property
    def ready(self) -> tuple[Progress, ...]:
        """What can be taken now."""
        return tuple(one for one in self.steps if one.state in ("open", "under way"))

    @property
    def waiting(self) -> tuple[Progress, ...]:
        """Cures that are not over."""
        return tuple(one for one in self.steps if one.state == "waiting")

    @property
    def next(self) -> Progress | None:
        """The step to take next, else the first that waits for time; None once the trial is closed."""
        if self.closed:
            return None
        return next(iter((*self.ready, *self.waiting)), None)

    def step(self, key: str) -> Progress:
        """The step a person means by its key, or by its name where that leaves one that is not over.

        Raises:
            ConfigError: none or several are meant; says which there are.
        """
        exact = [one for one in self.steps if one.planned.key == key]
        named = exact or [one for one in self.steps if one.planned.rule.name == key]
        meant = named if len(named) == 1 else [one for one in named if not one.over]
        if len(meant) == 1:
            return meant[0]
        there = ", ".join(one.planned.key for one in (meant or named or self.steps))
        if not named:
            raise ConfigError(f"trial {self.trial.id!r} has no step {key!r}", hint=f"its steps: {there}")
        raise ConfigError(f"more than one step {key!r} is meant", hint=f"say which: {there}")


def protocol_of(journal: Journal, trial: Trial) -> Protocol | None:
    """The protocol a trial was opened under, from the journal; None: it has none.

    Raises:
        ConfigError: the journal does not hold its text, or another program's.
    """
    if trial.protocol is None:
        return None
    kept = kept_protocols(journal)
    if trial.protocol not in kept:
        raise ConfigError(
            f"the journal does not hold the protocol of trial {trial.id!r}",
            hint="it was altered, or cut; verify the journal",
        )
    return kept[trial.protocol]


def kept_protocols(journal: Journal) -> dict[str, Protocol]:
    """Every protocol that a trial was opened under, by its SHA-256."""
    found = (kept for _, kept in facts(journal, "protocol", KeptProtocol))
    return {kept.sha256: parse_protocol(kept.text, f"the protocol {kept.sha256[:12]}") for kept in found}


def ledger_of(journal: Journal, trial: Trial, protocol: Protocol) -> Ledger:
    """Reads all that the journal holds of one trial."""
    void = withdrawn(journal)
    ledger = Ledger(record_of(journal, trial.id), protocol)
    for event, said in facts(journal, "step", StepEvent):
        if said.trial == trial.id:
            ledger.steps.setdefault(said.step, []).append((event.seq, said))
    for event, application in facts(journal, "application", Application):
        if application.trial == trial.id and application.id not in void:
            ledger.applications.append((event.seq, application))
    for seq, reading in bodies(journal, "reading", Reading, trial=trial.id):
        ledger.seqs[reading.id] = seq
    answers: list[tuple[Event, Rating | Inspection]] = [
        *facts(journal, "rating", Rating),
        *facts(journal, "inspection", Inspection),
    ]
    for event, answer in answers:
        if answer.trial == trial.id and answer.id not in void:
            ledger.answers.append(answer)
            ledger.seqs[answer.id] = event.seq
    for event, check in facts(journal, "check", Check):
        if check.verdict != "undecided":
            ledger.checked[check.gauge] = event.seq
    listed = panels_of_bench(journal)
    ledger.panels = {name: listed[name] for name in trial.panels if name in listed}
    return ledger


def progress_of(journal: Journal, trial: Trial, method: Method, now_utc: datetime) -> TrialProgress | None:
    """How far a trial is; None if it was opened without a protocol.

    Raises:
        ConfigError, JournalError: the journal does not hold what it must.
    """
    protocol = protocol_of(journal, trial)
    if protocol is None:
        return None
    ledger = ledger_of(journal, trial, protocol)
    zoned = [panel.name for panel in ledger.panels.values() if panel.has_control]
    plan = planned_steps(trial, protocol, method, zoned)
    plan = _until_failure(plan, trial, ledger)
    alone = [_alone(one, trial, method, ledger, now_utc) for one in plan]
    return TrialProgress(trial, tuple(_together(alone)), ledger)


def open_trials(journal: Journal) -> list[Trial]:
    """Trials with a protocol that were not closed, in the order they were opened."""
    last_step = {sha256: kept.steps[-1].name for sha256, kept in kept_protocols(journal).items()}
    trials = trials_of(journal)
    closed: dict[str, bool] = {}
    for _, said in facts(journal, "step", StepEvent):
        trial = trials.get(said.trial)
        if trial is not None and said.step == last_step.get(trial.protocol or ""):
            closed[said.trial] = said.what == "done"
    return [one for one in trials.values() if one.protocol in last_step and not closed.get(one.id)]


def next_steps(journal: Journal, method: Method, now_utc: datetime) -> list[TrialProgress]:
    """Every open trial with a protocol and how far it is; `TrialProgress.next` is its next step."""
    found = (progress_of(journal, trial, method, now_utc) for trial in open_trials(journal))
    return [one for one in found if one is not None]


def _until_failure(plan: list[Planned], trial: Trial, ledger: Ledger) -> list[Planned]:
    """Wash stages behind a failed inspection are not asked for."""
    found, gave_way = [], set()
    for one in plan:
        if one.rule.kind in ("wash", "inspect") and one.panel in gave_way:
            continue
        found.append(one)
        if one.rule.kind == "inspect" and one.step is not None and failed(trial.id, one.step, ledger.record):
            gave_way.add(one.panel)
    return found


def _alone(one: Planned, trial: Trial, method: Method, ledger: Ledger, now_utc: datetime) -> Progress:
    """How far a step is by itself, whatever comes before it."""
    taken, wanted = _taken(one, trial, method, ledger)
    begun = _begun_seq(one, ledger)
    early = ledger.newest(one.key, "begun")
    until = cure_end(one, ledger) if one.rule.kind == "cure" else None
    state: State = "open"
    if taken >= wanted or (until is not None and now_utc >= until):
        state = "done"
    elif ledger.newest(one.key, "skipped"):
        state = "skipped"
    elif until is not None:
        state = "waiting"
    elif begun is not None:
        state = "under way"
    return Progress(
        one,
        state,
        taken,
        wanted,
        begun,
        until_utc=until if state == "waiting" else None,
        early=early is not None and early[1].early,
    )


def _taken(one: Planned, trial: Trial, method: Method, ledger: Ledger) -> tuple[int, int]:
    told = int(ledger.newest(one.key, "done") is not None)
    match one.rule.kind:
        case "apply":
            return int(ledger.application_on(one.panel) is not None), 1
        case "check":
            return max(told, int(bool(ledger.record.readings) and not unchecked_since(ledger))), 1
        case "wash" if one.step is not None:
            inspected = state_of(trial.id, one.step, method, ledger.record).done
            target = method.wash.strokes_at(one.step.stage or 0)
            if told or inspected or target is None:
                return max(told, int(inspected)), 1
            return strokes_on(trial.id, one.step.panel, ledger.record.readings, method), target
        case _ if one.step is not None:
            state = state_of(trial.id, one.step, method, ledger.record)
            return state.taken, state.wanted
        case _:
            return told, 1


def unchecked_since(ledger: Ledger) -> list[str]:
    """Gauges of the trial without a check behind their last reading."""
    last: dict[str, int] = {}
    for reading in ledger.record.readings:
        last[reading.gauge] = max(last.get(reading.gauge, 0), ledger.seqs.get(reading.id, 0))
    return [gauge for gauge, seq in last.items() if ledger.checked.get(gauge, 0) <= seq]


def _begun_seq(one: Planned, ledger: Ledger) -> int | None:
    """Place of the first thing that belongs to a step; readings that were ruled out are none of it."""
    if one.rule.kind == "apply":
        found = ledger.application_on(one.panel)
        return found[0] if found else None
    told = (ledger.newest(one.key, what) for what in ("begun", "done"))
    seqs = [found[0] for found in told if found is not None]
    if one.step is not None:
        own = (
            item.id for item in ledger.record.readings if item.step == one.step and item.counts is not False
        )
        seqs += [ledger.seqs[id_] for id_ in (*own, *answers_to(one, ledger)) if id_ in ledger.seqs]
    return min(seqs, default=None)


def answers_to(one: Planned, ledger: Ledger) -> list[str]:
    """Ids of the ratings of a step that is rated, or of the inspections of one that is inspected."""
    step, inspected = one.step, one.rule.kind == "inspect"
    if step is None or one.rule.kind not in ("rate", "inspect"):
        return []
    return [
        item.id
        for item in ledger.answers
        if (
            inspected and (item.panel, item.stage) == (step.panel, step.stage)
            if isinstance(item, Inspection)
            else item.step == step
        )
    ]


def cure_end(cure: Planned, ledger: Ledger) -> datetime | None:
    """When a cure is over: counted from the application, or from where a person let it begin anew."""
    found = ledger.application_on(cure.panel)
    began = found[1].t_utc if found else _apply_skipped(cure, ledger)
    if began is None or cure.rule.wait_h is None:
        return None
    anew = [
        one.t_utc
        for _, one in ledger.steps.get(cure.key, [])
        if one.what in ("repeated", "voided") and one.t_utc > began
    ]
    return max([began, *anew]) + timedelta(hours=cure.rule.wait_h)


def _apply_skipped(cure: Planned, ledger: Ledger) -> datetime | None:
    """An application that nobody wrote down was at the latest when it was skipped."""
    for rule in ledger.protocol.steps:
        if rule.kind == "apply":
            found = ledger.newest(f"{rule.name}/{cure.panel}", "skipped")
            return found[1].t_utc if found else None
    return None


def _together(alone: list[Progress]) -> Iterator[Progress]:
    """Each step with what holds it back, and with what was passed over on the way to it."""
    # What was checked meanwhile is no closing check, and shows nothing of how far the trial is.
    reached = [one.planned for one in alone if one.begun_seq is not None]
    for one in alone:
        earlier = [before for before in alone if before.planned.block < one.planned.block]
        held_by = None if one.early else _holder(one.planned, earlier)
        too_soon = one.planned.rule.kind == "check" and one.state == "done" and held_by is not None
        if (one.over and not too_soon) or one.state == "waiting":
            yield one
            continue
        if not one.planned.rule.holds and _left_behind(one.planned, reached):
            yield replace(one, state="passed over")
            continue
        if held_by is None:
            yield one
        else:
            until = held_by.until_utc if held_by.state == "waiting" else None
            yield replace(one, state="held", waits_for=held_by.planned, until_utc=until)


def _left_behind(one: Planned, reached: Iterable[Planned]) -> bool:
    return any(other.block > one.block and other.concerns(one) for other in reached)


def _holder(one: Planned, earlier: Iterable[Progress]) -> Progress | None:
    """The first earlier step that is not over and holds this one back."""
    return next(
        (
            before
            for before in earlier
            if before.planned.rule.holds and not before.over and before.planned.concerns(one)
        ),
        None,
    )


def local_time(when: datetime, now: datetime, zone: tzinfo) -> str:
    """A time as it is said at the bench: "today 14:05", "tomorrow 14:05", else with its date."""
    there, here = when.astimezone(zone), now.astimezone(zone)
    days = (there.date() - here.date()).days
    day = {0: "today", 1: "tomorrow"}.get(days, f"{there:%Y-%m-%d}")
    return f"{day} {there:%H:%M}"
