"""The desk of a bench that runs all day: what is armed, and who may say so.

    screens, pedal ──ask()──> desk's thread: Service ──> journal, then told

One thread runs the service and obeys; any other asks and waits for the answer. A disk that is full or a clock
that jumped ends the service, never the desk: it opens everything anew and arms again what was armed, because
how far a step is always follows from the journal.
"""

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotAnsweredError
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from typing import TypeVar

from acquire.answers import trial_named
from acquire.clock import Clock
from acquire.errors import ConfigError, JournalError, PanelwrightError, RecordingError, TransportError
from acquire.home import Home
from acquire.model import Step
from acquire.notes import Note, Tell
from acquire.service.running import Service
from acquire.tasks import Measure, Task

LINGER_S = 2.0
"""After the last reading of a step what still comes is kept as an extra for so long."""
AGAIN_S = (1.0, 5.0, 30.0)
"""Waits before a service that ended is opened anew, the last one again and again."""
ANSWER_S = 10.0

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Armed:
    """A step of a trial, or a check, that the gauges work for."""

    trial: str | None = None
    step: Step | None = None
    gauge: str | None = None
    reference: str | None = None
    channel: str | None = None
    repeats: int = 3
    paused: bool = False
    staying: bool = False
    """An extra was asked for: stays armed although the step is full."""

    def __str__(self) -> str:
        if self.step is not None:
            return f"{self.trial}: {self.step}"
        return f"check of {self.gauge} against {self.reference}"


