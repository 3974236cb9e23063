"""Told scenes of the shipped gauges (simulated, invented): a value that changes, and everything mixed.

"mixed" holds what a gauge can do besides measuring: its unit is changed in mid-stream, the battery runs low,
it is overloaded, it is switched off within a line and comes back with whatever it says at power-up.
"""

from collections.abc import Callable
from math import sin

from drivers.talks import Sent, Talk
from tests.contract.families import (
    CLIMATE_ASK,
    ERRORS,
    FORCE_ASK,
    IDENTIFY,
    MEASURE,
    PANEL_ASKS,
    frame,
    high_word_first,
    low_word_first,
    refusal,
)
from tests.contract.gauges import with_check

IDENTITY = b"Invented works,Bench force 250,EX0042,1.0\n"


def pull_n() -> list[float]:
    """A pull as a gauge with few lines a second shows it: rest, rise, breakaway, sliding, release; in N."""
    rise = [0.71 * step for step in range(1, 21)]
    sliding = [11.0 + 0.3 * sin(step) for step in range(15)]
    return [*[0.0, 0.01] * 4, *rise, *sliding, 6.2, 1.4, 0.0, 0.0]


def stream_n(value: float) -> bytes:
    return f"{value:+07.2f}\r\n".encode()


def poll_gf(value: float, state: str = "S", unit: str = "gf") -> Talk:
    return [Sent(b"D\r"), f"{-10 * round(value / 10):+06d} {unit} {state}\r\n".encode()]


def unit_mode(value: float, unit: str = "N", flags: str = "-", mode: str = "LIV") -> bytes:
    return with_check(f"{mode};{f'{value:+09.3f}'.replace('.', ',')};{unit};{flags}".encode())


def gloss_key(value: float, angle: int = 60, unit: str = "GU") -> bytes:
    return f"{angle} {value:05.1f} {unit}\r\n".encode()


def asked_gloss(reply: bytes) -> Talk:
    return [Sent(b"READ?\n"), reply]


def numbered(value: float, number: int, angle: int = 60) -> Talk:
    return asked_gloss(f"{angle};{f'{value:05.1f}'.replace('.', ',')};{number:04d}\n".encode())


def stroke(number: int) -> bytes:
    return f"S {number:06d}\r\n".encode()


def counted(number: int) -> Talk:
    return [Sent(b"N?\r\n"), f"N={number:06d}\r\n".encode()]


def mass(value: float, state: str = "S", unit: str = "g") -> bytes:
    return f"{state} {value:+09.3f} {unit}\r\n".encode()


def irradiance(value: float) -> Talk:
    return [Sent(b"E?\r"), f"E {value:06.2f}\r".encode()]


def register_force(value: float) -> Talk:
    return [FORCE_ASK, frame(1, 4, low_word_first(value))]


def climate(degrees: float, humid: float) -> Talk:
    return [CLIMATE_ASK, frame(2, 3, [round(10 * degrees) & 0xFFFF, round(10 * humid)])]


def panel(which: int, degrees: float) -> Talk:
    return [PANEL_ASKS[which], frame(3, 4, high_word_first(round(100 * degrees)))]


def scpi(value: float, unit: str = "N") -> Talk:
    return [MEASURE, f"{value:+.5E},{unit}\n".encode()]


def errors(reply: str) -> Talk:
    return [ERRORS, reply.encode() + b"\n"]


def closings(at_ms: list[int], *, open_ms: int = 120) -> Talk:
    """Clean closings of a contact."""
    return [f"{sign}{at + late:010d}\n".encode() for at in at_ms for sign, late in (("+", 0), ("-", open_ms))]


def typed(first: str, second: str | None = None) -> Talk:
    return [f"{entry}\n".encode() for entry in (first, second or first)]


def _all(parts: list[Talk]) -> Talk:
    return [item for part in parts for item in part]


