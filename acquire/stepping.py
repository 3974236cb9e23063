"""What a person says of the steps of a protocol: begun, done, skipped, voided, repeated.

Each is checked against how far the trial is, then written down as an event. Nothing is taken back: a voided
step's readings are ruled out by amendments with the reason, its ratings and inspections are withdrawn, and
the step is open again.
"""

from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Literal

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.journal import Draft, Journal
from acquire.model import Amendment, Phase, Step, Test, Trial
from acquire.plan import command_for
from acquire.progress import Progress, TrialProgress, answers_to, local_time, progress_of
from acquire.protocol_events import StepEvent
from acquire.scoring.method import Method
from acquire.trials import must_have, record_of, step_to_measure

TOLD = ("prepare", "check", "close", "wash")
"""Kinds of steps that are done because a person says so; the others are done by what they leave behind."""


def under_protocol(journal: Journal, clock: Clock, method: Method, trial: Trial) -> TrialProgress:
    """How far a trial is.

    Raises:
        ConfigError: it was opened without a protocol.
    """
    found = progress_of(journal, trial, method, clock.utc())
    if found is None:
        raise ConfigError(
            f"trial {trial.id!r} was opened without a protocol",
            hint=f"its measured steps are listed by: panelwright trial steps {trial.id}",
        )
    return found


def begin(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    key: str,
    *,
    early: bool = False,
    reason: str = "",
    zone: tzinfo = UTC,
    form: str | None = None,
) -> StepEvent:
    """Writes down that a step is begun.

    Args:
        early: although something else should come first; it is marked.
        zone: time zone in which a time is said.
        form: what the event's id is made of, so that a form that is sent twice is written once.

    Raises:
        ConfigError: there is no such step, or something else comes first.
    """
    found = must_be_open(under_protocol(journal, clock, method, trial)).step(key)
    if found.planned.rule.kind == "cure":
        raise ConfigError("a cure begins with the application", hint=command_for(trial, found.planned))
    ahead = found.state == "held"
    if ahead and not early:
        raise comes_first(trial, found, clock.utc(), zone)
    event = step_event(clock, trial, found, "begun", early=early and ahead, reason=reason)
    return _write(journal, clock, event, form=form)


def done(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    key: str,
    *,
    early: bool = False,
    zone: tzinfo = UTC,
    form: str | None = None,
) -> StepEvent:
    """Ticks off a step that is done by hand: preparing, checking, closing, a wash nobody counts.

    Raises:
        ConfigError: it is done by measuring, rating or inspecting; or something comes first.
    """
    progress = must_be_open(under_protocol(journal, clock, method, trial))
    found = progress.step(key)
    stage = found.planned.step.stage if found.planned.step is not None else None
    counted = stage is not None and method.wash.strokes_at(stage) is not None
    if found.planned.rule.kind not in TOLD or counted:
        raise ConfigError(f"{found.planned} is not done by saying so", hint=command_for(trial, found.planned))
    if found.planned.rule.kind == "close":
        _all_over(progress)
    elif found.state == "held" and not early:
        raise comes_first(trial, found, clock.utc(), zone)
    drafts = []
    if found.state == "held":
        drafts.append(step_event(clock, trial, found, "begun", early=True))
    drafts.append(step_event(clock, trial, found, "done"))
    return _write(journal, clock, *drafts, form=form)


def skip(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    key: str,
    *,
    reason: str,
    by: str = "",
    form: str | None = None,
) -> StepEvent:
    """Leaves a step out; a cure that is skipped ends at once, and both are marked.

    Raises:
        ConfigError: it is done already, or no reason is given.
    """
    found = must_be_open(under_protocol(journal, clock, method, trial)).step(key)
    must_say_why(reason)
    if found.state == "done":
        raise ConfigError(
            f"{found.planned} is done already",
            hint=f"panelwright step void {trial.id} {found.planned.key} --reason ...",
        )
    if found.planned.rule.kind == "close":
        raise ConfigError("a trial is closed, not skipped", hint=command_for(trial, found.planned))
    event = step_event(clock, trial, found, "skipped", reason=reason, by=by)
    return _write(journal, clock, event, form=form)


