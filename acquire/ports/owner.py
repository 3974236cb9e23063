"""The one thread that opens, reads, writes, watches and closes a port."""

import queue
import random
import threading
from collections.abc import Callable, Sequence

from acquire.address import Address, NoPort, TcpAddress
from acquire.clock import Clock
from acquire.errors import ConfigError, PortLost, TransportError
from acquire.ports.contact import ContactWire
from acquire.ports.events import PortEvent
from acquire.ports.listing import Adapter, SystemPorts, resolve, system_ports
from acquire.ports.watch import Poll, Watch
from acquire.ports.wire import COALESCE_S, Pause, SerialWire, TcpWire, Wire
from acquire.recordings import LineKind, Recorder
from acquire.recordings.format import MarkKind
from drivers.contact import ContactSettings
from drivers.description import SerialSettings

FIRST_RETRY_S = 0.1
LAST_RETRY_S = 5.0
_STEP_S = 0.025  # longest sleep between two looks at the stop flag or the port
_STOP_GRACE_S = 0.5

Connect = Callable[[Pause], Wire]


def connect_to(
    address: Address,
    settings: SerialSettings,
    *,
    contact: tuple[ContactSettings, Clock] | None = None,
    ports: SystemPorts = system_ports,
) -> Connect:
    """How to open `address`; a USB serial number is looked up among `ports` anew each time.

    A path names a place, not a gauge: the adapter found there first is the only one that is opened.

    Args:
        contact: for a contact on a control line, which one, and the clock that dates its changes.

    Raises:
        ConfigError: the address says that there is no port.
    """
    if isinstance(address, NoPort):
        raise ConfigError("a gauge without a port cannot be opened", hint="type its values: panelwright key")

    adapter = Adapter(ports)

    def connect(pause: Pause) -> Wire:
        if isinstance(address, TcpAddress):
            return TcpWire(address, pause)
        device = resolve(address, ports=ports)
        adapter.must_be_the_same(device)
        if contact is not None:
            return ContactWire(device, settings, contact[0], pause, contact[1].monotonic_ns)
        return SerialWire(device, settings, pause)

    return connect


