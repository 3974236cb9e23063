"""The table of faults: what goes wrong, what a person is told and how soon, what is kept, how it goes on.

The tests in `test_table.py` do each fault to simulated gauges on pseudo-terminals and hold it against the
row; the table in the README is made from the same rows:

    python -m tests.faults.table              prints it
    python -m tests.faults.table --write      puts it into README.md
"""

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.faults.fault_bench import ASKED, BUS, EVENT, FAMILIES, FORCE, MODBUS, POLLED, SCPI, STREAM

README = Path(__file__).parents[2] / "README.md"
BEGIN, END = "<!-- faults -->", "<!-- /faults -->"

NAMES = {
    STREAM: "streaming lines",
    POLLED: "polled lines",
    EVENT: "lines on event",
    SCPI: "SCPI",
    MODBUS: "Modbus",
    BUS: "Modbus bus of two",
}
NOT_UNDERSTOOD = "bytes arrive but no line is understood: wrong speed, parity or description?"
NO_REPLY = "no reply to 3 requests; trying to get it back"


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of some families' gauges, and after how many seconds of the bench's clock.

    `measured_s` is the slowest of them in five runs on a busy machine with two cores; the tests hold each run
    against `limit_s`.
    """

    words: str
    families: tuple[str, ...]
    limit_s: float
    measured_s: float


@dataclass(frozen=True, slots=True)
class Row:
    """One fault. `begin` and `end` are what a simulated gauge is told to do, where that is all it takes."""

    fault: str
    told: tuple[Told, ...]
    recorded: str
    recovery: str
    begin: str = ""
    end: str = ""
    begin_of: Mapping[str, str] | None = None
    """Other commands for some families."""

    @property
    def families(self) -> tuple[str, ...]:
        return tuple(family for told in self.told for family in told.families)

    def command(self, family: str) -> str:
        return (self.begin_of or {}).get(family, self.begin)


@dataclass(frozen=True, slots=True)
class Quiet:
    """A fault that needs nobody: the tests hold that nothing is lost and nothing wrong is taken for good."""

    fault: str
    what: str
    recorded: str


ROWS = {
    "busy": Row(
        "Another program holds the port",
        (Told("is in use by another program; waiting for it", FAMILIES, 1.0, 0.57),),
        "`! lost` with the reason",
        "opens within 5 s of the other program's end",
    ),
    "unplugged": Row(
        "Cable out in mid-message",
        (Told("unplugged; trying to get it back", FAMILIES, 1.0, 0.12),),
        "the half message, `! lost unplugged`",
        "by itself; the half message is never decoded, a pull under way is refused as interrupted",
        begin="unplug mid s=1",
    ),
    "moved": Row(
        "Plugged in again under another name",
        (Told("back on ", FAMILIES, 6.0, 2.79),),
        "`! open` with the new name",
        "found by its USB serial number (`serial:usb=...`)",
    ),
    "silent": Row(
        "Frozen, or switched off for a while",
        (
            Told("silent for 1 s; trying to get it back", (STREAM,), 2.5, 1.04),
            Told(NO_REPLY, ASKED, 4.0, 2.31),
        ),
        "`! lost` with the reason, an `! open` for each attempt",
        "by itself with the first byte; an SCPI gauge is asked again who it is",
        begin="fault silence s=5",
    ),
    "speed": Row(
        "Wrong speed",
        (
            Told(NOT_UNDERSTOOD, (STREAM, EVENT), 4.0, 2.11),
            Told(NO_REPLY, ASKED, 4.0, 2.15),
        ),
        "every byte as it came; damaged lines are counted",
        "once the speed is right; `panelwright identify PORT` finds it",
        begin="fault speed",
        end="fault none",
    ),
    "parity": Row(
        "Wrong parity",
        (Told(NOT_UNDERSTOOD, FAMILIES, 6.0, 3.01),),
        "every byte as it came; damaged lines are counted",
        "once the parity is right",
        begin="fault parity bits=7",
        begin_of={MODBUS: "fault parity bits=8", BUS: "fault parity bits=8"},
        end="fault none",
    ),
    "echo": Row(
        "Our requests come back (echo)",
        (Told("sends our own requests back (echo)", ASKED, 3.0, 0.32),),
        "the echo too; each is one damaged frame",
        "once the echo is off; Modbus values stay good meanwhile",
        begin="fault echo",
        end="fault none",
    ),
    "swapped": Row(
        "Two gauges without identity swapped",
        (
            Told("reads like gauge 'on-event': are two gauges swapped", (STREAM,), 6.0, 1.54),
            Told("reads like gauge 'stream': are two gauges swapped", (EVENT,), 3.0, 1.04),
        ),
        "every byte; nothing is decoded",
        "once they are swapped back",
    ),
    "stranger": Row(
        "Another gauge of the same kind",
        (Told("it says it is number EX0099, not EX0042: another gauge is plugged in", (SCPI,), 3.0, 0.15),),
        "every byte; its values are marked and never used",
        "once the right one is plugged in",
    ),
    "stuck": Row(
        "A stuck force",
        (Told("while it changed before: is it stuck?", FORCE, 36.0, 30.44),),
        "every sample; none is dropped",
        "with the next change; a coarse gauge is given ten times its longest rest first",
        begin="freeze on",
        end="freeze off",
    ),
    "noise": Row(
        "Binary noise for a minute",
        (Told(NOT_UNDERSTOOD, FAMILIES, 8.0, 3.01),),
        "all of it; once it was told, no value came out of it",
        "with the first whole line",
        begin="fault noise s=60",
    ),
}

QUIET = {
    "restart": Quiet(
        "Counter switched off and on: banner, count from 0",
        "nothing to see to: strokes go on being added up",
        "the banner; the reset stands beside the next stroke",
    ),
    "burst": Quiet(
        "A burst after a stall shorter than the silence limit",
        "nothing is lost of a gauge that speaks by itself; one that is asked goes on by itself",
        "one large chunk",
    ),
    "flow": Quiet(
        "XON and XOFF bytes inside data",
        "they arrive like any byte; the lines they fell into are damaged and counted",
        "every byte",
    ),
    "slow": Quiet("A line at 1200 baud", "nothing is lost: lines arrive in pieces", "every piece"),
    "fast": Quiet("10,000 lines a second at 921600 baud", "nothing is lost (15,000 lines)", "every byte"),
}


def markdown() -> str:
    """The table as it stands in the README."""
    lines = [
        "| what goes wrong | what you are told | at most (measured) | what is recorded | how it goes on |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row in ROWS.values():
        words, times = [], []
        for told in row.told:
            whom = "" if len(row.told) == 1 else f" ({', '.join(NAMES[family] for family in told.families)})"
            words.append(f"“{told.words.strip()}”{whom}")
            times.append(f"{told.limit_s:g} s ({told.measured_s:.2f} s)")
        lines.append(
            f"| {row.fault} | {'; '.join(words)} | {'; '.join(times)} | {row.recorded} | {row.recovery} |"
        )
    lines += [f"| {one.fault} | {one.what} | – | {one.recorded} | – |" for one in QUIET.values()]
    return "\n".join(lines) + "\n"


def in_readme() -> str:
    """What stands between the marks in the README."""
    text = README.read_text(encoding="utf-8")
    return text[text.index(BEGIN) + len(BEGIN) : text.index(END)].strip() + "\n"


def _write() -> None:
    text = README.read_text(encoding="utf-8")
    before, after = text[: text.index(BEGIN) + len(BEGIN)], text[text.index(END) :]
    README.write_text(f"{before}\n{markdown()}{after}", encoding="utf-8")


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        _write()
    else:
        sys.stdout.write(markdown())
