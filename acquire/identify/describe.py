"""Writes what was understood as the text of a gauge description."""

import json

from acquire.identify.infer import Understood
from acquire.identify.texts import escaped
from drivers.description import SerialSettings

SILENT_LINES_N = 20
LEAST_SILENCE_S = 1.0


def describe(understood: Understood, title: str) -> str:
    """The description, as TOML. It says that it was found by listening, and what was assumed."""
    found = understood.measured
    comments = [
        "Found by listening to the gauge; nobody has vouched for it yet. Hold it against the gauge's manual.",
        *(f"To be confirmed: {one}." for one in understood.asks),
        *(f"Note: {one}." for one in understood.notes),
    ]
    rows = [f"# {plain(comment)}" for comment in comments]
    rows += [
        f"title = {quoted(title)}",
        'driver = "line"',
        f"quantity = {quoted(found.quantity)}",
        f"unit = {quoted(found.unit)}",
        f"resolution = {found.resolution!r}",
        f"range = [{found.low!r}, {found.high!r}]",
    ]
    if found.quantity == "force":
        rows.append(f"tension = {quoted(found.tension)}")
    return (
        "\n".join([*rows, *serial_rows(understood.heard.serial), *_timing(understood), *_line(understood)])
        + "\n"
    )


def quoted(text: str) -> str:
    """A TOML string; JSON's escapes are TOML's."""
    return json.dumps(text).replace("\x7f", "\\u007f")


def plain(text: str) -> str:
    """Text that cannot end the comment it stands in."""
    return "".join(one if one.isprintable() else repr(one)[1:-1] for one in text)


def serial_rows(serial: SerialSettings) -> list[str]:
    """The `[serial]` table."""
    rows = ["", "[serial]", f"baudrate = {serial.baudrate}"]
    if serial.bytesize != 8:
        rows.append(f"bytesize = {serial.bytesize}")
    if serial.parity != "none":
        rows.append(f"parity = {quoted(serial.parity)}")
    if serial.stopbits != 1:
        rows.append(f"stopbits = {serial.stopbits}")
    return rows


def _timing(understood: Understood) -> list[str]:
    heard, rhythm = understood.heard, understood.rhythm
    rows = ["", "[timing]", f"mode = {quoted(rhythm.mode)}"]
    if rhythm.mode == "poll":
        request = (heard.request or b"").decode("latin-1")
        timeout_s = max(0.3, round(5 * heard.reply_s, 1))
        rows += [
            f"request = {quoted(request)}",
            f"period_s = {heard.period_s!r}",
            f"reply_timeout_s = {timeout_s!r}",
            f"max_silence_s = {max(3.0, 5 * timeout_s)!r}",
        ]
    elif rhythm.rate_hz is not None:
        silence_s = max(LEAST_SILENCE_S, round(SILENT_LINES_N / rhythm.rate_hz, 1))
        rows += [f"rate_hz = {rhythm.rate_hz!r}", f"max_silence_s = {silence_s!r}"]
    return rows


def _line(understood: Understood) -> list[str]:
    frames, line = understood.frames, understood.line
    rows = ["", "[line]", f"terminator = {quoted(frames.terminator.decode('latin-1'))}"]
    if frames.start:
        rows.append(f"start = {quoted(frames.start.decode('latin-1'))}")
    streams = understood.rhythm.mode == "stream"
    rows.append(f"first_line = {quoted('may be cut' if streams else 'whole')}")
    if line.decimal == ",":
        rows.append('decimal = ","')
    rows.append(f"pattern = '{whole_pattern(understood)}'")
    if line.channels:
        rows.append(f"channels = {json.dumps(line.channels)}")
    if line.idle:
        rows.append("idle = [" + ", ".join(f"'{one}'" for one in line.idle) + "]")
    rows += _table("units", {word: quoted(unit) for word, unit in line.units.items()})
    rows += _table("flags", {word: json.dumps(list(flags)) for word, flags in line.flags.items()})
    rows += _table("modes", {word: quoted(why) for word, why in line.modes.items()})
    if understood.check is not None:
        rows += ["", "[line.checksum]", f'kind = "{understood.check.kind}"']
        rows.append(f"separator = {quoted(understood.check.separator.decode('latin-1'))}")
    return rows


def _table(name: str, entries: dict[str, str]) -> list[str]:
    if not entries:
        return []
    return ["", f"[line.{name}]", *(f"{quoted(word)} = {value}" for word, value in entries.items())]


def whole_pattern(understood: Understood) -> str:
    """The pattern with its checksum."""
    pattern, check = understood.line.pattern, understood.check
    if check is None:
        return pattern
    separator, tail = (escaped(part.decode("latin-1")) for part in (check.separator, check.tail))
    body = f"(?:{pattern})" if "|" in pattern else pattern
    return f"{body}{separator}(?P<check>[0-9A-Fa-f]{{2}}){tail}"
