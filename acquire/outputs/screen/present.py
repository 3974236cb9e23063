"""How the bench stands by its journal, kept up to date for the pages that are open.

    journal ──events behind the last one seen──> Present ──as_data()──> /now.json, /next.json

A long journal is read once, when the first page opens; from then on only what is new. What other rooms work
out from the whole journal (calibration, how far a trial is) is worked out again only when an event came that
can change it.
"""

import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from acquire.bench import Bench
from acquire.chain import Event
from acquire.clock import Clock
from acquire.home import Home
from acquire.journal import Journal
from acquire.model import Trial
from acquire.outputs.screen.rows import StepRows
from acquire.overview import overview
from acquire.plan import Planned
from acquire.progress import Progress, TrialProgress, local_time, open_trials, progress_of
from acquire.scoring.method import Method
from acquire.service.choosing import QUANTITY_OF
from acquire.service.desk import Armed
from acquire.trials import next_step, record_of, trials_of

GAUGES_HOLD = timedelta(seconds=20)
"""A check can fall due while nothing happens."""
WAITS_HOLD = timedelta(minutes=30)
CLIMATE_EVENTS_N = 2000
"""The room tells of itself each minute: its newest values are among the newest events, or too old to show."""
_OF_GAUGES = ("check", "check aborted", "incident", "correction", "bench")
_OF_ALL_TRIALS = ("check", "panel", "protocol", "sealed", "unsealed")
_OF_NO_TRIAL = ("climate", "stream", "bench", "clock step", "refusal", "incident", "bracket", "correction")


class Present:
    """Reads one bench's journal for any number of pages, from any thread.

    What comes next can take seconds on a long journal that was not read before: it has a turn of its own, so
    that nobody who asks how things stand waits for it.
    """

    def __init__(self, home: Home, clock: Clock) -> None:
        self._standing, self._todo = _Standing(home, clock), _Todo(home, clock)

    def now(self, armed: Armed | None) -> dict[str, Any]:
        """The armed step, the gauges and the room.

        Raises:
            PanelwrightError: the journal or the bench's files cannot be read.
        """
        return self._standing.told(armed)

    def next(self) -> dict[str, Any]:
        """Each open trial with what comes next, what it needs and what it waits for.

        Raises:
            PanelwrightError: as `now`.
        """
        return self._todo.told()

    def close(self) -> None:
        """Lets go of the journal."""
        self._standing.close()
        self._todo.close()


class _Reading:
    """Reads on in the journal, one page's question after the other."""

    def __init__(self, home: Home, clock: Clock) -> None:
        self._home, self._clock = home, clock
        self._turn = threading.Lock()
        self._journal: Journal | None = None
        self._seq = 0

    def close(self) -> None:
        with self._turn:
            if self._journal is not None:
                self._journal.close()
                self._journal = None

    def _read_on(self) -> Journal:
        if self._journal is None:
            self._journal = self._home.journal(readonly=True)
            self._seq, _ = self._journal.head()
            self._begin(self._journal)
        for event in self._journal.events(since=self._seq):
            self._seq = event.seq
            self._hear(self._journal, event)
        return self._journal

    def _begin(self, journal: Journal) -> None:
        """Takes what is known before `_hear` is told of each new event."""

    def _hear(self, journal: Journal, event: Event) -> None:
        raise NotImplementedError


class _Standing(_Reading):
    """How the armed step, the gauges and the room stand."""

    def __init__(self, home: Home, clock: Clock) -> None:
        super().__init__(home, clock)
        self._rows: StepRows | None = None
        self._about: dict[str, str] = {}
        """Of the armed step: product and caution."""
        self._climate: dict[tuple[str, str, str | None], dict[str, Any]] = {}
        self._gauges: tuple[datetime, list[dict[str, Any]]] | None = None

    def told(self, armed: Armed | None) -> dict[str, Any]:
        with self._turn:
            journal = self._read_on()
            return {
                "t_utc": self._clock.utc().isoformat(),
                "seq": self._seq,
                "step": self._step(journal, armed),
                "gauges": self._gauge_states(journal),
                "climate": list(self._climate.values()),
            }

    def _begin(self, journal: Journal) -> None:
        for event in journal.events("climate", since=max(0, self._seq - CLIMATE_EVENTS_N)):
            self._hear_climate(event)

    def _hear(self, journal: Journal, event: Event) -> None:
        if self._rows is not None:
            self._rows.hear(event.kind, dict(event.body))
        if event.kind == "climate":
            self._hear_climate(event)
        if event.kind in _OF_GAUGES:
            self._gauges = None

    def _hear_climate(self, event: Event) -> None:
        body = event.body
        key = (str(body["gauge"]), str(body["quantity"]), body.get("channel"))
        words = ("gauge", "quantity", "channel", "value", "unit", "where", "outside", "atmosphere", "t_utc")
        self._climate[key] = {word: body.get(word) for word in words}

    def _step(self, journal: Journal, armed: Armed | None) -> dict[str, Any] | None:
        if armed is None or armed.step is None or armed.trial is None:
            self._rows = None
            return None
        if self._rows is None or (self._rows.trial, self._rows.step) != (armed.trial, armed.step):
            self._rows = StepRows(armed.trial, armed.step)
            self._rows.begin(journal.as_of(self._seq))
            self._about = _about(journal, armed, self._home.method(), self._clock.utc())
        return self._rows.as_data(self._home.method()) | self._about

    def _gauge_states(self, journal: Journal) -> list[dict[str, Any]]:
        now = self._clock.utc()
        if self._gauges is None or not timedelta(0) <= now - self._gauges[0] < GAUGES_HOLD:
            self._gauges = now, [one.as_data() for one in overview(journal, self._home, now)]
        return self._gauges[1]


