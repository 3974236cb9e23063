"""Writes descriptions of gauges that were asked in SCPI or Modbus RTU."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from acquire.identify.describe import quoted
from acquire.identify.facts import Facts, common_rows
from acquire.identify.interpret import Candidate
from acquire.identify.registers import Held
from acquire.identify.scpi import Told


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a Modbus gauge: how its registers are read, and what a person said of it."""

    candidate: Candidate
    scale: float
    facts: Facts


def scpi_text(found: Told, facts: Facts) -> str:
    """The description of a gauge that answered a query with a number."""
    layout = found.layout
    rows = common_rows("Gauge found by asking it, SCPI", "scpi", facts, found.settings, found.reply_s)
    rows += [
        "[scpi]",
        f"query = {quoted(found.query)}",
        "fields = [" + ", ".join(quoted(field) for field in layout.fields) + "]",
    ]
    if layout.separator != ",":
        rows.append(f"separator = {quoted(layout.separator)}")
    if found.terminator not in ("\n", "\r\n"):
        rows.append(f"terminator = {quoted(found.terminator)}")
    if found.serial_number:
        rows.append(f"serial_number = {quoted(found.serial_number)}  # no other gauge is taken for this one")
    if found.errors is None:
        rows.append("errors_every_n = 0  # it does not answer SYST:ERR?")
    if found.unit_words:
        meant = {
            word: next((unit for kind, unit in meanings if kind == facts.quantity), facts.unit)
            for word, meanings in found.meanings_of_all().items()
        }
        rows += ["", "[scpi.units]", *(f"{quoted(word)} = {quoted(unit)}" for word, unit in meant.items())]
    return "\n".join(rows) + "\n"


def modbus_text(held: Held, values: Sequence[Value]) -> str:
    """The description of a gauge that holds these values; the first one says what the gauge measures."""
    main = values[0].facts
    remarks = dict.fromkeys(remark for value in values for remark in value.facts.remarks)
    main = replace(main, remarks=tuple(remarks))
    rows = common_rows("Gauge found by asking it, Modbus RTU", "modbus", main, held.settings, held.reply_s)
    rows += [
        "[modbus]",
        f"unit = {held.unit}",
        f"function = {values[0].candidate.function}",
        "max_gap = 0  # registers in between were not all seen to answer",
    ]
    alike = Counter(value.facts.quantity for value in values)
    for value in values:
        rows += ["", "[[modbus.values]]", *_register_rows(value, main, alike[value.facts.quantity] > 1)]
    return "\n".join(rows) + "\n"


def _register_rows(value: Value, main: Facts, named: bool) -> list[str]:
    read, facts = value.candidate, value.facts
    rows = [f"address = {read.address}", f"type = {quoted(read.type)}"]
    if read.order != "ABCD":
        rows.append(f"order = {quoted(read.order)}")
    if value.scale != 1.0:
        rows.append(f"scale = {value.scale!r}")
    if named:
        rows.append(f"channel = {quoted(f'register-{read.address}')}")
    if (facts.unit, facts.low, facts.high) != (main.unit, main.low, main.high):
        rows += [
            f"quantity = {quoted(facts.quantity)}",
            f"unit = {quoted(facts.unit)}",
            f"range = [{facts.low!r}, {facts.high!r}]",
        ]
    return rows
