"""What a person says: trials opened, ratings, inspections, rulings. Checked, then written to the journal."""

from typing import Literal
from uuid import uuid4

from pydantic import ValidationError

from acquire.clock import Clock
from acquire.errors import ConfigError, MethodError
from acquire.facts import facts, read_fact
from acquire.journal import Draft, Journal
from acquire.logger import amended
from acquire.model import Amendment, Inspection, Model, Rating, Reading, Step, Trial
from acquire.panels import panels_of_bench, usable
from acquire.progress import kept_protocols, open_trials
from acquire.protocol import Protocol
from acquire.protocol_events import KeptProtocol
from acquire.scoring.method import Method
from acquire.trials import check_rating, record_of, stroke_readings, strokes_on, trials_of
from drivers.keys import one_line


def trial_named(journal: Journal, trial_id: str) -> Trial:
    """The trial of that id.

    Raises:
        ConfigError: there is none; names those there are.
    """
    known = trials_of(journal)
    if trial_id not in known:
        there = ", ".join(known) or "none yet; open one with: panelwright trial open"
        raise ConfigError(f"there is no trial {trial_id!r}", hint=f"trials: {there}")
    return known[trial_id]


def open_trial(
    journal: Journal,
    clock: Clock,
    trial_id: str,
    *,
    product: str,
    panels: tuple[str, ...],
    control: bool,
    product_class: str | None = None,
    protocol: Protocol | None = None,
) -> Trial:
    """Opens a trial.

    Args:
        protocol: what it is to be led by; it keeps its text, whatever becomes of the file. None: only the
            method says which steps it has.

    Raises:
        ConfigError: there is one of that id already, or something about it cannot be; says what. Under a
            protocol that includes a panel that was retired, or is in another open trial.
    """
    trial = new_trial(
        journal,
        clock,
        trial_id,
        product=product,
        panels=panels,
        control=control,
        product_class=product_class,
        protocol=protocol,
    )
    drafts = [*protocol_to_keep(journal, protocol), Draft("trial", trial)]
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return trial


def new_trial(
    journal: Journal,
    clock: Clock,
    trial_id: str,
    *,
    product: str,
    panels: tuple[str, ...],
    control: bool = False,
    product_class: str | None = None,
    protocol: Protocol | None = None,
) -> Trial:
    """A trial as `open_trial` would write it, with the same errors; nothing is written."""
    if len(set(panels)) != len(panels):
        raise ConfigError(
            f"panels cannot be named {', '.join(map(repr, panels))}", hint="name each panel once"
        )
    classes = () if product_class is None else (product_class,)
    for what, names in (("product", (product,)), ("panel", panels), ("class of products", classes)):
        for name in names:
            _must_be_one_line(what, name)
    if trial_id in trials_of(journal):
        raise ConfigError(f"there is a trial {trial_id!r} already", hint="choose another id")
    try:
        trial = Trial(
            id=trial_id,
            product=product,
            panels=panels,
            control=control,
            product_class=product_class,
            protocol=None if protocol is None else protocol.sha256,
            t_utc=clock.utc(),
        )
    except ValidationError as error:
        at = str(error.errors()[0]["loc"][0])
        raise ConfigError(
            f"a trial cannot be opened with {at} {error.errors()[0]['input']!r}",
            hint="an id is made of small letters, digits and single hyphens, such as larch-2",
        ) from error
    if protocol is not None:
        _must_be_free(journal, panels)
    return trial


def protocol_to_keep(journal: Journal, protocol: Protocol | None) -> list[Draft]:
    """What must be written for a trial to keep its protocol: nothing if the journal has that text already."""
    if protocol is None or protocol.sha256 in kept_protocols(journal):
        return []
    return [Draft("protocol", KeptProtocol(sha256=protocol.sha256, text=protocol.text))]


