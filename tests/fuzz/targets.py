"""What is fuzzed: for each target what to do with the bytes, and seeds to start from.

A target raises on a finding: AssertionError for a law that broke, anything else for what should not escape.
"""

import re
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache, partial
from math import isfinite
from pathlib import Path

import numpy as np

import config
from acquire.bench import load_bench
from acquire.capture.trace_file import read_trace
from acquire.errors import ConfigError, PanelwrightError, RecordingError, SourceError
from acquire.scoring.method import parse_method
from drivers.base import Driver
from drivers.description import DescriptionError, load_description, parse_description
from drivers.registry import make_driver
from drivers.talks import Sent, Talk, converse, joined, on_the_wire, openings, received, same
from tests.contract.gauges import GAUGES
from tests.recording_tools import Outcome, from_columns, from_lines
from tests.recordings import pairs

FINDINGS = Path(__file__).parent / "findings"
LONGEST_CHUNK = 0xF0
RESET = 0xFF
FAMILIES = ("line", "scpi", "modbus", "contact", "keyed")
_TEXT_FAMILIES = ("line", "scpi", "keyed")


@dataclass(frozen=True)
class Target:
    """`run` takes any bytes; `seeds` are bytes that make sense."""

    run: Callable[[bytes], None]
    seeds: Callable[[], Iterable[bytes]]


@cache
def family(name: str) -> tuple[Driver, ...]:
    """One driver for each shipped gauge of a family, in order of names."""
    found = (load_description(path) for path in sorted(GAUGES.glob("*.toml")))
    return tuple(make_driver(description) for description in found if description.driver == name)


def load_all() -> None:
    """Imports every family, which otherwise happens at first use: the fuzzer must see it imported."""
    for name in FAMILIES:
        family(name)


@cache
def asks(driver: Driver) -> tuple[bytes, ...]:
    plan = driver.plan()
    return () if plan is None else tuple(sorted(plan.known))


def told(driver: Driver, data: bytes) -> list[Talk]:
    """Talks in a compact form: below F0 a chunk of so many bytes and one; then requests; FF opens anew."""
    found: list[Talk] = [[]]
    place = 0
    while place < len(data):
        word = data[place]
        place += 1
        if word < LONGEST_CHUNK:
            if chunk := data[place : place + word + 1]:
                found[-1].append(chunk)
            place += word + 1
        elif word == RESET:
            found.append([])
        elif known := asks(driver):
            found[-1].append(Sent(known[(word - LONGEST_CHUNK) % len(known)]))
    return found


def compact(driver: Driver, talks: list[Talk]) -> bytes:
    """The other way round; requests of other gauges are left out."""
    found = bytearray()
    for talk in talks:
        found.append(RESET)
        for item in talk:
            if isinstance(item, Sent):
                if item.data in asks(driver):
                    found.append(LONGEST_CHUNK + asks(driver).index(item.data))
                continue
            for start in range(0, len(item), LONGEST_CHUNK):
                piece = item[start : start + LONGEST_CHUNK]
                found += bytes([len(piece) - 1]) + piece
    return bytes(found)


def run_family(name: str, data: bytes) -> None:
    """The first byte picks the gauge, the rest is what goes over its line."""
    if not data:
        return
    drivers = family(name)
    driver = drivers[data[0] % len(drivers)]
    for talk in told(driver, data[1:]):
        driver.reset()
        samples, errors = converse(driver, talk)
        most = driver.max_frame_bytes + driver.split_tail_bytes
        assert driver.waiting_n <= most, f"{driver.waiting_n} bytes wait"
        driver.reset()
        again, errors_again = converse(driver, talk, joined)
        assert same(samples, again), "another cut gives other samples"
        assert errors == errors_again, "another cut gives other errors"
        heard = received(talk)
        for sample in samples:
            assert 0 < sample.end <= len(heard), f"outside of the stream: {sample}"
            assert isfinite(sample.value) or not sample.kind.good, f"a good value is not finite: {sample}"
        if name in _TEXT_FAMILIES:
            strange = on_the_wire(driver, heard, samples, [at for _, _, at in errors])
            assert not strange, f"not on the wire: {strange}"


def family_seeds(name: str) -> Iterable[bytes]:
    for index, driver in enumerate(family(name)):
        for path in sorted((pairs.FOLDER / driver.description.name).glob("*.rec")):
            for talk in openings(path):
                # Long recordings cut into pieces that a fuzzer can work on.
                for start in range(0, len(talk), 24):
                    yield bytes([index]) + compact(driver, [talk[start : start + 24]])


@cache
def _folder() -> tuple[Path, "tempfile.TemporaryDirectory[str]"]:
    owner = tempfile.TemporaryDirectory(prefix="panelwright-fuzz-")
    return Path(owner.name), owner


def written(data: bytes, name: str) -> Path:
    path = _folder()[0] / name
    path.write_bytes(data)
    return path