class _Todo(_Reading):
    """What comes next in each open trial."""

    def __init__(self, home: Home, clock: Clock) -> None:
        super().__init__(home, clock)
        self._trials: dict[str, tuple[datetime | None, dict[str, Any] | None]] = {}
        """For each trial until when what is worked out holds, and what it is; None: nothing is left to do."""
        self._method_sha256 = ""

    def told(self) -> dict[str, Any]:
        with self._turn:
            journal = self._read_on()
            return {"t_utc": self._clock.utc().isoformat(), "trials": list(self._open(journal))}

    def _hear(self, journal: Journal, event: Event) -> None:
        if event.kind in _OF_ALL_TRIALS:
            self._trials.clear()
        elif event.kind not in _OF_NO_TRIAL:
            self._trials.pop(_trial_of(journal, event), None)

    def _open(self, journal: Journal) -> Iterator[dict[str, Any]]:
        method, bench, now = self._home.method(), self._home.bench(), self._clock.utc()
        if method.sha256 != self._method_sha256:
            self._method_sha256 = method.sha256
            self._trials.clear()
        for trial in _not_closed(journal):
            until, told = self._trials.get(trial.id, (now, None))
            if until is not None and now >= until:
                until, told = _of_trial(journal, trial, method, bench, now)
                self._trials[trial.id] = until, told
            if told is not None:
                yield told


def _about(journal: Journal, armed: Armed, method: Method, now: datetime) -> dict[str, str]:
    trial = trials_of(journal).get(armed.trial or "")
    progress = None if trial is None else progress_of(journal, trial, method, now)
    rules = [
        one.planned.rule for one in (progress.steps if progress else ()) if one.planned.step == armed.step
    ]
    return {
        "product": "" if trial is None else trial.product,
        "caution": next((rule.caution for rule in rules if rule.kind in ("measure", "wash")), ""),
    }


def _trial_of(journal: Journal, event: Event) -> str:
    if event.kind == "trial":
        return str(event.body["id"])
    if event.kind == "amendment":
        reading = journal.find(str(event.body["reading"]))
        return "" if reading is None else str(reading.body["trial"])
    return str(event.body.get("trial", ""))


def _not_closed(journal: Journal) -> list[Trial]:
    led = open_trials(journal)
    bare = [one for one in trials_of(journal).values() if one.protocol is None and not one.imported]
    return [*led, *bare]


def _of_trial(
    journal: Journal, trial: Trial, method: Method, bench: Bench, now: datetime
) -> tuple[datetime | None, dict[str, Any] | None]:
    """Until when it holds (None: until an event changes it), and what there is to do."""
    told: dict[str, Any] = {"trial": trial.id, "product": trial.product, "next": None, "arm": [], "waits": []}
    progress = progress_of(journal, trial, method, now)
    if progress is None:
        state = next_step(trial, method, record_of(journal, trial.id))
        if state is None:
            return None, None
        step = state.step
        told["next"] = {"title": str(step), "kind": "measure", "needs": [], "instruction": "", "caution": ""}
        if step.test in QUANTITY_OF:
            told["arm"] = [_arm(str(step), step.model_dump(mode="json"), state.taken, state.wanted)]
        return None, told
    told["next"] = None if progress.next is None else _next(progress.next)
    told["arm"] = [
        _arm(str(one.planned), one.planned.step.model_dump(mode="json"), one.taken, one.wanted)
        for one in progress.ready
        if one.planned.step is not None and one.planned.rule.kind in ("measure", "wash")
    ]
    told["waits"] = [_wait(one, now, bench) for one in progress.waiting]
    return _holds_until(progress, now), told


def _arm(text: str, step: dict[str, Any], taken: int, wanted: int) -> dict[str, Any]:
    return {"text": text, **step, "taken": taken, "wanted": wanted}


def _next(one: Progress) -> dict[str, Any]:
    rule = one.planned.rule
    return {
        "title": str(one.planned),
        "kind": rule.kind,
        "needs": list(rule.needs),
        "instruction": rule.instruction,
        "caution": rule.caution,
    }


def _wait(one: Progress, now: datetime, bench: Bench) -> dict[str, Any]:
    until = one.until_utc
    return {
        "text": _on_panel(one.planned),
        "until": "" if until is None else local_time(until, now, bench.zone),
        "until_utc": None if until is None else until.isoformat(),
    }


def _on_panel(planned: Planned) -> str:
    return f"{planned.panel} cures" if planned.rule.kind == "cure" else str(planned)


def _holds_until(progress: TrialProgress, now: datetime) -> datetime | None:
    ends = [one.until_utc for one in progress.waiting if one.until_utc is not None]
    # What is "tomorrow" now is "today" after midnight.
    return min([*ends, now + WAITS_HOLD]) if ends else None
