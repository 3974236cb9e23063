"""Writes the recordings of the template: a simulated, invented gauge that sends packets, coded independently.

Run as `python -m tests.thirdparty.invent`; the same recordings come out every time.
"""

from pathlib import Path
from random import Random

from drivers.talks import Talk
from tests.contract.gauges import Gauge, Said
from tests.recordings import invent
from tests.recordings.scenes import pull_n

TEMPLATE = Path(__file__).parent / "panelwright_template"
NAME = "force-packet"


def crc(body: bytes) -> bytes:
    """Bit by bit: polynomial 1021 hex, high bit first, from 0."""
    register = 0
    for byte in body:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    return bytes([register >> 8, register & 0xFF])


def packet(value_n: float, flags: int = 0) -> bytes:
    body = bytes([flags]) + (round(100 * value_n) & 0xFFFFFFFF).to_bytes(4, "big")
    return b"\xa5\x5a" + body + crc(body)


def _say(chance: Random, index: int) -> Said:
    hundredths = chance.randint(-10_000, 10_000)
    return Said(packet(hundredths / 100), hundredths / 100, "N")


GAUGE = Gauge(NAME, _say, checked=True, awkward=(packet(12.0, 1), packet(100.01), packet(1.0, 4)))


def idle() -> Talk:
    return [packet(0.0), packet(-0.01)] * 5


def changing() -> Talk:
    return [packet(value) for value in pull_n()]


def mixed() -> Talk:
    return [
        *[packet(12.0)] * 3,
        packet(12.0, 2),
        packet(100.01),
        packet(104.0, 1),
        packet(104.0, 3),
        packet(12.0, 8),
        b"\xa5\x5a\x00\x00\x00\xa5\x5a\x00",  # cut, with what looks like a beginning in it
        b"\x00PACKET GAUGE 1.0\r\n",
        *[packet(0.0)] * 3,
    ]


TOLD = {"idle": idle, "changing": changing, "mixed": mixed}


def made(scenario: str) -> bytes:
    """The recording of one scenario."""
    if scenario in TOLD:
        return invent.scene(NAME, scenario, TOLD[scenario]())
    return invent.made(GAUGE, scenario)


def main() -> None:
    folder = TEMPLATE / "recordings" / NAME
    folder.mkdir(parents=True, exist_ok=True)
    for scenario in invent.SCENARIOS:
        (folder / f"{scenario}.rec").write_bytes(made(scenario))


if __name__ == "__main__":
    main()
