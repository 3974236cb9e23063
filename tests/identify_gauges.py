"""Invented gauges that identification has never seen: each with its bytes as heard, and the truth about them.

Written before `acquire.identify` was tuned and kept apart from it. Every style, word and number here is made
up; `invent(seed)` gives the same gauge on every machine.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce
from math import nan, pi, sin
from operator import xor
from random import Random
from typing import Literal

READ_S = 0.01
"""How often the bytes that came are read: several lines of a fast gauge arrive together."""
HEARD_S = 4.0
MORE_N = 200

Mode = Literal["stream", "poll", "on event"]


@dataclass(frozen=True, slots=True)
class Invented:
    """One gauge. `heard` is what a listener gets, (time in µs, bytes); `more` what it says afterwards."""

    style: str
    quantity: str
    unit: str
    unit_is_printed: bool
    mode: Mode
    rate_hz: float | None
    request: bytes | None
    heard: tuple[tuple[int, bytes], ...]
    more: bytes
    more_values: tuple[float, ...]
    """What `more` says, in `unit`; NaN where the gauge says that it has no number."""
    spoilt_n: int
    """How many bytes of `heard` were turned into others on the line."""


@dataclass(frozen=True, slots=True)
class Style:
    """How one kind of gauge speaks: `line` gives a frame's bytes and what it says, for the n-th value."""

    quantity: str
    unit: str
    unit_is_printed: bool
    modes: tuple[Mode, ...]
    values: Callable[[int], list[float]]
    line: Callable[[float, int], tuple[bytes, float]]


def force(rng: Random, top: float, decimals: int) -> Callable[[int], list[float]]:
    """A hand that pulls now and then and pushes a little; between pulls the noise of rest."""
    phase, period = rng.random(), rng.randint(15, 60)

    def values(count: int) -> list[float]:
        swing = [max(-0.15, sin(2 * pi * (n / period + phase))) * top for n in range(count)]
        return [round(one + rng.gauss(0, 3 * 10.0**-decimals), decimals) + 0.0 for one in swing]

    return values


def around(rng: Random, middle: float, sd: float, decimals: int) -> Callable[[int], list[float]]:
    def values(count: int) -> list[float]:
        return [round(abs(rng.gauss(middle, sd)), decimals) for _ in range(count)]

    return values


def counting(rng: Random, first: int, stay: float) -> Callable[[int], list[float]]:
    """A count that goes up by one; `stay` is how likely it is asked before that."""

    def values(count: int) -> list[float]:
        now, out = first, []
        for _ in range(count):
            now += rng.random() >= stay
            out.append(float(now))
        return out

    return values


def hex_xor(body: bytes) -> bytes:
    return b"%02X" % reduce(xor, body, 0)


def hex_sum(body: bytes) -> bytes:
    return b"%02X" % (sum(body) & 0xFF)


def _end(rng: Random) -> bytes:
    return rng.choice([b"\r\n", b"\r\n", b"\r", b"\n"])


def _fixed(value: float, width: int, decimals: int, comma: bool = False) -> bytes:
    text = f"{value:+0{width}.{decimals}f}"
    return text.replace(".", ",").encode() if comma else text.encode()


def bare_fixed(rng: Random) -> Style:
    width, decimals, end = rng.randint(6, 9), rng.randint(1, 3), _end(rng)
    return Style(
        "force", rng.choice(["N", "gf", "kgf"]), False, ("stream", "poll"),
        force(rng, 10.0 ** (width - decimals - 2) * 0.4, decimals),
        lambda value, n: (_fixed(value, width, decimals) + end, value),
    )  # fmt: skip


def bare_variable(rng: Random) -> Style:
    decimals, end = rng.randint(1, 3), _end(rng)
    return Style(
        "force", rng.choice(["N", "lbf"]), False, ("stream", "poll"), force(rng, 40.0, decimals),
        lambda value, n: (f"{value:.{decimals}f}".encode() + end, value),
    )  # fmt: skip


