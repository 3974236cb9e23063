"""`panelwright watch`: bytes, values and faults of one port, live."""

import queue
import re
from collections import deque
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import home_option

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from acquire.address import Address
    from acquire.ports import PortEvent
    from acquire.ports.owner import PortOwner
    from acquire.recordings import Recorder
    from acquire.watching import Calm, Row, Watched
    from drivers.description import GaugeDescription, SerialSettings

REFRESH_S = 0.25
TRACE_ROWS = 3
FAULT_ROWS = 3
RAW_WIDTH = 24
STYLES = {"fault": "bold", "mark": "italic", "other": "dim", "value": "", "sent": "dim"}


@click.command(epilog="Example:  panelwright watch force --home my-bench")
@click.argument("gauge", metavar="GAUGE|PORT")
@click.option(
    "--gauge",
    "file",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Description of the gauge at a PORT.",
)
@click.option("--serial", "setting", help="Serial setting of a PORT without description, such as 9600-8N1.")
@click.option(
    "--record", type=click.Path(path_type=Path, dir_okay=False), help="Record to this new file (.rec)."
)
@home_option
def watch(gauge: str, file: Path | None, setting: str | None, record: Path | None, home: Path) -> None:
    """Show what a gauge sends, what is read from it, and what is wrong with it, until Ctrl-C.

    GAUGE is one of bench.toml; a PORT such as serial:/dev/ttyUSB0 can be watched before there is a bench. It
    cannot be watched while another program has the port. Nothing is kept, unless you ask for a recording.
    """
    from acquire.clock import SystemClock
    from acquire.ports.owner import PortOwner, connect_to
    from acquire.ports.watch import Poll
    from acquire.recordings import Header, Recorder
    from acquire.watching import Unrecorded, Watched
    from drivers.contact import ContactSettings
    from drivers.description import Timing
    from drivers.registry import make_driver

    address, description, serial = _what(gauge, file, setting, home)
    clock = SystemClock()
    events: queue.Queue[PortEvent] = queue.Queue(10_000)
    failures: list[Exception] = []
    settings = None if description is None else description.settings
    contact = (settings, clock) if isinstance(settings, ContactSettings) else None
    connect = connect_to(address, serial, contact=contact)
    if description is None:
        poll = Poll(gauge, Timing(mode="on event"))
    else:
        poll = Poll(gauge, description.timing, make_driver(description).plan())
    recorder: Recorder = Unrecorded(clock)
    if record is not None:
        sha256 = None if description is None else description.sha256
        name = "none" if description is None else description.name
        recorder = Recorder(record, Header(driver=name, description_sha256=sha256, port=str(address)), clock)
    with recorder:
        owner = PortOwner(
            gauge,
            connect,
            [poll],
            recorder=recorder,
            clock=clock,
            deliver=partial(events.put, timeout=0.1),
            on_failure=failures.append,
        )
        watched = Watched(description)
        title = f"{gauge}  {serial.baudrate} {serial.bytesize}{serial.parity[0].upper()}{serial.stopbits}"
        title += "  bytes only" if description is None else f"  {description.name}"
        _run(owner, events, watched, recorder, title, failures)
    click.echo(f"{watched.bytes_n} bytes, {watched.values_n} values, {watched.damaged_n} damaged.")
    click.echo("Nothing was recorded." if record is None else f"Recorded in {record}.")
    if failures:
        raise failures[0]


def _what(
    gauge: str, file: Path | None, setting: str | None, home: Path
) -> "tuple[Address, GaugeDescription | None, SerialSettings]":
    from acquire.address import parse_address
    from acquire.home import Home
    from acquire.identify.session import parse_setting
    from acquire.sources import description_named

    description = None if file is None else description_named(file.stem, file.parent)
    if ":" in gauge or gauge.startswith(("/", ".")) or re.fullmatch(r"COM\d+", gauge, re.IGNORECASE):
        address = parse_address(gauge)
    else:
        place = Home(home)
        on_bench = place.bench().gauge(gauge)
        address = parse_address(on_bench.port)
        description = description or place.description(on_bench.description)
    if description is not None and setting is None:
        return address, description, description.serial
    try:
        return address, description, parse_setting(setting or "9600-8N1")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--serial") from error


def _run(
    owner: "PortOwner",
    events: "queue.Queue[PortEvent]",
    watched: "Watched",
    recorder: "Recorder",
    title: str,
    failures: list[Exception],
) -> None:
    from rich.console import Console

    console = Console(highlight=False)
    owner.start()
    try:
        if console.is_terminal:
            _on_screen(console, events, watched, recorder, title, failures)
        else:
            _as_lines(events, watched, failures)
    except KeyboardInterrupt:
        # How a person ends it.
        owner.request_stop()
    finally:
        owner.stop()