def reopen(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    key: str,
    *,
    what: Literal["voided", "repeated"],
    reason: str,
    by: str = "",
    form: str | None = None,
) -> StepEvent:
    """Voids a step, or has it taken once more: what it gave counts no longer, and it is open again.

    Raises:
        ConfigError: nothing was done for it yet, or no reason is given.
    """
    progress = under_protocol(journal, clock, method, trial)
    found = progress.step(key)
    if found.planned.rule.kind != "close":
        must_be_open(progress)
    must_say_why(reason)
    if found.begun_seq is None and not found.over and found.state != "waiting":
        raise ConfigError(f"nothing was done yet for {found.planned}", hint=command_for(trial, found.planned))
    drafts = drafts_to_reopen(clock, progress, found, what, reason, by)
    drafts[0] = replace(drafts[0], id=_id(form))
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    assert isinstance(drafts[0].body, StepEvent)
    return drafts[0].body


def drafts_to_reopen(
    clock: Clock,
    progress: TrialProgress,
    found: Progress,
    what: Literal["voided", "repeated"],
    reason: str,
    by: str,
) -> list[Draft]:
    """The step's event and a ruling on each of its readings."""
    ledger, planned = progress.ledger, found.planned
    withdraws: list[str] = []
    ruled_out: list[str] = []
    if planned.rule.kind == "apply":
        withdraws += [one.id for _, one in ledger.applications if one.panel == planned.panel]
    withdraws += answers_to(planned, ledger)
    if planned.rule.kind in ("measure", "wash"):
        own = [one for one in ledger.record.readings if one.step == planned.step]
        ruled_out += [one.id for one in own if one.counts is not False]
    event = step_event(clock, progress.trial, found, what, reason=reason, by=by, withdraws=tuple(withdraws))
    said = f"{planned} was {what}: {reason}"
    rulings = [Amendment(reading=one, what="ruling", reason=said, by=by, counts=False) for one in ruled_out]
    return [Draft("step", event), *(Draft("amendment", one) for one in rulings)]


def step_to_take(
    journal: Journal,
    clock: Clock,
    zone: tzinfo,
    method: Method,
    trial: Trial,
    *,
    test: Test | None = None,
    panel: str | None = None,
    phase: Phase | None = None,
    stage: int | None = None,
    control_zone: bool = False,
    early: bool = False,
) -> Step:
    """The step a gauge shall take now, by the trial's protocol; without one, by `step_to_measure`.

    Args:
        zone: time zone in which a time is said.
        early: take it although something else comes first; that is written down.

    Raises:
        ConfigError: nothing fits, or something else comes first; says what, and until when.
    """
    progress = progress_of(journal, trial, method, clock.utc())
    if progress is None:
        record = record_of(journal, trial.id)
        return step_to_measure(trial, method, record, test=test, panel=panel, phase=phase, stage=stage)
    must_be_open(progress)
    if panel is not None:
        must_have(trial, panel)
    fitting = [
        (one, step)
        for one in progress.steps
        if one.planned.rule.kind in ("measure", "wash")
        and (step := one.planned.step) is not None
        and test in (None, step.test)
        and panel in (None, step.panel)
        and phase in (None, step.phase)
        and stage in (None, step.stage)
        and (step.zone is not None or not control_zone)
    ]
    wanted = [(one, step) for one, step in fitting if not one.over]
    if not wanted and test is not None and len(fitting) == 1:
        return fitting[0][1]  # done already: what comes now is extra
    if not wanted:
        raise _nothing_fits(progress)
    ready = [step for one, step in wanted if one.state != "held"]
    if ready:
        return ready[0]
    first, step = wanted[0]
    if not early:
        raise comes_first(trial, first, clock.utc(), zone)
    _write(journal, clock, step_event(clock, trial, first, "begun", early=True))
    return step