def _must_be_free(journal: Journal, panels: tuple[str, ...]) -> None:
    listed = panels_of_bench(journal)
    used = {panel: one.id for one in open_trials(journal) for panel in one.panels}
    for name in panels:
        if name in listed:
            usable(journal, name)
        if name in used:
            raise ConfigError(
                f"panel {name!r} is in the open trial {used[name]!r}",
                hint=f"take another panel, or close that trial first: panelwright next {used[name]}",
            )


def _must_be_one_line(what: str, name: str) -> None:
    try:
        one_line(name)
    except ValueError as error:
        raise ConfigError(f"the name of a {what} {error}", hint="choose another name") from error


def rate(
    journal: Journal,
    clock: Clock,
    method: Method,
    trial: Trial,
    step: Step,
    value: float,
    *,
    form: str | None = None,
) -> Rating:
    """Writes down a rating; an earlier one of the same step stays in the journal and no longer counts.

    Args:
        form: what its id is made of, so that a form that is sent twice is written once.

    Raises:
        MethodError: it is not on the method's scale.
        JournalError: that form was written before.
    """
    id_ = f"rating.{form or uuid4().hex}"
    rating = Rating(id=id_, trial=trial.id, step=step, value=value, t_utc=clock.utc())
    check_rating(rating, trial, method)
    _write(journal, clock, "rating", rating, rating.id)
    return rating


def inspect(
    journal: Journal,
    clock: Clock,
    trial: Trial,
    step: Step,
    *,
    passed: bool,
    against_control: Literal["better", "same", "worse"] | None = None,
    cut_through: bool = False,
    note: str = "",
    form: str | None = None,
) -> Inspection:
    """Writes down whether water still behaves at a wash stage, with the strokes really counted so far.

    Args:
        against_control: how water behaves beside the panel's untreated control zone.
        cut_through: the finish is cut through, worse than the control zone shows.
        form: as of `rate`.
    """
    if step.stage is None:
        raise MethodError(f"{step} has no wash stage", hint="say which stage was inspected")
    record = record_of(journal, trial.id)
    before = {
        reading
        for one in record.inspections
        if one.trial == trial.id and one.panel == step.panel
        for reading in one.readings
    }
    counted = stroke_readings(trial.id, step.panel, record.readings)
    inspection = Inspection(
        id=f"inspection.{form or uuid4().hex}",
        trial=trial.id,
        panel=step.panel,
        stage=step.stage,
        strokes=strokes_on(trial.id, step.panel, counted),
        readings=tuple(reading.id for reading in counted if reading.id not in before),
        passed=passed,
        against_control=against_control,
        cut_through=cut_through,
        note=note,
        t_utc=clock.utc(),
    )
    _write(journal, clock, "inspection", inspection, inspection.id)
    return inspection


def rule(
    journal: Journal, clock: Clock, reading_id: str, *, counts: bool | None, reason: str, by: str
) -> Reading:
    """Writes down a person's ruling whether a reading counts; None leaves it to the method again.

    Returns:
        The reading as known now.

    Raises:
        ConfigError: there is no such reading, or no reason.
    """
    # What is no text, such as stray bytes of a shell, the journal could not even look for.
    found = journal.find(reading_id) if reading_id.isprintable() else None
    if found is None or found.kind != "reading":
        raise ConfigError(
            f"there is no reading {reading_id!r}", hint="panelwright journal --kind reading lists them"
        )
    if not reason.strip():
        raise ConfigError("a ruling needs its reason", hint="say why; it is printed beside the score")
    amendment = Amendment(reading=reading_id, what="ruling", reason=reason, by=by, counts=counts)
    _write(journal, clock, "amendment", amendment)
    said = (one for _, one in facts(journal, "amendment", Amendment) if one.reading == reading_id)
    return amended(read_fact(Reading, found), said)


def _write(journal: Journal, clock: Clock, kind: str, body: Model, event_id: str | None = None) -> None:
    journal.append(kind, body, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns(), event_id=event_id)