def _as_lines(events: "queue.Queue[PortEvent]", watched: "Watched", failures: list[Exception]) -> None:
    while not failures:
        try:
            event = events.get(timeout=REFRESH_S)
        except queue.Empty:
            continue
        for row in watched.take(event):
            click.echo(line_of(row, RAW_WIDTH))


def line_of(row: "Row", raw_width: int) -> str:
    """A row as plain text: seconds, bytes, what was read."""
    mark = "!! " if row.kind == "fault" else ""
    return f"{row.t_us / 1e6:9.3f}  {row.raw:{raw_width}}  {mark}{row.says}".rstrip()


def _clipped(row: "Row") -> str:
    raw = row.raw if len(row.raw) <= RAW_WIDTH else row.raw[: RAW_WIDTH - 1] + "…"
    return line_of(replace(row, raw=raw), RAW_WIDTH)


def _on_screen(
    console: "Console",
    events: "queue.Queue[PortEvent]",
    watched: "Watched",
    recorder: "Recorder",
    title: str,
    failures: list[Exception],
) -> None:
    from rich.live import Live

    from acquire.watching import KEPT_ROWS, Calm

    calm, shown = Calm(), deque["Row"](maxlen=KEPT_ROWS)
    with Live(console=console, screen=True, auto_refresh=False) as live:
        while not failures:
            due_us = recorder.now_us() + int(REFRESH_S * 1e6)
            while (left_us := due_us - recorder.now_us()) > 0:
                try:
                    rows = watched.take(events.get(timeout=left_us / 1e6))
                except queue.Empty:
                    break
                shown += [row for row in rows if calm.shows(row)]
            live.update(screen(watched, shown, calm, title, recorder.now_us(), console.size), refresh=True)


def screen(
    watched: "Watched", shown: "deque[Row]", calm: "Calm", title: str, now_us: int, size: tuple[int, int]
) -> "Text":
    """The whole picture, as wide and high as the terminal."""
    from rich.text import Text

    width, height = size
    lines: list[tuple[str, str]] = [(title, "bold"), (_numbers(watched, now_us), "")]
    lines += [(line, "") for line in _trace_lines(watched, now_us, width)]
    lines += [("", ""), (f"{'seconds':>9}  {'bytes':{RAW_WIDTH}}  read as", "dim")]
    faults = list(watched.faults)[-FAULT_ROWS:]
    below = [("", ""), (f"latest faults, of {len(watched.faults)}", "dim")] if faults else []
    below += [(_clipped(row), "bold") for row in faults]
    skipped = f" {calm.skipped_n} alike not shown." if calm.skipped_n else ""
    foot = [("", ""), (f"Ctrl-C ends.{skipped}", "dim")]
    room = max(1, height - len(lines) - len(below) - len(foot))
    rows = [(_clipped(row), STYLES[row.kind]) for row in list(shown)[-room:]]
    rows += [("", "")] * (room - len(rows))
    text = Text(no_wrap=True, overflow="ellipsis")
    picture = [*lines, *rows, *below, *foot][:height]
    for index, (line, style) in enumerate(picture):
        cut = line if len(line) <= width else line[: width - 1] + "…"
        text.append(cut + ("\n" if index + 1 < len(picture) else ""), style=style)
    return text


def _numbers(watched: "Watched", now_us: int) -> str:
    from acquire.watching import in_words

    value = "no value yet" if watched.latest is None else in_words(watched.latest)
    silent_s = watched.silent_s(now_us)
    silence = "nothing heard yet" if silent_s is None else f"silent {silent_s:.1f} s"
    state = silence if watched.open else f"NOT OPEN, {silence}"
    rate = f"{watched.rate_hz(now_us):.1f} values/s"
    return f"{value:<26} {rate:>14}   damaged {watched.damaged_n}   {state}"


def _trace_lines(watched: "Watched", now_us: int, width: int) -> list[str]:
    from acquire.watching import TRACE_S

    blocks_n = max(10, width - 14)
    found = watched.trace(now_us, blocks_n, TRACE_ROWS)
    if found is None:
        return [""] * TRACE_ROWS
    rows, high, low = found
    ends = [f"{high:>12.6g}", f"last {TRACE_S:g} s".rjust(12), f"{low:>12.6g}"]
    return [f"{end}  {row}" for end, row in zip(ends, rows, strict=True)]