def must_be_in_turn(
    journal: Journal,
    clock: Clock,
    zone: tzinfo,
    method: Method,
    trial: Trial,
    step: Step,
    *,
    early: bool = False,
    gave_way: bool = False,
) -> None:
    """Lets a step be rated or inspected when its turn has come; a trial without a protocol has no turns.

    Args:
        early: judge it although something else comes first; that is written down.
        gave_way: the panel failed, which ends a wash at whatever stroke it is seen.

    Raises:
        ConfigError: the trial is closed, or something else comes first; says what, and until when.
    """
    progress = progress_of(journal, trial, method, clock.utc())
    if progress is None:
        return
    own = [one for one in must_be_open(progress).steps if one.planned.step == step]
    found = next((one for one in own if one.planned.rule.kind in ("rate", "inspect")), None)
    # Whoever washed early has said so, and is not asked again at the stop of that stage.
    if found is None or found.state != "held" or any(one.early and one.over for one in own):
        return
    if gave_way and found.waits_for is not None and found.waits_for.step == step:
        return
    if not early:
        raise comes_first(trial, found, clock.utc(), zone)
    _write(journal, clock, step_event(clock, trial, found, "begun", early=True))


def _nothing_fits(progress: TrialProgress) -> ConfigError:
    trial, there = progress.trial, progress.next
    hint = "panelwright next shows what is open" if there is None else command_for(trial, there.planned)
    if there is None or all(one.over for one in progress.steps[:-1]):
        return ConfigError(f"trial {trial.id!r} has every step behind it", hint=hint)
    return ConfigError(f"trial {trial.id!r} has no open step like that; next is: {there.planned}", hint=hint)


def comes_first(trial: Trial, held: Progress, now: datetime, zone: tzinfo = UTC) -> ConfigError:
    """Says what holds a step back, and until when."""
    waits_for = held.waits_for or held.planned
    if held.until_utc is not None:
        until = local_time(held.until_utc, now, zone)
        return ConfigError(
            f"{waits_for.panel} cures until {until}", hint="--early to start now; it will be marked"
        )
    return ConfigError(
        f"{held.planned}: first comes {waits_for}",
        hint=f"{command_for(trial, waits_for)}; or --early to start now, and it will be marked",
    )


def must_be_open(progress: TrialProgress) -> TrialProgress:
    if progress.closed:
        last = progress.steps[-1].planned.key
        raise ConfigError(
            f"trial {progress.trial.id!r} is closed",
            hint=f"to open it again: panelwright step repeat {progress.trial.id} {last} --reason ...",
        )
    return progress


def _all_over(progress: TrialProgress) -> None:
    left = [one for one in progress.steps[:-1] if not one.over]
    if left:
        named = ", ".join(one.planned.key for one in left)
        raise ConfigError(
            f"trial {progress.trial.id!r} cannot be closed yet; left: {named}",
            hint=f"take them, or leave them out: panelwright step skip {progress.trial.id} STEP --reason ...",
        )


def must_say_why(reason: str) -> None:
    if not reason.strip():
        raise ConfigError("this needs its reason", hint="say why; it is published with the trial")


def step_event(
    clock: Clock,
    trial: Trial,
    found: Progress,
    what: Literal["begun", "done", "skipped", "voided", "repeated"],
    *,
    early: bool = False,
    reason: str = "",
    by: str = "",
    withdraws: tuple[str, ...] = (),
) -> StepEvent:
    return StepEvent(
        trial=trial.id,
        step=found.planned.key,
        what=what,
        early=early,
        reason=reason,
        by=by,
        withdraws=withdraws,
        t_utc=clock.utc(),
    )


def _write(journal: Journal, clock: Clock, *events: StepEvent, form: str | None = None) -> StepEvent:
    drafts = [Draft("step", event) for event in events]
    drafts[-1] = replace(drafts[-1], id=_id(form))
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return events[-1]


def _id(form: str | None) -> str | None:
    return None if form is None else f"step.{form}"
