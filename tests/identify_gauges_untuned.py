"""A last dozen of invented gauges, met once: identification was not changed for any of them, and must not be.

Change it for one of these, and the figure they give is no longer that of gauges nobody knew.
"""

from collections.abc import Callable
from random import Random

from tests.identify_gauges import Style, around, counting, force, hex_xor


def _force(unit: str, rng: Random, decimals: int, line: Callable[[float, int], bytes]) -> Style:
    values = force(rng, 40, decimals)
    return Style("force", unit, True, ("stream", "poll"), values, lambda v, n: (line(v, n), v))


def piped(rng: Random) -> Style:
    return _force("N", rng, 2, lambda v, n: f"|F|{v:+.2f}|N|\r\n".encode())


def three_angles_a_line(rng: Random) -> Style:
    return Style(
        "gloss", "GU", False, ("on event",), around(rng, 90, 3, 1),
        lambda v, n: (f"20={v:.1f} 60={v + 2:.1f} 85={v + 5:.1f}\r\n".encode(), v),
    )  # fmt: skip


def small_letters_in_the_check(rng: Random) -> Style:
    def line(value: float, n: int) -> bytes:
        body = f"force {value:+08.2f} kgf".encode()
        return body + b"#" + hex_xor(body).lower() + b"\n"

    return _force("kgf", rng, 2, line)


def state_then_padded(rng: Random) -> Style:
    return Style(
        "mass", "g", True, ("stream", "poll"), around(rng, 100, 2, 2),
        lambda v, n: (f"{'SD'[n % 6 == 0]}{v:10.2f} g\r\n".encode(), v),
    )  # fmt: skip


def live_and_hold(rng: Random) -> Style:
    return _force(
        "lbf", rng, 1, lambda v, n: f"{'HOLD' if n % 30 > 24 else 'LIVE'} {v:+06.1f} lbf\r".encode()
    )


def two_sensors_in_turn(rng: Random) -> Style:
    return Style(
        "temperature", "degC", True, ("stream", "poll"), around(rng, 22, 0.4, 1),
        lambda v, n: (f"T{1 + n % 2} {v:.1f} C\r\n".encode(), v),
    )  # fmt: skip


def number_behind(rng: Random) -> Style:
    return _force("N", rng, 2, lambda v, n: f"{v:+07.2f} N #{n % 10000:04d}\r\n".encode())


def tab_at_the_end(rng: Random) -> Style:
    return _force("ozf", rng, 1, lambda v, n: f"{v:.1f}\tozf\t\n".encode())


def blank_lines_between(rng: Random) -> Style:
    return _force("N", rng, 2, lambda v, n: f"{v:+07.2f} N\n\n".encode())


def whole_millinewtons(rng: Random) -> Style:
    return _force("mN", rng, 0, lambda v, n: f"{v:+06.0f} mN\r\n".encode())


def keys_and_values(rng: Random) -> Style:
    return _force("kgf", rng, 3, lambda v, n: f"F:{v:.3f};U:kgf;B:OK\r\n".encode())


def stroke_and_total(rng: Random) -> Style:
    """The stroke of this run, then the total of the machine's life; the first is meant."""
    return Style(
        "count", "1", False, ("on event",), counting(rng, 0, 0.0),
        lambda v, n: (f"RUN {int(v):05d} LIFE {int(v) + 52000:07d}\r\n".encode(), v),
    )  # fmt: skip


UNTUNED: dict[str, Callable[[Random], Style]] = {
    maker.__name__.replace("_", " "): maker
    for maker in (
        piped, three_angles_a_line, small_letters_in_the_check, state_then_padded, live_and_hold,
        two_sensors_in_turn, number_behind, tab_at_the_end, blank_lines_between, whole_millinewtons,
        keys_and_values, stroke_and_total,
    )
}  # fmt: skip