class Desk:
    """Runs a bench's service until told to stop, and takes orders from any thread.

    Args:
        open_service: opens the service; called again after one has ended. It is handed the desk's `tell`.
        clock: times the linger and the waits.
        tell: takes notes for the people at the bench; called on the desk's thread.
        changed: told what is armed whenever that changes; on the desk's thread.
    """

    def __init__(
        self,
        home: Home,
        open_service: Callable[[Tell], AbstractContextManager[Service]],
        *,
        clock: Clock,
        tell: Tell,
        changed: Callable[[Armed | None], None] = lambda armed: None,
    ) -> None:
        self._home, self._open, self._clock = home, open_service, clock
        self._tell, self._changed = tell, changed
        self._orders: queue.Queue[tuple[Callable[[], object], Future[object]]] = queue.Queue()
        self._armed: Armed | None = None
        self._service: Service | None = None
        self._task: Task | None = None
        self._full_ns: int | None = None
        self._let_go: Armed | None = None
        """The step that was let go because it was full, until a person gives another order."""
        self._ended = False
        self.failed: str | None = None
        """Why the service is not running, while it is not."""

    @property
    def armed(self) -> Armed | None:
        return self._armed

    def ask(self, order: Callable[[], _T], *, limit_s: float = ANSWER_S) -> _T:
        """Has the desk's thread carry out one of the methods below, and gives what it gives.

        Raises:
            TransportError: the desk did not answer in time; the order is withdrawn if it has not begun.
            PanelwrightError: what the order itself raised.
        """
        answer: Future[object] = Future()
        self._orders.put((order, answer))
        if self._ended:
            self._turn_away()
        try:
            return answer.result(limit_s)  # type: ignore[return-value]  # of this order, which gives a _T
        except NotAnsweredError:
            answer.cancel()
            raise TransportError(
                "the bench did not answer in time", hint=self.failed or "try again"
            ) from None

    def run(self, stop: threading.Event) -> None:
        """Serves until `stop` is set.

        Raises:
            ConfigError, JournalError, RecordingError: the service cannot be opened the first time, or not be
                closed in order at the end.
        """
        try:
            self._run(stop)
        finally:
            self._ended = True
            self._turn_away()

    def _run(self, stop: threading.Event) -> None:
        began, failures = False, 0
        while True:
            try:
                with self._open(self._tell) as service:
                    if began:
                        self._tell(Note("port", "acquisition runs again"))
                    began, failures = True, 0
                    self._serve(service, stop)
            except (PanelwrightError, OSError) as error:
                # What a full disk ended can often not be closed in order either.
                if not began or stop.is_set():
                    raise
                failures += 1
                self._say_failed(error)
            self._pause_for(AGAIN_S[min(failures, len(AGAIN_S) - 1)], stop)
            if stop.is_set():
                return

    def arm(self, trial_id: str, step: Step) -> str:
        """From now on what the gauge gives belongs to this step. Ends what was armed before.

        Raises:
            ConfigError: there is no such trial, or no open gauge for the step.
        """
        service = self._running()
        trial = trial_named(service.journal, trial_id)
        self._begin(Armed(trial=trial.id, step=step), service.measure(trial, step))
        return str(self._armed)

    def check(self, gauge: str, reference: str, *, repeats: int = 3, channel: str | None = None) -> str:
        """Checks a gauge against a reference. Ends what was armed before.

        Raises:
            ConfigError: gauge and reference do not fit each other.
        """
        task = self._running().check(gauge, reference, repeats=repeats, channel=channel)
        self._begin(Armed(gauge=gauge, reference=reference, channel=channel, repeats=repeats), task)
        return str(self._armed)

    def release(self) -> None:
        """Nothing is armed any more; what was taken is kept."""
        self._rest()
        self._let_go = None
        self._set(None)

    def pause(self) -> None:
        """What the gauges give belongs to nothing until `go_on`."""
        armed = self._must_be_armed()
        self._rest()
        self._set(replace(armed, paused=True))
        self._tell(Note("waiting", f"paused: {armed}"))

    def go_on(self) -> None:
        """Takes up what was paused."""
        armed = self._must_be_armed()
        if armed.paused:
            self._take_up(replace(armed, paused=False))

    def extra(self) -> None:
        """One more than the step asks for is wanted: it stays armed until that has come."""
        armed = self._must_be_armed()
        if armed.step is None:
            raise ConfigError("a check takes no extras", hint="begin the check again if it went wrong")
        self._set(replace(armed, staying=True))
        self._tell(Note("waiting", "one extra: it is kept, and counts only if you say so"))

    def undo(self, reason: str) -> str:
        """The newest reading of the armed step does not count: a ruling with its reason, no deletion.

        A step that was let go because it was full is armed again for it: that it was the last reading that
        went wrong is noticed only then.

        Raises:
            ConfigError: nothing is armed, or it has no reading that could be undone.
        """
        if self._armed is None and self._let_go is not None:
            self._take_up(self._let_go)
        armed = self._must_be_armed()
        if not isinstance(self._task, Measure):
            raise ConfigError(
                "there is no reading to undo here",
                hint="strokes that were made count; a check is begun again; a paused step goes on first",
            )
        self._full_ns = None
        said = self._task.undo(reason)
        self._set(replace(armed, staying=False))
        return said

    def _begin(self, armed: Armed, task: Task) -> None:
        # What was armed before ends only now: an order that cannot be carried out changes nothing.
        old, self._task = self._task, task
        if old is not None:
            self._running().rest(old)
        self._full_ns = self._let_go = None
        self._set(armed)

    def _take_up(self, armed: Armed) -> None:
        service = self._running()
        if armed.step is not None and armed.trial is not None:
            task = service.measure(trial_named(service.journal, armed.trial), armed.step)
        else:
            assert armed.gauge is not None
            assert armed.reference is not None
            task = service.check(armed.gauge, armed.reference, repeats=armed.repeats, channel=armed.channel)
        self._begin(armed, task)

    def _rest(self) -> None:
        task, self._task, self._full_ns = self._task, None, None
        if task is not None and self._service is not None:
            self._service.rest(task)

    def _set(self, armed: Armed | None) -> None:
        if armed != self._armed:
            self._armed = armed
            self._changed(armed)

    def _must_be_armed(self) -> Armed:
        if self._armed is None:
            raise ConfigError("nothing is armed", hint="choose a step first")
        return self._armed

    def _running(self) -> Service:
        if self._service is None:
            raise TransportError("acquisition is not running", hint=self.failed or "it is being started")
        return self._service

    def _serve(self, service: Service, stop: threading.Event) -> None:
        """Pumps and obeys until told to stop, or until the service cannot go on."""
        self._service, self.failed = service, None
        try:
            if self._armed is not None and not self._armed.paused:
                self._take_up(self._armed)
            while not stop.is_set():
                service.pump(0.02)
                self._obey()
                self._let_go_when_full()
            self._rest()
        except (JournalError, RecordingError, TransportError) as error:
            self._say_failed(error)
        finally:
            self._service = self._task = self._full_ns = None

    def _obey(self) -> None:
        while True:
            try:
                order, answer = self._orders.get_nowait()
            except queue.Empty:
                return
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                answer.set_result(order())
            except (PanelwrightError, ValueError) as error:
                answer.set_exception(error)
                if isinstance(error, JournalError | RecordingError):
                    raise

    def _turn_away(self) -> None:
        """Nobody obeys any more, and nobody shall wait for an answer."""
        with suppress(queue.Empty):
            while True:
                _, answer = self._orders.get_nowait()
                if answer.set_running_or_notify_cancel():
                    answer.set_exception(TransportError("the bench is ending", hint="start it again"))

    def _let_go_when_full(self) -> None:
        """A full step stays armed a little, for what is under way; then the hands are free."""
        task, armed = self._task, self._armed
        if task is None or armed is None or not task.done:
            self._full_ns = None
            return
        now_ns = self._clock.monotonic_ns()
        if self._full_ns is None:
            self._full_ns = now_ns
        if armed.staying and isinstance(task, Measure) and not task.took_extra:
            self._full_ns = now_ns
        elif (now_ns - self._full_ns) / 1e9 >= LINGER_S:
            self.release()
            self._let_go = armed if isinstance(task, Measure) else None

    def _say_failed(self, error: Exception) -> None:
        hint = getattr(error, "hint", "")
        self.failed = f"{error}; {hint}" if hint else str(error)
        self._tell(Note("lost", f"acquisition has stopped: {self.failed}; it is tried again"))

    def _pause_for(self, seconds: float, stop: threading.Event) -> None:
        """Waits, and meanwhile answers that nothing runs."""
        until_ns = self._clock.monotonic_ns() + int(seconds * 1e9)
        while self._clock.monotonic_ns() < until_ns and not stop.wait(0.05):
            self._obey()
