"""Lines of the shipped gauges (all invented), written independently of their descriptions."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, reduce
from operator import xor
from pathlib import Path
from random import Random

import config
from drivers.base import Batch, Driver, Sample
from drivers.description import GaugeDescription, load_description
from drivers.registry import make_driver

GAUGES = Path(config.FOLDER) / "gauges"


@dataclass(frozen=True)
class Said:
    """One good line with terminator, and what it says; force: tension positive."""

    line: bytes
    value: float
    unit: str
    channel: str | None = None


@dataclass(frozen=True)
class Gauge:
    """How to make a good line: `say(chance, index)`; running numbers come from the index."""

    name: str
    say: Callable[[Random, int], Said]
    checked: bool = False
    """Lines carry a checksum."""
    asks: bytes | None = None
    awkward: tuple[bytes, ...] = ()
    """Whole lines that are no good value: flags, banners, wrong units, values out of range."""


def _stream_n(chance: Random, index: int) -> Said:
    text = f"{chance.randint(-50000, 50000) / 100:+07.2f}"
    return Said(f"{text}\r\n".encode(), float(text) + 0.0, "N")


def _poll_gf(chance: Random, index: int) -> Said:
    tens = chance.randint(-1000, 1000)
    return Said(f"{-10 * tens:+06d} gf S\r\n".encode(), 10.0 * tens, "gf")


def with_check(body: bytes) -> bytes:
    return b"%s*%02X\r\n" % (body, reduce(xor, body))


def _unit_mode(chance: Random, index: int) -> Said:
    milli, unit = chance.randint(-250_000, 250_000), chance.choice(["N", "kgf", "lbf"])
    # The range is 250 N in every unit: about 25.4 kgf or 56.2 lbf.
    milli = {"N": milli, "kgf": milli // 10, "lbf": milli // 5}[unit]
    sign, size = "-" if milli < 0 else "+", abs(milli)
    body = f"LIV;{sign}{size // 1000:04d},{size % 1000:03d};{unit};-"
    return Said(with_check(body.encode()), milli / 1000, unit)


def _gloss_key(chance: Random, index: int) -> Said:
    angle, tenths = chance.choice(["20", "60", "85"]), chance.randint(0, 2000)
    return Said(f"{angle} {tenths / 10:05.1f} GU\r\n".encode(), tenths / 10, "GU", angle)


def _gloss_poll(chance: Random, index: int) -> Said:
    angle, tenths = chance.choice(["20", "60", "85"]), chance.randint(0, 2000)
    text = f"{angle};{tenths // 10:03d},{tenths % 10};{index % 10_000:04d}\n"
    return Said(text.encode(), tenths / 10, "GU", angle)


def _wash_stroke(chance: Random, index: int) -> Said:
    return Said(f"S {index:06d}\r\n".encode(), float(index), "1")


def _wash_poll(chance: Random, index: int) -> Said:
    return Said(f"N={index:06d}\r\n".encode(), float(index), "1")


def _balance(chance: Random, index: int) -> Said:
    milli = chance.randint(-10_000, 320_000)
    sign = "-" if milli < 0 else "+"
    text = f"S {sign}{abs(milli) // 1000:04d}.{abs(milli) % 1000:03d} g\r\n"
    return Said(text.encode(), milli / 1000, "g")


def _irradiance(chance: Random, index: int) -> Said:
    hundredths = chance.randint(0, 20_000)
    return Said(f"E {hundredths / 100:06.2f}\r".encode(), hundredths / 100, "mW/cm2")


ALL = (
    Gauge(
        "force-stream-n",
        _stream_n,
        awkward=(b"+OVER\r\n", b"-OVER\r\n", b"+500.01\r\n", b"-999.99\r\n", b"+12.3\r\n"),
    ),
    Gauge(
        "force-poll-gf",
        _poll_gf,
        asks=b"D\r",
        awkward=(b"-01230 gf U\r\n", b"-01230 gf O\r\n", b"-01230 N S\r\n", b"+10010 gf S\r\n"),
    ),
    Gauge(
        "force-unit-mode",
        _unit_mode,
        checked=True,
        awkward=(
            with_check(b"PEA;+0012,345;N;-"),
            with_check(b"LIV;+0012,345;ozf;-"),
            with_check(b"LIV;+0012,345;N;O"),
            with_check(b"LIV;+0057,000;lbf;-"),
            b"LIV;+0012,345;N;-*00\r\n",
        ),
    ),
    Gauge("gloss-key", _gloss_key, awkward=(b"45 091.4 GU\r\n", b"20 200.1 GU\r\n", b"20 091.4 PC\r\n")),
    Gauge(
        "gloss-poll",
        _gloss_poll,
        asks=b"READ?\n",
        awkward=(b"NONE\n", b"NONE\n", b"60;999,9;9998\n", b"60;091.4;9999\n"),
    ),
    Gauge("wash-stroke", _wash_stroke, awkward=(b"READY\r\n", b"S 12345\r\n")),
    Gauge("wash-poll", _wash_poll, asks=b"N?\r\n", awkward=(b"READY\r\n", b"N=\r\n")),
    Gauge(
        "balance-line",
        _balance,
        awkward=(b"D +0012.345 g\r\n", b"O\r\n", b"S +0012.345 kg\r\n", b"S +0320.001 g\r\n", b"S\r\n"),
    ),
    Gauge("irradiance-line", _irradiance, asks=b"E?\r", awkward=(b"E SAT\r", b"E 200.01\r", b"E 04.37\r")),
)


@cache
def description(name: str) -> GaugeDescription:
    return load_description(GAUGES / f"{name}.toml")


def driver(name: str, *, settled: bool = True) -> Driver:
    """A fresh driver; `settled` ones are past a first line that may be cut."""
    made = make_driver(description(name))
    if settled and made.first_may_be_cut:
        made.feed(b"\r\n")
    return made


def fed(made: Driver, chunks: list[bytes]) -> tuple[list[Sample], list[tuple[str, bytes, int]]]:
    """Samples and errors of all chunks; values as repr-exact floats, NaN left as it is."""
    batch = Batch.joined([made.feed(chunk) for chunk in chunks])
    return list(batch), [(error.why, error.frame, error.at) for error in batch.errors]