class PortOwner:
    """Owns the port of one gauge, or of several on one line, through every loss and return.

    Everything that happens is written to the recording first and then delivered, in order:
    `open`, then `chunk` and `sent`, then `lost` with its reason, and `open` again after a jittered,
    growing delay. A port that a person must see to (in use, no permission) is told once and retried
    slowly. `lost` without an `open` before it means the port could not be opened to begin with.
    `closed` is the last event of an orderly stop.

    Args:
        gauge: the gauge's name on the bench (or a name for all on the line), put on every event.
        connect: opens the port; see `connect_to`.
        polls: each gauge on the port, with what its description says of polling and silence.
        recorder: the recording; whoever made it closes it, after `stop`.
        clock: gives all times but the few milliseconds between looks at the port.
        deliver: takes an event. It may block, but must raise `queue.Full` every second or so while it
            cannot take the event (`functools.partial(queue.put, timeout=0.1)` does); the event is then
            offered again, never dropped, and the port waits. Only once stop was requested are events
            that nobody took for half a second left to the recording alone.
        on_failure: takes whatever ended the thread early, above all a RecordingError (disk full):
            nothing more is read, for nothing is delivered that was not recorded. Called on the thread.
        uniform: gives a random number between two; the jitter.
        shortest_limit_s: silence limits and reply time-outs are never taken shorter than this. For
            clocks that run faster than real time, where a busy machine would look like a silent gauge.
    """

    def __init__(
        self,
        gauge: str,
        connect: Connect,
        polls: Sequence[Poll],
        *,
        recorder: Recorder,
        clock: Clock,
        deliver: Callable[[PortEvent], None],
        on_failure: Callable[[Exception], None],
        uniform: Callable[[float, float], float] = random.uniform,
        shortest_limit_s: float = 0.0,
    ) -> None:
        self.gauge = gauge
        self._connect = connect
        self._polls = tuple(polls)
        self._recorder = recorder
        self._clock = clock
        self._deliver = deliver
        self._on_failure = on_failure
        self._uniform = uniform
        self._shortest_limit_s = shortest_limit_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"port of {gauge}", daemon=True)
        self._failures_n = 0
        self._reported: str | None = None
        self._abandoned = False

    def start(self) -> None:
        """Starts the thread; it opens the port by itself. Once only."""
        self._thread.start()

    def request_stop(self) -> None:
        """Asks the thread to end; returns at once. For stopping several ports together."""
        self._stop.set()

    def stop(self, limit_s: float = 1.0) -> bool:
        """Asks the thread to end and waits for it, at most `limit_s`; says whether it has ended."""
        self._stop.set()
        self._thread.join(limit_s)
        return not self._thread.is_alive()

    @property
    def running(self) -> bool:
        """Whether the thread is alive."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._work()
        except Exception as error:  # noqa: BLE001  a thread may not die unseen, whatever ended it
            self._on_failure(error)

    def _work(self) -> None:
        while (wire := self._open()) is not None:
            try:
                self._mark("open", wire.name)
                reason = self._serve(wire)
            finally:
                wire.close()
            if reason is None:
                break
            self._report(reason)
        self._mark("closed", "")

    def _open(self) -> Wire | None:
        """Tries until the port is open; None if stop was requested first."""
        retry_s = self._retry_s()
        while self._rest(retry_s):
            self._failures_n += 1
            try:
                wire = self._connect(self._stop.wait)
            except PortLost as error:
                if self._reported is None:
                    self._report(str(error))
                retry_s = self._retry_s()
            except TransportError as error:
                if str(error) != self._reported:
                    self._report(str(error))
                retry_s = self._jitter(LAST_RETRY_S)
            else:
                self._reported = None
                return wire
        return None

    def _retry_s(self) -> float:
        if self._failures_n == 0:
            return 0.0
        return self._jitter(min(LAST_RETRY_S, FIRST_RETRY_S * 2.0 ** min(self._failures_n - 1, 10)))

    def _jitter(self, seconds: float) -> float:
        return self._uniform(seconds / 2, seconds)

    def _rest(self, seconds: float) -> bool:
        """Lets time pass; says whether to go on (stop was not requested)."""
        until_ns = self._clock.monotonic_ns() + int(seconds * 1e9)
        while not self._stop.is_set():
            left_ns = until_ns - self._clock.monotonic_ns()
            if left_ns <= 0:
                return True
            self._clock.sleep(min(left_ns / 1e9, _STEP_S))
        return False

    def _serve(self, wire: Wire) -> str | None:
        """Reads (and asks) until the port is lost, and says why; None if stop was requested."""
        watch = Watch(self._polls, self._clock.monotonic_ns(), self._shortest_limit_s)
        try:
            while not self._stop.is_set():
                data = self._exchange(wire, watch)
                if data:
                    self._take(data)
                    # Only bytes prove the port: one that opens and stays silent is retried ever more slowly.
                    self._failures_n = 1
                elif (reason := watch.fault(self._clock.monotonic_ns())) is not None:
                    return reason
        except PortLost as error:
            return str(error)
        return None

    def _exchange(self, wire: Wire, watch: Watch) -> bytes:
        """Sends a request if one is due, reads what there is."""
        now_ns = self._clock.monotonic_ns()
        request = watch.due(now_ns)
        if request:
            t_us = self._recorder.now_us()
            wire.write(request)
            watch.asked(now_ns)
            self._recorder.sent(request, t_us)
            self._hand_over("sent", t_us, data=request)
        idle_ns = watch.idle_ns(now_ns)
        if idle_ns > 0:
            self._clock.sleep(min(idle_ns / 1e9, _STEP_S))
        data = wire.read(wait=idle_ns == 0, gather_s=watch.gather_s(COALESCE_S))
        if data:
            watch.heard(data, self._clock.monotonic_ns())
        return data

    def _take(self, data: bytes) -> None:
        t_us = self._recorder.now_us()
        self._recorder.chunk(data, t_us)
        self._hand_over("chunk", t_us, data=data)

    def _report(self, reason: str) -> None:
        self._reported = reason
        self._mark("lost", reason)

    def _mark(self, kind: MarkKind, note: str) -> None:
        t_us = self._recorder.now_us()
        self._hand_over(kind, t_us, note=self._recorder.mark(kind, note, t_us))

    def _hand_over(self, kind: LineKind, t_us: int, *, data: bytes = b"", note: str = "") -> None:
        """Delivers what has just been recorded, however long that takes."""
        event = PortEvent(self.gauge, kind, t_us, self._recorder.utc_at(t_us), data, note)
        give_up_ns: int | None = None
        while not self._abandoned:
            try:
                self._deliver(event)
            except queue.Full:
                now_ns = self._clock.monotonic_ns()
                if self._stop.is_set():
                    give_up_ns = give_up_ns or now_ns + int(_STOP_GRACE_S * 1e9)
                    self._abandoned = now_ns >= give_up_ns
                self._clock.sleep(_STEP_S)
            else:
                return
