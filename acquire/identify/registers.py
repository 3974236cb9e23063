"""A gauge that answers in SCPI or Modbus RTU: what it tells, and what a person must find in its manual."""

import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from acquire.clock import Clock
from acquire.errors import PortLost
from acquire.identify.ask import Answer, Scpi, exchange
from acquire.identify.describe import quoted, serial_rows
from acquire.identify.heard import CannotTell
from acquire.identify.listen import Open
from acquire.identify.words import UNIT_WORDS
from drivers.description import SerialSettings
from drivers.modbus import EXCEPTIONS, Expected, find_reply, read_request

REGISTERS_N = 16
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d*)?(?:[Ee][+-]?\d{1,3})?")


@dataclass(frozen=True, slots=True)
class OtherFamily:
    """What was found of a gauge that does not speak in lines; `text` is a description if that was enough."""

    family: str
    settings: SerialSettings
    lines: tuple[str, ...]
    text: str = ""


def look_closer(open_: Open, clock: Clock, answer: Answer, scpi: Scpi) -> OtherFamily:
    """Asks what else is harmless of a gauge that answered in SCPI or Modbus RTU.

    Raises:
        CannotTell: the port was lost meanwhile.
    """
    wire = open_(answer.settings)
    try:
        if answer.request.kind == "modbus":
            return _modbus(lambda request: exchange(wire, clock, request)[0], answer)
        replies = {query: exchange(wire, clock, query.encode() + b"\n")[0] for query in scpi.queries}
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    return _scpi(answer, replies)


def _modbus(ask: Callable[[bytes], bytes], answer: Answer) -> OtherFamily:
    unit, function = answer.request.send[0], answer.request.send[1]
    lines = [f"it answers as Modbus RTU unit {unit}, function {function:02d}"]
    words: dict[int, bytes] = {}
    refused: dict[str, list[str]] = {}
    for address in range(REGISTERS_N):
        request = read_request(unit, function, address, 1)
        reply = ask(request)
        found = find_reply(reply, 0, Expected.by(request))
        if found is None:
            continue
        frame = reply[slice(*found)]
        if frame[1] & 0x80:
            reason = EXCEPTIONS.get(frame[2], f"exception {frame[2]}")
            refused.setdefault(reason, []).append(str(address))
        else:
            words[address] = frame[3:5]
    lines += [_shown(address, words) for address in words]
    lines += [f"registers {', '.join(addresses)}: {reason}" for reason, addresses in refused.items()]
    lines.append("which register holds the value, its type and scale stand in the gauge's manual;")
    lines.append("copy modbus-force.toml or modbus-climate.toml from the shipped gauges and fill them in")
    return OtherFamily("modbus", answer.settings, tuple(lines))


def _shown(address: int, words: dict[int, bytes]) -> str:
    """One register, and together with the next one as the two commonest orders of a float."""
    high = words[address]
    text = f"register {address}: int16 {struct.unpack('>h', high)[0]}"
    if address + 1 in words:
        low = words[address + 1]
        big, swapped = struct.unpack(">f", high + low)[0], struct.unpack(">f", low + high)[0]
        text += f"; with the next one float32 {big:.6g} (ABCD) or {swapped:.6g} (CDAB)"
    return text


def _scpi(answer: Answer, replies: dict[str, bytes]) -> OtherFamily:
    identity = answer.reply.decode("latin-1").strip()
    lines = [f"it speaks SCPI and says it is {identity}"]
    for query, reply in replies.items():
        shown = reply.decode("latin-1").strip()
        lines.append(f"{query} brings {shown!r}" if shown else f"{query} brings no reply")
        fields = [field.strip() for field in shown.split(",")]
        if _NUMBER.fullmatch(fields[0]):
            return OtherFamily("scpi", answer.settings, tuple(lines), _scpi_text(answer, query, fields))
    lines.append("which query brings its value stands in the gauge's manual;")
    lines.append("copy scpi-force.toml from the shipped gauges and fill it in")
    return OtherFamily("scpi", answer.settings, tuple(lines))


def _scpi_text(answer: Answer, query: str, fields: Sequence[str]) -> str:
    meant = ["value", *("unit" if UNIT_WORDS.get(field) else "skip" for field in fields[1:])]
    word = fields[meant.index("unit")] if "unit" in meant else ""
    quantity, unit = UNIT_WORDS[word][0] if word else ("force", "N")
    mantissa, _, exponent = fields[0].upper().partition("E")
    decimals = len(mantissa.partition(".")[2]) - int(exponent or 0)
    serial = answer.settings
    rows = [
        "# Found by asking the gauge; nobody has vouched for it yet. Hold it against the gauge's manual.",
        "# To be confirmed: range and resolution; the replies do not give them away.",
        f"title = {quoted('Gauge found by identify, SCPI')}",
        'driver = "scpi"',
        f"quantity = {quoted(quantity)}",
        f"unit = {quoted(unit)}",
        f"resolution = {float(f'1e{-max(decimals, 0)}')!r}",
        "range = [-9999.0, 9999.0]",
        *serial_rows(serial),
        "",
        "[timing]",
        'mode = "poll"',
        "period_s = 0.1",
        "reply_timeout_s = 0.5",
        "max_silence_s = 3.0",
        "",
        "[scpi]",
        f"query = {quoted(query)}",
        "fields = [" + ", ".join(quoted(field) for field in meant) + "]",
    ]
    if word:
        rows += ["", "[scpi.units]", f"{quoted(word)} = {quoted(unit)}"]
    return "\n".join(rows) + "\n"
