"""A bench with one gauge of each protocol family, simulated, on pseudo-terminals, that faults are done to.

The service, its ports, recordings and journal are the real thing. USB serial numbers are looked up in a list
that the test keeps, because a pseudo-terminal has none.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from pathlib import Path

from acquire.clock import SystemClock
from acquire.home import Home
from acquire.notes import Note
from acquire.ports import PortEvent, replay_events
from acquire.service import Service
from tests.listed_port import Listed
from tests.sim_process import SimProcess

STREAM, POLLED, EVENT, SCPI, MODBUS, BUS = "stream", "polled", "on-event", "scpi", "modbus", "bus"
OTHER = "other"
"""A second SCPI gauge, plugged in where no gauge of the bench is; with another number in its identity."""
FAMILIES = (STREAM, POLLED, EVENT, SCPI, MODBUS, BUS)
FORCE = (STREAM, POLLED, SCPI, MODBUS, BUS)
ASKED = (POLLED, SCPI, MODBUS, BUS)

GAUGES: Mapping[str, tuple[str, ...]] = {
    STREAM: ("force", "--speaks", "force-stream-n"),
    # With noise beyond its steps of 10 gf; otherwise it would show the same at rest for good.
    POLLED: ("force", "--speaks", "force-poll-gf", "--noise-n", "0.2"),
    EVENT: ("wash", "--speaks", "wash-stroke", "--strokes-per-min", "60"),
    SCPI: ("force", "--speaks", "scpi-force", "--serial-number", "EX0042"),
    MODBUS: ("force", "--speaks", "modbus-force"),
    BUS: ("bus", "--speaks", "modbus-bus"),
    OTHER: ("force", "--speaks", "scpi-force", "--serial-number", "EX0099"),
}
# The bus carries two gauges; what is told of one of them is told of the line.
DESCRIBED: Mapping[str, tuple[str, str]] = {
    STREAM: ("force-stream-n", STREAM),
    POLLED: ("force-poll-gf", POLLED),
    EVENT: ("wash-stroke", EVENT),
    SCPI: ("scpi-force", SCPI),
    MODBUS: ("modbus-force", MODBUS),
    BUS: ("modbus-force", BUS),
    "bus-panel": ("modbus-panel", BUS),
}
LIMIT_S = 20.0
"""Real seconds after which waiting is given up."""
STROKE_EVERY_S = 1.0


class FaultBench:
    """Use it through `fault_bench`. All times are those of the bench's clock."""

    def __init__(self, home: Home, plugs: dict[str, Listed], gauges: Mapping[str, SimProcess], speed: float):
        self.home, self.plugs, self.gauges = home, plugs, gauges
        self.clock = SystemClock(speed)
        self._marks_n = 0
        self.notes: list[tuple[float, Note]] = []
        self._service: Service | None = Service(
            home,
            clock=self.clock,
            tell=lambda note: self.notes.append((self.now_s, note)),
            shortest_limit_s=0.15 * speed,
            ports=lambda: list(self.plugs.values()),
        )

    def end(self) -> None:
        """Ends the service; once, however often it is called."""
        service, self._service = self._service, None
        if service is not None:
            service.__exit__(None, None, None)

    @property
    def service(self) -> Service:
        assert self._service is not None, "it has ended"
        return self._service

    @property
    def now_s(self) -> float:
        return self.clock.monotonic_ns() / 1e9

    def tell(self, family: str, line: str) -> None:
        """A hand does something to a gauge; it is done when this returns, if it is done at once."""
        self.gauges[family].tell(line)

    def tell_all(self, families: Sequence[str], line: str) -> None:
        for family in families:
            self.tell(family, line)

    def pump_until(self, enough: Callable[[], bool], why: str) -> None:
        real = SystemClock()
        limit_ns = real.monotonic_ns() + int(LIMIT_S * 1e9)
        while not enough():
            assert real.monotonic_ns() < limit_ns, f"{why}; told: {[n for _, n in self.notes][-8:]}"
            self.service.pump(0.02)

    def pump_for(self, seconds: float) -> None:
        """So much of the bench's time passes."""
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.service.pump(0.02)

    def wait_for(self, words: Mapping[str, str], since: int) -> dict[str, float]:
        """Waits until each family's gauge was told of with these words; gives when, by family."""

        def first(family: str) -> float | None:
            for at_s, note in self.notes[since:]:
                if note.gauge == family and words[family] in note.text:
                    return at_s
            return None

        self.pump_until(lambda: all(first(one) is not None for one in words), f"waiting for {words}")
        return {family: at_s for family in words if (at_s := first(family)) is not None}

    def finish(self, family: str) -> None:
        """Waits until a gauge has done all it was told in order, and that was taken."""
        self._marks_n += 1
        mark = f"pause {self._marks_n / 1000:g}"
        self.tell(family, mark)
        self.pump_until(
            lambda: any(one.get("command") == mark for one in self.gauges[family].answers()), mark
        )
        self.pump_for(0.3)

    def samples(self, family: str) -> int:
        return self.service._open[family].line.stream.samples

    def good_latest(self, family: str) -> bool:
        latest = self.service._open[family].line.stream.latest
        return latest is not None and len(latest) > 0 and all(sample.kind.good for sample in latest)

    def await_good(self, families: Sequence[str]) -> None:
        """Waits until each gauge gives good values and nothing stands against it."""
        before = {family: self.samples(family) for family in families}
        if EVENT in families:
            self.tell(EVENT, "strokes 2")

        def good(family: str) -> bool:
            clear = self.service._open[family].complaint is None
            return clear and self.samples(family) > before[family] and self.good_latest(family)

        self.pump_until(lambda: all(map(good, families)), f"good values of {families} again")

    def opened(self, family: str) -> bool:
        one = self.service._open[family]
        return one.opened and not one.lost

    def recorded(self, family: str) -> list[PortEvent]:
        """What the gauge's recording holds so far."""
        return list(replay_events(self.service._open[family].recorder.path))


