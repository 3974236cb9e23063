"""How many Modbus polls a second: our port owner, driver and recording, against pymodbus's client.

Both ask the same server (pymodbus's own, in another process) for the same registers on the same
pseudo-terminal, one after the other. Ours also keeps the silence between frames that the standard asks for,
records every byte and decodes; the client does neither. Needs pseudo-terminals (Linux, macOS).
"""

import queue
import tempfile
import time
from pathlib import Path

from pymodbus.client import ModbusSerialClient

from acquire.clock import SystemClock
from acquire.ports import Poll, PortEvent, PortOwner, parse_address
from acquire.ports.owner import connect_to
from acquire.recordings import Header, Recorder
from drivers.base import Driver
from drivers.description import GaugeDescription, parse_description
from drivers.registry import make_driver
from tests.modbus_peer import held, peer

Result = dict[str, str | float]

POLLS_N = 1000
ADDRESS = 10

GAUGE = """
title = "Invented transmitter"
driver = "modbus"
quantity = "temperature"
unit = "degC"
resolution = 1.0
range = [0.0, 100000.0]
[serial]
baudrate = 115200
[timing]
mode = "poll"
period_s = 0.0001
reply_timeout_s = 1.0
[modbus]
unit = {unit}
function = 4
[[modbus.values]]
address = {address}
type = "uint32"
"""


def gauge(unit: int) -> GaugeDescription:
    return parse_description(GAUGE.format(unit=unit, address=ADDRESS).encode(), f"unit-{unit}")


def expected(unit: int) -> float:
    return float(held(unit, ADDRESS) << 16 | held(unit, ADDRESS + 1))


def by_client(device: str, polls_n: int = POLLS_N) -> float:
    """Seconds that pymodbus's client needs."""
    client = ModbusSerialClient(device, baudrate=115200, timeout=1)
    assert client.connect()
    try:
        begin = time.perf_counter()
        for _ in range(polls_n):
            reply = client.read_input_registers(ADDRESS, count=2, device_id=1)
            assert reply.registers == [held(1, ADDRESS), held(1, ADDRESS + 1)]
        return time.perf_counter() - begin
    finally:
        client.close()  # type: ignore[no-untyped-call]  # theirs


def by_owner(device: str, units: tuple[int, ...], folder: Path, polls_n: int = POLLS_N) -> float:
    """Seconds that a port owner needs for `polls_n` good values, all units together."""
    events: queue.Queue[PortEvent] = queue.Queue()
    failures: list[Exception] = []
    described = [gauge(unit) for unit in units]
    readers: list[Driver] = [make_driver(one) for one in described]
    clock = SystemClock()
    found: dict[int, int] = dict.fromkeys(units, 0)
    path = folder / f"{len(units)}-{time.monotonic_ns()}.rec"
    with Recorder(path, Header(driver="invented"), clock) as recorder:
        owner = PortOwner(
            "line",
            connect_to(parse_address(device), described[0].serial),
            [Poll(one.name, one.timing, make_driver(one).plan()) for one in described],
            recorder=recorder,
            clock=clock,
            deliver=events.put,
            on_failure=failures.append,
        )
        owner.start()
        begin = 0.0
        while sum(found.values()) < polls_n:
            event = events.get(timeout=5)
            begin = begin or time.perf_counter()
            for unit, reader in zip(units, readers, strict=True):
                if event.kind == "sent":
                    assert not reader.sent(event.data)
                elif event.kind == "chunk":
                    batch = reader.feed(event.data)
                    assert not batch.errors
                    assert all(value == expected(unit) for value in batch.values.tolist())
                    found[unit] += len(batch)
        elapsed_s = time.perf_counter() - begin
        assert owner.stop(2.0)
    assert not failures
    assert max(found.values()) - min(found.values()) <= 2, found
    return elapsed_s


def run() -> list[Result]:
    """All measurements; `ratio` is how many times faster than the other side, `aim` what it should reach."""
    with tempfile.TemporaryDirectory() as folder, peer(Path(folder) / "server") as device:
        alone_s, client_s, line_s = [], [], []
        for _ in range(3):
            client_s.append(by_client(device))
            alone_s.append(by_owner(device, (1,), Path(folder)))
            line_s.append(by_owner(device, (1, 2, 3), Path(folder)))
    best_client_s, best_s, best_line_s = min(client_s), min(alone_s), min(line_s)
    return [
        {
            "what": "Modbus polls, recorded and decoded",
            "against": "pymodbus client",
            "ours_per_s": POLLS_N / best_s,
            "theirs_per_s": POLLS_N / best_client_s,
            "ratio": best_client_s / best_s,
            "aim": 1.0,
        },
        {
            "what": "Modbus polls, three gauges on one line",
            "against": "pymodbus client, one gauge",
            "ours_per_s": POLLS_N / best_line_s,
            "theirs_per_s": POLLS_N / best_client_s,
            "ratio": best_client_s / best_line_s,
            "aim": 1.0,
        },
    ]
