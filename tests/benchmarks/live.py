"""What one fast and two slow gauges cost, live: the share of one processor core.

The simulated gauges are processes of their own; measured is this process only, doing what the service does
from port to capture. Needs pseudo-terminals (Linux, macOS).
"""

import json
import queue
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

import config
from acquire.clock import SystemClock
from acquire.ports import PortEvent, PortOwner, parse_address
from acquire.ports.owner import connect_to
from acquire.ports.watch import Poll
from acquire.recordings import Header, Recorder
from acquire.stream import GaugeStream
from drivers.description import GaugeDescription, load_description
from tests.benchmarks.traces import NAME, gauge_at_1_khz

Result = dict[str, str | float]

WARM_UP_S = 1.5


def _described(name: str) -> GaugeDescription:
    return load_description(config.FOLDER / "gauges" / f"{name}.toml")


GAUGES = {
    "fast": (["force", "--speaks", NAME, "--rate-hz", "1000"], gauge_at_1_khz),
    "slow": (["force", "--speaks", "force-poll-gf"], lambda: _described("force-poll-gf")),
    "wash": (["wash", "--speaks", "wash-poll"], lambda: _described("wash-poll")),
}


@contextmanager
def simulated(arguments: list[str], link: Path) -> Iterator[str]:
    """A simulated gauge that keeps measuring; gives its address."""
    command = [sys.executable, "-m", "simulators.cli", *arguments, "--auto", "--link", str(link)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield json.loads(process.stdout.readline())["port"]
        finally:
            process.terminate()


def _own(
    name: str,
    stream: GaugeStream,
    address: str,
    folder: Path,
    events: queue.Queue[PortEvent],
    undo: ExitStack,
) -> None:
    clock = SystemClock()
    description = stream.description
    header = Header(driver=description.name, device=name)
    recorder = undo.enter_context(Recorder(folder / f"{name}.rec", header, clock))
    owner = PortOwner(
        name,
        connect_to(parse_address(address), description.serial),
        [Poll(name, description.timing)],
        recorder=recorder,
        clock=clock,
        deliver=partial(events.put, timeout=0.1),
        on_failure=_stop_on,
    )
    owner.start()
    undo.callback(owner.stop)


def _stop_on(error: Exception) -> None:
    raise error


def share(seconds: float = 10.0) -> Result:
    """Processor time over time, ports to capture, three gauges at once."""
    events: queue.Queue[PortEvent] = queue.Queue(1000)
    streams = {name: GaugeStream(describe()) for name, (_, describe) in GAUGES.items()}
    with ExitStack() as undo:
        folder = Path(undo.enter_context(tempfile.TemporaryDirectory()))
        for name, (arguments, _) in GAUGES.items():
            address = undo.enter_context(simulated(arguments, folder / name))
            _own(name, streams[name], address, folder, events, undo)
        _take(events, streams, WARM_UP_S)
        before, cpu_s = streams["fast"].samples, time.process_time()
        pulls = _take(events, streams, seconds)
        used_s = time.process_time() - cpu_s
        samples = streams["fast"].samples - before
    assert samples > 900 * seconds, f"only {samples} samples in {seconds} s"
    return {
        "what": f"live, 1 kHz ({samples / seconds:.0f} samples a second, {pulls} pulls) and two slow gauges",
        "core_percent": 100 * used_s / seconds,
        "aim_percent": 5.0,
    }


def _take(events: queue.Queue[PortEvent], streams: dict[str, GaugeStream], seconds: float) -> int:
    """Takes events for so long; returns the pulls found meanwhile."""
    end = time.monotonic() + seconds
    pulls = 0
    while (left := end - time.monotonic()) > 0:
        try:
            event = events.get(timeout=left)
        except queue.Empty:
            break
        pulls += sum(item.quantity == "force" for item in streams[event.gauge].take(event))
    return pulls