CHANGING: dict[str, Callable[[], Talk]] = {
    "force-stream-n": lambda: [b"00.00\r\n", *(stream_n(value) for value in pull_n())],
    "force-poll-gf": lambda: _all([poll_gf(value / 0.00980665) for value in pull_n()]),
    "force-unit-mode": lambda: [b"-*34\r\n", *(unit_mode(value) for value in pull_n())],
    "gloss-key": lambda: [gloss_key(94.0 - 0.9 * step, (20, 60, 85)[step % 3]) for step in range(24)],
    "gloss-poll": lambda: _all([numbered(94.0 - 0.9 * step, 17 + step) for step in range(24)]),
    "wash-stroke": lambda: [stroke(number) for number in range(985, 1015)],
    "wash-poll": lambda: _all([counted(number // 3) for number in range(2985, 3015)]),
    "balance-line": lambda: [
        b"0.000 g\r\n",
        *(mass(0.412 * step, "D") for step in range(20)),
        *[mass(7.83)] * 5,
        *(mass(7.83 - 0.001 * step) for step in range(10)),
    ],
    "irradiance-line": lambda: _all([irradiance(6.5 * sin(step / 12)) for step in range(1, 36)]),
    "modbus-force": lambda: _all([register_force(round(value, 2)) for value in pull_n()]),
    "modbus-climate": lambda: _all([climate(-1.5 + 0.5 * step, 62.0 - 0.8 * step) for step in range(40)]),
    "modbus-panel": lambda: _all([panel(step % 2, 23.0 + 0.6 * step) for step in range(40)]),
    "scpi-force": lambda: _all([[IDENTIFY, IDENTITY], *(scpi(value) for value in pull_n())]),
    "contact-wash": lambda: [
        b"-0000000000\n",
        *closings([1000 + 1600 * step for step in range(10)]),
        *closings([30_000 + 800 * step for step in range(10)]),
    ],
    "keyed-gloss": lambda: _all([typed(f"{94.0 - 0.9 * step:.1f}") for step in range(20)]),
}


def _mixed_unit_mode() -> Talk:
    return [
        *[unit_mode(12.345)] * 3,
        unit_mode(1.259, "kgf"),
        unit_mode(2.775, "lbf"),
        unit_mode(44.406, "ozf"),  # the description does not expect it
        unit_mode(12.345, flags="L"),
        unit_mode(1.259, "kgf", "L"),
        unit_mode(250.001),
        unit_mode(262.5, flags="O"),
        unit_mode(262.5, flags="OL"),
        unit_mode(14.2, mode="PEA"),
        unit_mode(14.2, "kgf", "O", "PEA"),
        unit_mode(12.345)[:7],
        b"\x00UNIT MODE GAUGE 1.0\r\n",
        *[unit_mode(0.0)] * 3,
    ]


MIXED: dict[str, Callable[[], Talk]] = {
    "force-stream-n": lambda: [
        b"2.00\r\n",
        *[stream_n(12.0)] * 3,
        b"+OVER\r\n",
        stream_n(500.0),
        stream_n(500.01),
        b"-OVER\r\n",
        stream_n(-499.99),
        stream_n(12.0)[:4],
        b"\x00STREAM GAUGE 1.0\r\n",
        *[stream_n(0.0)] * 3,
    ],
    "force-poll-gf": lambda: _all(
        [
            *[poll_gf(1230)] * 3,
            poll_gf(1230, "U"),
            poll_gf(12, unit="N"),
            poll_gf(40, unit="ozf"),
            poll_gf(1230, "B"),
            poll_gf(10_010),
            poll_gf(10_500, "O"),
            poll_gf(-10_500, "O"),
            poll_gf(1230, "X"),  # a state nobody told us of
            [Sent(b"D\r"), b"-012", Sent(b"D\r"), b"\x00HELLO 1.0\r\n"],
            *[poll_gf(0)] * 3,
        ]
    ),
    "force-unit-mode": _mixed_unit_mode,
    "gloss-key": lambda: [
        gloss_key(91.4, 20),
        gloss_key(88.0),
        gloss_key(94.5, 85),
        gloss_key(91.4, 45),  # an angle it does not have
        gloss_key(91.4, unit="PC"),
        gloss_key(200.0),
        gloss_key(200.1),
        b"LOW BAT\r\n",
        gloss_key(91.4)[:5],
        b"\x00GLOSS 1.0\r\n",
        gloss_key(91.4),
    ],
    "gloss-poll": lambda: _all(
        [
            asked_gloss(b"NONE\n"),
            numbered(91.4, 17),
            numbered(91.4, 17),  # told again
            numbered(91.5, 17),  # the same number with another value
            numbered(88.8, 18, 20),
            numbered(88.8, 19, 45),
            numbered(200.1, 20),
            [Sent(b"READ?\n"), b"60;09", Sent(b"READ?\n"), b"\x00GLOSS 2.0\n"],
            asked_gloss(b"NONE\n"),
            numbered(91.4, 1),
            numbered(90.2, 2),
        ]
    ),
    "wash-stroke": lambda: [
        b"READY\r\n",
        *(stroke(number) for number in (1, 2, 3)),
        stroke(4)[:6],
        b"READY\r\n",
        b"READY\r\n",
        *(stroke(number) for number in (1, 2)),
        stroke(999_999),
        stroke(0),
    ],
    "wash-poll": lambda: _all(
        [
            *[counted(number) for number in (122, 123, 123, 124)],
            [Sent(b"N?\r\n"), b"N=0001", Sent(b"N?\r\n"), b"READY\r\n"],
            *[counted(number) for number in (0, 0, 1, 999_999, 0)],
        ]
    ),
    "balance-line": lambda: [
        b"0.000 g\r\n",
        mass(12.345, "D"),
        *[mass(12.345)] * 3,
        mass(0.012, unit="kg"),
        mass(0.435, unit="oz"),
        mass(320.001),
        b"O\r\n",
        mass(12.345, "B"),
        b"S +00\x00BALANCE 1.0\r\n",
        *[mass(0.0)] * 3,
    ],
    "irradiance-line": lambda: _all(
        [
            *[irradiance(4.37)] * 3,
            irradiance(200.01),
            [Sent(b"E?\r"), b"E SAT\r"],
            [Sent(b"E?\r"), b"E 4.37\r"],
            [Sent(b"E?\r"), b"E 00", Sent(b"E?\r"), b"\x00UV 1.0\r"],
            *[irradiance(0.0)] * 2,
        ]
    ),
    "modbus-force": lambda: _all(
        [
            *[register_force(12.5)] * 2,
            register_force(200.5),
            [FORCE_ASK, frame(1, 4, (0, 0x7F80))],
            [FORCE_ASK, refusal(1, 4, 6)],
            [CLIMATE_ASK, frame(2, 3, [235, 500])],
            [FORCE_ASK, frame(1, 4, low_word_first(12.5))[:4]],
            [FORCE_ASK, FORCE_ASK, b"\x00\xff"],
            [FORCE_ASK, frame(1, 4, (0, 0x7FC0))],
            *[register_force(0.0)] * 3,
        ]
    ),
    "modbus-climate": lambda: _all(
        [
            climate(23.1, 50.0),
            climate(23.1, 100.1),
            climate(85.1, 20.0),
            [CLIMATE_ASK, frame(2, 3, [0x8000, 500])],
            [CLIMATE_ASK, refusal(2, 3, 4)],
            register_force(3.0),
            [CLIMATE_ASK, frame(2, 3, [231, 500])[:5], CLIMATE_ASK, CLIMATE_ASK],
            *[climate(22.9, 50.2)] * 3,
        ]
    ),
    "modbus-panel": lambda: _all(
        [
            panel(0, 23.0),
            panel(1, 23.5),
            [PANEL_ASKS[0], frame(3, 4, (0x8000, 0))],
            panel(1, 120.01),
            [PANEL_ASKS[0], refusal(3, 4, 5)],
            [PANEL_ASKS[1], PANEL_ASKS[0], PANEL_ASKS[1]],
            *[panel(which, 22.0) for which in (0, 1, 0, 1)],
        ]
    ),
    "scpi-force": lambda: _all(
        [
            [IDENTIFY, IDENTITY],
            *[scpi(12.5)] * 2,
            scpi(1.27466, "KGF"),
            scpi(44.9617, "OZF"),
            scpi(250.001),
            [MEASURE, b"9.9E37,N\n"],
            errors('-222,"Data out of range"'),
            errors('0,"No error"'),
            scpi(12.5),  # behind an error it is not good
            scpi(12.5),
            [MEASURE, b"9.91E+37,N\n"],
            [MEASURE, b"+1.25", MEASURE, b"\x00READY\n"],
            [IDENTIFY, IDENTITY],
            *[scpi(0.0)] * 3,
        ]
    ),
    "contact-wash": lambda: [
        b"+0000000000\n",
        b"-0000000400\n",
        *closings([2000, 3600]),
        b"+0000005200\n-0000005203\n+0000005206\n-0000005330\n",  # bounce
        *closings([6800, 6960], open_ms=60),  # too soon after the one before
        *closings([9000, 60_000]),
    ],
    "keyed-gloss": lambda: _all(
        [
            typed("91.4"),
            typed("91.4", "94.1"),
            typed("160.0"),
            typed("160.1"),
            [b"91,4\n"],
            [b"+90.0\n", b"90.0\n"],
            [b"\n"],
            typed("0.0"),
        ]
    ),
}