def _or_refused(read: Callable[[Path], Outcome], path: Path) -> Outcome | str:
    try:
        return read(path)
    except RecordingError as error:
        return str(error)


def run_recording(data: bytes) -> None:
    """Both readers give the same lines or refuse with the same words; the contract's reader agrees."""
    path = written(data, "fuzzed.rec")
    lines = _or_refused(from_lines, path)
    assert _or_refused(from_columns, path) == lines
    if isinstance(lines, str):
        return
    assert from_columns(path, 64) == lines
    found, damage, cut = lines
    try:
        talks = openings(path)
    except ValueError:
        first = next((line.kind for line in found if line.kind in ("open", "chunk", "sent")), "open")
        assert damage or cut or first != "open", "the contract's reader refuses a good recording"
        return
    if damage is None and cut is None:
        heard = b"".join(line.data for line in found if line.kind == "chunk")
        assert b"".join(received(talk) for talk in talks) == heard


def recording_seeds() -> Iterable[bytes]:
    for path in sorted(pairs.FOLDER.glob("*/*.rec")):
        text = path.read_bytes().splitlines(keepends=True)
        yield b"".join(text[:14])
    yield b"# format: panelwright-rec 1\n# driver: x\n" + _START + b"+0 ! open \xc2\xb5\n+0.1 < 31\n"


_START = b"# start-utc: 2031-05-04T08:00:00.000000Z\n"
_TIME_UNITS = ("s", "ms", "us")


def _says_what_to_do(error: PanelwrightError) -> None:
    assert error.hint, f"what to do next is missing: {error}"


def run_trace(data: bytes) -> None:
    """The first byte picks columns and unit."""
    pick = data[0] if data else 0
    columns = ((None, None), ("t", "F"), ("1", "0"), ("0", "2"))[pick % 4]
    path = written(data[1:], "fuzzed.csv")
    unit = _TIME_UNITS[pick // 4 % 3]
    try:
        trace = read_trace(path, time_column=columns[0], force_column=columns[1], time_unit=unit)
    except SourceError as error:
        _says_what_to_do(error)
        return
    assert trace.t.shape == trace.f.shape
    assert len(trace.t) >= 2
    assert bool(np.isfinite(trace.t).all() and np.isfinite(trace.f).all())
    assert all(0 < place < len(trace.t) for place in trace.breaks)


def trace_seeds() -> Iterable[bytes]:
    """Invented traces in the ways they are written."""
    rows = [(0.1 * step, 1.5 * (step % 7)) for step in range(12)]
    yield b"\x00" + "\n".join(f"{t:.1f},{f:.2f}" for t, f in rows).encode()
    yield b"\x01t;F;note\n" + "\n".join(f"{t:.1f};{f:.2f};a" for t, f in rows).replace(".", ",").encode()
    yield b"\x02# made up\nF\tt\n(N)\t(s)\n" + "\n".join(f"{f:.2e}\t{t:.1f}" for t, f in rows).encode()
    yield b"\x03\xef\xbb\xbf" + "\r\n".join(f'"{t:.0f}" "{f}" nan' for t, f in rows).encode()
    yield b"\x00" + "\n".join(f"{t:.0f},{f:.2f}" for t, f in [*rows, *rows]).encode() + b"\n,,\n"


def run_method(data: bytes) -> None:
    try:
        parse_method(data.decode("utf-8", "replace"), "fuzzed")
    except ConfigError as error:
        _says_what_to_do(error)


def run_bench(data: bytes) -> None:
    try:
        load_bench(written(data, "bench.toml"), GAUGES)
    except ConfigError as error:
        _says_what_to_do(error)


def run_description(data: bytes) -> None:
    """What is accepted makes a driver that works."""
    try:
        description = parse_description(data, "fuzzed")
    except DescriptionError:
        return
    driver = make_driver(description)
    plan = driver.plan()
    if plan is not None:
        for request in plan.requests:
            driver.sent(request.data)
    driver.feed(b"+012.34\r\n" * 3)
    driver.feed(b"\x00" * 5000)
    assert driver.waiting_n <= driver.max_frame_bytes + driver.split_tail_bytes


def files(*patterns: str) -> Iterable[bytes]:
    for pattern in patterns:
        for path in sorted(Path(config.FOLDER).glob(pattern)):
            yield path.read_bytes()
            # Without comments, so that most mutations hit something that means something.
            yield re.sub(rb"(?m)^\s*#.*\n|\s+#.*$", b"", path.read_bytes())


TARGETS: dict[str, Target] = {
    **{name: Target(partial(run_family, name), partial(family_seeds, name)) for name in FAMILIES},
    "recording": Target(run_recording, recording_seeds),
    "trace": Target(run_trace, trace_seeds),
    "method": Target(run_method, partial(files, "method.toml", "demo/method.toml")),
    "bench": Target(run_bench, partial(files, "bench.toml", "demo/bench.toml")),
    "description": Target(run_description, partial(files, "gauges/*.toml")),
}
