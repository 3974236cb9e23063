"""Writes the recordings of this folder: simulated gauges on an invented bench, faults placed by hand.

Run as `python -m tests.recordings.invent` after a change here, then accept each expectation. The same
recordings come out every time.
"""

from datetime import UTC, datetime
from pathlib import Path
from random import Random

from acquire.recordings import Header
from acquire.recordings.format import format_bytes, format_mark
from drivers.talks import Sent, Talk, cuts
from tests.contract.families import ALL_FAMILIES, Family
from tests.contract.gauges import ALL, Gauge, description, with_check
from tests.recordings.scenes import CHANGING, MIXED

FOLDER = Path(__file__).parent
START_UTC = datetime(2031, 5, 4, 8, 0, tzinfo=UTC)
SCENARIOS = {
    "idle": "simulated, invented: nothing pulls, nobody presses a key, the machine stands",
    "steady": "simulated, invented: good lines, cut as an operating system cuts them",
    "fault": "simulated, invented: every kind of damage once, then the cable is pulled and put back",
    "changing": "simulated, invented: the value rises and falls as at work",
    "mixed": "simulated, invented: units, flags and modes change, then the gauge is switched off and on",
}
QUIET: dict[str, list[bytes]] = {
    "balance-line": [b"S +0000.000 g\r\n", b"S -0000.001 g\r\n"] * 4,
    "irradiance-line": [b"E 000.00\r"] * 5,
}
IDLE: dict[str, list[bytes]] = {
    **QUIET,
    "force-stream-n": [b"+000.00\r\n", b"-000.00\r\n", b"+000.01\r\n"] * 4,
    "force-poll-gf": [b"+00000 gf S\r\n", b"-00000 gf S\r\n"] * 4,
    "force-unit-mode": [with_check(b"LIV;+0000,000;N;-")] * 6,
    "gloss-poll": [b"NONE\n"] * 6,
    "wash-stroke": [b"READY\r\n"],
    "wash-poll": [b"N=000042\r\n"] * 5,
}


class _Tape:
    """A recording in the making: its text, and the time so far."""

    def __init__(self, name: str, scenario: str, *, expect_readings: bool) -> None:
        self.chance = Random(f"{name}/{scenario}")
        self.t_us = 0
        header = Header(
            driver=name,
            device="invented",
            firmware="simulated",
            port="invented",
            start_utc=START_UTC,
            scenario=SCENARIOS[scenario],
            expect="readings" if expect_readings else "nothing",
        )
        self.text = header.to_text().encode()
        self.open()

    def wait(self, longest_us: int = 20_000) -> int:
        self.t_us += self.chance.randint(1000, longest_us)
        return self.t_us

    def open(self) -> None:
        self.text += format_mark(self.wait(), "open", "")

    def lose(self) -> None:
        self.text += format_mark(self.wait(), "lost", "the cable was pulled")

    def ask(self, request: bytes) -> None:
        self.text += format_bytes(self.wait(), ">", request)

    def hear(self, line: bytes) -> None:
        """One message in one to three reads."""
        for piece in cuts(line, self.chance, longest=2 * len(line)):
            self.text += format_bytes(self.wait(), "<", piece)

    def say(self, talk: Talk) -> None:
        for item in talk:
            if isinstance(item, Sent):
                self.ask(item.data)
            else:
                self.hear(item)


def damaged(line: bytes, chance: Random) -> list[bytes]:
    """The line with a byte lost, repeated, foreign; broken off, run together, after noise, sent twice."""
    place = chance.randrange(1, max(2, len(line) - 3))
    return [
        line[:place] + line[place + 1 :],
        line[: place + 1] + line[place:],
        line[:place] + b"\xfe" + line[place + 1 :],
        line[:place] + line,
        line.rstrip(b"\r\n") + line,
        b"\x00\xff" * 100 + line,
        line,
    ]


def tape(gauge: Gauge, scenario: str) -> bytes:
    made = _Tape(gauge.name, scenario, expect_readings=scenario != "idle" or gauge.name in IDLE_GIVES)

    def hear(line: bytes) -> None:
        """A gauge that is asked is asked first."""
        if gauge.asks:
            made.ask(gauge.asks)
        made.hear(line)

    if scenario == "idle":
        lines = IDLE.get(gauge.name, [])
    else:
        lines = [gauge.say(made.chance, index).line for index in range(1, 41 if scenario == "steady" else 13)]
    for index, line in enumerate(lines):
        hear(line)
        if scenario == "fault":
            faults = [*damaged(line, made.chance), *gauge.awkward]
            for fault in faults[index :: len(lines)]:
                hear(fault)
    if scenario == "fault":
        hear(lines[-1][:4])
        made.lose()
        made.open()
        for index in range(13, 17):
            hear(gauge.say(made.chance, index).line)
    return made.text + format_mark(made.wait(), "closed", "")


IDLE_GIVES = {"force-stream-n", "force-poll-gf", "force-unit-mode", "wash-poll", *QUIET}


def talk(family: Family, scenario: str) -> bytes:
    """The recording of a gauge that is told by whole exchanges."""
    made = _Tape(family.name, scenario, expect_readings=scenario != "idle" or bool(family.idle))
    say = made.say
    if scenario == "idle":
        say(family.idle)
        return made.text + format_mark(made.wait(), "closed", "")
    say(family.opening)
    for index in range(1, 41 if scenario == "steady" else 13):
        said = family.say(made.chance, index).talk
        say(said)
        if scenario == "fault":
            reply = said[-1]
            assert isinstance(reply, bytes)
            faults = [[*said[:-1], one] for one in damaged(reply, made.chance) if one]
            for fault in [*faults, *family.awkward][index - 1 :: 12]:
                say(fault)
    if scenario == "fault":
        say([item[:4] if isinstance(item, bytes) else item for item in said[-2:]])
        made.lose()
        made.open()
        say(family.opening)
        for index in range(13, 17):
            say(family.say(made.chance, index).talk)
    return made.text + format_mark(made.wait(), "closed", "")


def scene(name: str, scenario: str, items: Talk) -> bytes:
    """The recording of a scene that is told in full."""
    made = _Tape(name, scenario, expect_readings=True)
    made.say(items)
    return made.text + format_mark(made.wait(), "closed", "")


def made(gauge: Gauge | Family, scenario: str) -> bytes:
    """The recording of one scenario of one gauge."""
    told = {"changing": CHANGING, "mixed": MIXED}.get(scenario)
    if told is not None:
        return scene(gauge.name, scenario, told[gauge.name]())
    return talk(gauge, scenario) if isinstance(gauge, Family) else tape(gauge, scenario)


def main() -> None:
    for gauge in (*ALL, *ALL_FAMILIES):
        folder = FOLDER / description(gauge.name).name
        folder.mkdir(exist_ok=True)
        for scenario in SCENARIOS:
            (folder / f"{scenario}.rec").write_bytes(made(gauge, scenario))


if __name__ == "__main__":
    main()