def labelled(rng: Random) -> Style:
    label, sep = rng.choice([b"F", b"LOAD", b"PULL", b"Kraft"]), rng.choice([b"=", b": ", b" ", b">"])
    gap, unit = rng.choice([b" ", b"", b"_"]), rng.choice(["N", "kgf", "lbf", "ozf"])
    width, decimals, end = rng.randint(6, 8), rng.randint(1, 3), _end(rng)
    return Style(
        "force", unit, True, ("stream", "poll"), force(rng, 10.0 ** (width - decimals - 2) * 0.3, decimals),
        lambda value, n: (
            label + sep + _fixed(value, width, decimals) + gap + unit.encode() + end,
            value,
        ),
    )  # fmt: skip


def numbered_fields(rng: Random) -> Style:
    sep, unit, end = rng.choice([b",", b";", b"|", b" / "]), rng.choice(["N", "kN", "kgf"]), _end(rng)
    states = rng.choice([(b"ST", b"US"), (b"OK", b"MV"), (b"S", b"U")])
    first, decimals = rng.randint(0, 9000), rng.randint(1, 3)

    def line(value: float, n: int) -> tuple[bytes, float]:
        state = states[abs(value) > 3]
        fields = (b"%04d" % ((first + n) % 10000), _fixed(value, 8, decimals), unit.encode(), state)
        return sep.join(fields) + end, value

    return Style("force", unit, True, ("stream",), force(rng, 60.0, decimals), line)


def tabs_and_comma(rng: Random) -> Style:
    unit, decimals, end = rng.choice(["N", "gf", "lbf"]), rng.randint(1, 3), _end(rng)
    word = rng.choice([b"ok", b"live", b"a"])
    return Style(
        "force", unit, True, ("stream", "poll"), force(rng, 80.0, decimals),
        lambda value, n: (
            b"\t".join([unit.encode(), f"{value:.{decimals}f}".replace(".", ",").encode(), word]) + end,
            value,
        ),
    )  # fmt: skip


def start_and_xor(rng: Random) -> Style:
    start, sep = rng.choice([b"$", b"!", b"#", b"@"]), rng.choice([b"*", b"/", b"="])
    unit, decimals, covers = rng.choice(["N", "kgf"]), rng.randint(2, 3), rng.random() < 0.3
    check = rng.choice([hex_xor, hex_sum])

    def line(value: float, n: int) -> tuple[bytes, float]:
        body = b"MEAS," + _fixed(value, 8, decimals) + b"," + unit.encode()
        covered = start + body if covers else body
        return start + body + sep + check(covered) + b"\r\n", value

    return Style("force", unit, True, ("stream",), force(rng, 90.0, decimals), line)


def start_text_and_sum(rng: Random) -> Style:
    decimals, unit = rng.randint(0, 2), rng.choice(["gf", "N", "ozf"])
    sep = rng.choice([b":", b" ", b""])

    def line(value: float, n: int) -> tuple[bytes, float]:
        body = _fixed(value, 8, decimals) + b" " + unit.encode() + b" "
        return b"\x02" + body + sep + hex_sum(body) + b"\r\n", value

    return Style("force", unit, True, ("stream", "poll"), force(rng, 300.0, decimals), line)


def blank_padded(rng: Random) -> Style:
    width, decimals, unit = rng.randint(7, 10), rng.randint(1, 2), rng.choice(["kgf", "N", "lbf"])
    gap, end = rng.choice([b" ", b"  "]), _end(rng)
    return Style(
        "force", unit, True, ("stream", "poll"), force(rng, 120.0, decimals),
        lambda value, n: (f"{value:{width}.{decimals}f}".encode() + gap + unit.encode() + end, value),
    )  # fmt: skip


def two_lines(rng: Random) -> Style:
    head, unit = rng.choice([b"#A", b"LOAD CELL", b"---"]), rng.choice(["N", "lbf"])
    decimals, inner = rng.randint(1, 2), rng.choice([b"\r\n", b"\n"])
    return Style(
        "force", unit, True, ("stream",), force(rng, 60.0, decimals),
        lambda value, n: (
            head + inner + _fixed(value, 7, decimals) + b" " + unit.encode() + b"\r\n",
            value,
        ),
    )  # fmt: skip


def gloss_by_angle(rng: Random) -> Style:
    form = rng.choice(["{a}:{v:6.1f} GU", "G{a} {v:05.1f}", "{a}deg;{v:.1f};GU", "<{a}> {v:.1f} gu"])
    comma, end = rng.random() < 0.3 and form[0] != "G", _end(rng)

    def line(value: float, n: int) -> tuple[bytes, float]:
        text = form.format(a=(20, 60, 85)[n % 3], v=value)
        return (text.replace(".", ",") if comma else text).encode() + end, value

    printed = "gu" in form.lower()
    return Style("gloss", "GU", printed, ("on event",), around(rng, 88.0, 9.0, 1), line)


