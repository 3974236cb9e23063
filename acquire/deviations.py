"""Where a trial went another way than its protocol, for whoever reads its figures.

Worked out from the journal like everything else: what a person said (skipped, voided, repeated, begun early)
and what the order and the times of the readings show without anybody's saying so.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Literal

from acquire.facts import facts
from acquire.journal import Journal
from acquire.model import Model, Trial
from acquire.progress import (
    Ledger,
    Progress,
    TrialProgress,
    answers_to,
    cure_end,
    progress_of,
    unchecked_since,
)
from acquire.protocol_events import Sealed, Unsealed
from acquire.scoring.method import Method

What = Literal["skipped", "voided", "repeated", "early", "not written down", "out of order", "not blind"]


class Deviation(Model):
    """One thing that was done differently."""

    step: str
    """Key of the step; empty where it concerns the whole trial."""
    what: What
    text: str
    """One sentence for a person."""
    reason: str = ""
    """As it was given; empty where none was."""
    by: str = ""
    t_utc: datetime | None = None
    """When it was said; None where it follows from the readings."""


def deviations(journal: Journal, trial: Trial, method: Method, now_utc: datetime) -> list[Deviation]:
    """All deviations of a trial: what was said in the order of the steps, then what the readings show.

    A trial without a protocol has none to deviate from.

    Raises:
        ConfigError, JournalError: as `progress_of`.
    """
    progress = progress_of(journal, trial, method, now_utc)
    if progress is None:
        return []
    return [*_said(progress), *_silent(progress), *_unsealed(progress, journal)]


def _said(progress: TrialProgress) -> Iterator[Deviation]:
    named = {one.planned.key: str(one.planned) for one in progress.steps}
    # In the order of the steps; then those that a failed inspection has taken off the plan since.
    for key in (*named, *(key for key in progress.ledger.steps if key not in named)):
        for _, event in progress.ledger.steps.get(key, []):
            what: What
            if event.what in ("skipped", "voided", "repeated"):
                what, text = event.what, f"{named.get(key, key)}: {event.what}"
            elif event.early:
                what, text = "early", f"{named.get(key, key)}: begun before what should come first"
            else:
                continue
            yield Deviation(
                step=key, what=what, text=text, reason=event.reason, by=event.by, t_utc=event.t_utc
            )


def _silent(progress: TrialProgress) -> Iterator[Deviation]:
    for index, one in enumerate(progress.steps):
        key, planned = one.planned.key, one.planned
        if one.state == "passed over":
            yield Deviation(step=key, what="not written down", text=f"{planned}: not written down")
        closing = planned.rule.kind == "check" and one.state == "done"
        if closing and (gauges := unchecked_since(progress.ledger)):
            said = f"{planned}: ticked off, and no check of {', '.join(gauges)} follows its last reading"
            yield Deviation(step=key, what="not written down", text=said)
        yield from _before_the_cure_was_over(one, progress)
        if one.begun_seq is None:
            continue
        later = _begun_later(one, progress.steps[:index])
        if later is not None:
            said = f"{planned}: begun before {later.planned}"
            yield Deviation(step=key, what="out of order", text=said)


def _begun_later(one: Progress, earlier: tuple[Progress, ...]) -> Progress | None:
    """The first step that should have come before this one and was begun after it."""
    for before in earlier:
        if before.planned.block >= one.planned.block or not before.planned.concerns(one.planned):
            continue
        if before.begun_seq is not None and one.begun_seq is not None and before.begun_seq > one.begun_seq:
            return before
    return None


def _before_the_cure_was_over(one: Progress, progress: TrialProgress) -> Iterator[Deviation]:
    """What was measured while it cured, whoever let it."""
    first = _first_reading(one, progress.ledger)
    for cure in progress.steps:
        if first is None or cure.planned.rule.kind != "cure" or cure.planned.block > one.planned.block:
            continue
        over = cure_end(cure.planned, progress.ledger)
        if cure.planned.panel == one.planned.panel and over is not None and first < over:
            hours = (over - first).total_seconds() / 3600
            said = f"{one.planned}: begun {hours:.1f} h before the cure was over"
            yield Deviation(step=one.planned.key, what="early", text=said)


def _first_reading(one: Progress, ledger: Ledger) -> datetime | None:
    step = one.planned.step
    if step is None:
        return None
    ratings = [
        rating.t_utc for rating in ledger.record.ratings if rating.step == step and rating.id in ledger.seqs
    ]
    own = [
        reading.t_utc
        for reading in ledger.record.readings
        if reading.step == step and reading.counts is not False
    ]
    return min([*ratings, *own], default=None)


def _unsealed(progress: TrialProgress, journal: Journal) -> Iterator[Deviation]:
    """What was not blind although the trial was to be."""
    trial = progress.trial
    sealed = {one.id for _, one in facts(journal, "sealed", Sealed) if trial.id in one.trials.values()}
    for event, opened in facts(journal, "unsealed", Unsealed):
        if opened.id not in sealed:
            continue
        if opened.early:
            said = "the products were unsealed before all ratings were in"
            yield Deviation(step="", what="not blind", text=said, reason=opened.early, t_utc=opened.t_utc)
        for one in progress.steps:
            if one.planned.rule.kind != "rate" or one.state != "done":
                continue
            rated = [progress.ledger.seqs[id_] for id_ in answers_to(one.planned, progress.ledger)]
            if max(rated, default=0) > event.seq:
                said = f"{one.planned}: rated after the products were unsealed"
                yield Deviation(step=one.planned.key, what="not blind", text=said)