def _write_bench(home: Home) -> None:
    home.create()
    lines = [
        'format = "panelwright-bench 1"',
        'name = "Bench of faults (invented, simulated)"',
        'time_zone = "UTC"',
    ]
    for name, (description, plug) in DESCRIBED.items():
        lines += [f"[gauges.{name}]", f'description = "{description}"', f'port = "serial:usb={plug}"']
        lines += ["tolerance = { absolute = 1.0 }"]
    home.bench_file.write_text("\n".join(lines), encoding="utf-8")
    scpi = home.folder / "gauges" / "scpi-force.toml"
    text = scpi.read_text(encoding="utf-8")
    scpi.write_text(text.replace('# serial_number = "EX0042"', 'serial_number = "EX0042"'), encoding="utf-8")


@contextmanager
def fault_bench(folder: Path, *, speed: float) -> Iterator[FaultBench]:
    """Starts the simulators and a service on all of them; the service is entered by the test's first row."""
    home = Home(folder / "bench")
    _write_bench(home)
    with ExitStack() as stack:
        # All are started before the first is waited for.
        gauges = dict(zip(GAUGES, stack.enter_context(_started(folder, speed)), strict=True))
        plugs = {family: Listed(str(folder / family), family) for family in GAUGES}
        bench = FaultBench(home, plugs, gauges, speed)
        try:
            yield bench
        finally:
            bench.end()


@contextmanager
def _started(folder: Path, speed: float) -> Iterator[list[SimProcess]]:
    def start(family: str) -> SimProcess:
        words = GAUGES[family]
        return SimProcess(*words, "--no-auto", "--speed", str(speed), "--link", str(folder / family))

    with ExitStack() as stack, ThreadPoolExecutor() as several:
        yield [stack.enter_context(one) for one in several.map(start, GAUGES)]