def stroke_counter(rng: Random) -> Style:
    form = rng.choice(["CNT {v:06d}", "strokes={v}", "{v:05d}", "*{v:04d}*"])
    end = _end(rng)
    return Style(
        "count", "1", False, ("on event",), counting(rng, rng.randint(0, 900), 0.0),
        lambda value, n: (form.format(v=int(value)).encode() + end, value),
    )  # fmt: skip


def asked_counter(rng: Random) -> Style:
    form = rng.choice(["COUNT {v}", "={v:06d}", "C;{v:05d};OK"])
    end = _end(rng)
    return Style(
        "count", "1", False, ("poll",), counting(rng, rng.randint(0, 900), 0.7),
        lambda value, n: (form.format(v=int(value)).encode() + end, value),
    )  # fmt: skip


def climate(rng: Random) -> Style:
    quantity, unit, word = rng.choice(
        [("temperature", "degC", "C"), ("temperature", "degC", "degC"), ("humidity", "%", "%RH"),
         ("humidity", "%", "%")]
    )  # fmt: skip
    label, gap, end = rng.choice(["", "ROOM ", "ch1:"]), rng.choice([" ", ""]), _end(rng)
    return Style(
        quantity, unit, True, ("stream", "poll"), around(rng, 23.0, 0.6, 1),
        lambda value, n: (f"{label}{value:.1f}{gap}{word}".encode() + end, value),
    )  # fmt: skip


def two_values(rng: Random) -> Style:
    """Temperature first, humidity behind it; only the first is asked for."""
    end = _end(rng)
    return Style(
        "temperature", "degC", True, ("stream", "poll"), around(rng, 23.0, 0.6, 1),
        lambda value, n: (f"T={value:.1f}C H={50 + n % 7 / 10:.1f}%".encode() + end, value),
    )  # fmt: skip


def balance(rng: Random) -> Style:
    decimals, end, marks = rng.randint(1, 3), _end(rng), rng.choice([(b" ", b"?"), (b"S", b"D"), (b"", b"*")])
    return Style(
        "mass", "g", True, ("stream", "poll"), around(rng, 120.0, 2.0, decimals),
        lambda value, n: (
            _fixed(value, 6 + decimals, decimals) + b" g" + marks[n % 5 == 0] + end,
            value,
        ),
    )  # fmt: skip


def radiometer(rng: Random) -> Style:
    unit, decimals = rng.choice([("mW/cm2", 3), ("W/m2", 1)])
    label, end = rng.choice(["UV ", "", "E:"]), _end(rng)
    return Style(
        "irradiance", unit, True, ("stream", "poll"), around(rng, 12.0, 1.0, decimals),
        lambda value, n: (f"{label}{value:.{decimals}f} {unit}".encode() + end, value),
    )  # fmt: skip


def overloading(rng: Random) -> Style:
    word, decimals, end = rng.choice([b"OL", b"OVER", b"------"]), rng.randint(1, 2), _end(rng)
    unit = rng.choice(["N", "kgf"])

    def line(value: float, n: int) -> tuple[bytes, float]:
        if n % 11 == 5:
            return word + end, nan
        return _fixed(value, 8, decimals) + b" " + unit.encode() + end, value

    return Style("force", unit, True, ("stream", "poll"), force(rng, 70.0, decimals), line)


def end_of_text(rng: Random) -> Style:
    unit, decimals = rng.choice(["N", "gf"]), rng.randint(1, 2)
    return Style(
        "force", unit, True, ("stream", "poll"), force(rng, 30.0, decimals),
        lambda value, n: (b"\x02" + _fixed(value, 7, decimals) + unit.encode() + b"\x03", value),
    )  # fmt: skip


def unusual_end(rng: Random) -> Style:
    end, decimals = rng.choice([b";", b"|", b"\x00", b" "]), rng.randint(1, 2)
    return Style(
        "force", "N", True, ("stream",), force(rng, 30.0, decimals),
        lambda value, n: (_fixed(value, 7, decimals) + b"N" + end, value),
    )  # fmt: skip


def with_exponent(rng: Random) -> Style:
    end = _end(rng)

    def line(value: float, n: int) -> tuple[bytes, float]:
        text = f"{value:+.4E}"
        return text.encode() + b" N" + end, float(text)

    return Style("force", "N", True, ("stream", "poll"), force(rng, 60.0, 3), line)


def sign_apart(rng: Random) -> Style:
    """The sign stands in the first column, blanks between it and the digits."""
    decimals, end = rng.randint(1, 2), _end(rng)
    return Style(
        "force", "N", True, ("stream", "poll"), force(rng, 60.0, decimals),
        lambda value, n: (
            (b"-" if value < 0 else b"+") + f"{abs(value):8.{decimals}f}".encode() + b" N" + end,
            value,
        ),
    )  # fmt: skip


STYLES: dict[str, Callable[[Random], Style]] = {
    maker.__name__.replace("_", " "): maker
    for maker in (
        bare_fixed, bare_variable, labelled, numbered_fields, tabs_and_comma, start_and_xor,
        start_text_and_sum, blank_padded, two_lines, gloss_by_angle, stroke_counter, asked_counter, climate,
        two_values, balance, radiometer, overloading, end_of_text, unusual_end, with_exponent, sign_apart,
    )
}  # fmt: skip


def invent(seed: int, styles: Mapping[str, Callable[[Random], Style]] = STYLES) -> Invented:
    """The gauge of this seed; styles come round in turn."""
    name = list(styles)[seed % len(styles)]
    rng = Random(f"invented gauge {seed}")
    style = styles[name](rng)
    mode = rng.choice(style.modes)
    rate_hz = rng.choice([5, 7.3, 8, 10, 12.5, 20, 25, 40, 50, 61, 80, 100, 125, 200]) * 1.0
    heard_n = {"stream": round(HEARD_S * rate_hz), "poll": 40, "on event": rng.randint(8, 15)}[mode]
    values = style.values(heard_n + MORE_N)
    frames = [style.line(value, n) for n, value in enumerate(values)]
    heard = _chunks(rng, [frame for frame, _ in frames[:heard_n]], mode, rate_hz)
    spoilt_n = 0
    if mode == "stream" and rng.random() < 0.1:
        heard, spoilt_n = _spoil(rng, heard), 1
    return Invented(
        style=name,
        quantity=style.quantity,
        unit=style.unit,
        unit_is_printed=style.unit_is_printed,
        mode=mode,
        rate_hz=rate_hz if mode == "stream" else None,
        request=b"D\r" if mode == "poll" else None,
        heard=tuple(heard),
        more=b"".join(frame for frame, _ in frames[heard_n:]),
        more_values=tuple(value for _, value in frames[heard_n:]),
        spoilt_n=spoilt_n,
    )


def _chunks(rng: Random, frames: list[bytes], mode: Mode, rate_hz: float) -> list[tuple[int, bytes]]:
    if mode == "on event":
        t_s, out = 0.4, []
        for frame in frames:
            out.append((round(t_s * 1e6), frame))
            t_s += rng.uniform(0.5, 3.0)
        return out
    if mode == "poll":
        return [(round((n * 0.1 + rng.uniform(0.005, 0.02)) * 1e6), frame) for n, frame in enumerate(frames)]
    # The listener comes in the middle of a line and reads whatever has gathered since the last look.
    gathered: dict[int, bytes] = {}
    for n, frame in enumerate(frames):
        look = int((n / rate_hz + rng.gauss(0, 0.001)) / READ_S) + 1
        gathered[look] = gathered.get(look, b"") + frame
    out = [(round(look * READ_S * 1e6), data) for look, data in sorted(gathered.items())]
    t_us, first = out[0]
    out[0] = t_us, first[rng.randrange(len(first)) :]
    return out


def _spoil(rng: Random, heard: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """One byte, somewhere in the second half, becomes another."""
    at = rng.randrange(len(heard) // 2, len(heard))
    t_us, data = heard[at]
    place = rng.randrange(len(data))
    wrong = bytes([data[place] ^ rng.choice([0x01, 0x10, 0x40])])
    return [*heard[:at], (t_us, data[:place] + wrong + data[place + 1 :]), *heard[at + 1 :]]
