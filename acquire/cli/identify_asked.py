"""What a person says of a gauge that answers in SCPI or Modbus RTU, and the description made of both."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

import click

from acquire.cli.identify_said import RANGE, Said
from acquire.identify import CannotTell
from acquire.identify.facts import Facts, least_step
from acquire.identify.interpret import Candidate, Chosen, candidates, choose
from acquire.identify.prove import prove_live
from acquire.identify.registers import Held, read_unit
from acquire.identify.registers import told as told_of_registers
from acquire.identify.scpi import Told, ask_values
from acquire.identify.scpi import told as told_of_queries
from acquire.identify.write import Value, modbus_text, scpi_text
from acquire.watching import in_words
from drivers.description import UNITS, DescriptionError, GaugeDescription, parse_description

if TYPE_CHECKING:
    from acquire.identify.ask import Answer, Requests
    from acquire.identify.session import Session
    from drivers.base import Sample

SHOWN_N = 5
ALL_UNITS = [unit for units in UNITS.values() for unit in units]


@dataclass(frozen=True, slots=True)
class Made:
    """A description that has read the live gauge, and the last values it read."""

    family: str
    lines: tuple[str, ...]
    description: GaugeDescription
    samples: "tuple[Sample, ...]"

    def as_data(self) -> dict[str, Any]:
        last = self.samples[-SHOWN_N:]
        return {
            "family": self.family,
            "found": list(self.lines),
            "quantity": self.description.quantity,
            "unit": self.description.unit,
            "resolution": self.description.resolution,
            "range": list(self.description.range),
            "last_values": [{"value": one.value, "unit": one.kind.unit} for one in last],
            "description": self.description.text,
        }


def make(session: "Session", answer: "Answer", requests: "Requests", said: Said) -> Made:
    """Asks on, asks the person for what no gauge tells, and proves the description on the live gauge.

    Raises:
        CannotTell: the gauge or the person does not say enough; with what to do.
    """
    lines: list[str] = []

    def tell(line: str) -> None:
        lines.append(line)
        session.tell(line)

    family = answer.request.kind
    text = (_scpi if family == "scpi" else _modbus)(session, answer, requests, said, tell)
    try:
        description = parse_description(text.encode(), "found")
    except DescriptionError as error:
        raise CannotTell(f"what was understood makes no usable description: {error.faults[0]}") from error
    proof = prove_live(description, session.open_, session.clock)
    if not proof.holds:
        why = proof.damaged[0] if proof.damaged else "no reply"
        raise CannotTell(f"by the description that was made, the gauge is not understood: {why}")
    _refuse_never_good(proof.samples)
    return Made(family, tuple(lines), description, proof.samples)


def _refuse_never_good(samples: "Sequence[Sample]") -> None:
    """Each value of the gauge must have been good at least once, or nothing shows that it is read rightly."""
    flags: dict[str, list[frozenset[str]]] = {}
    for one in samples:
        name = " ".join(filter(None, (one.kind.quantity, one.kind.unit, one.kind.channel)))
        flags.setdefault(name, []).append(frozenset() if one.kind.good else one.kind.flags)
    for name, seen in flags.items():
        if all(seen):
            raise CannotTell(
                f"by the description that was made, no live {name} is good: {', '.join(sorted(seen[-1]))}",
                "Look at the type, the scale and the range that were said; or the gauge has no value now.",
            )


def show(made: Made) -> None:
    """The live values that the description reads, for a person to hold against the gauge's display."""
    click.echo("\nIt reads, live (hold it against the gauge's display):")
    for sample in made.samples[-SHOWN_N:]:
        click.echo(f"  {in_words(sample)}")


Tell = Callable[[str], None]


def _scpi(session: "Session", answer: "Answer", requests: "Requests", said: Said, tell: Tell) -> str:
    asked = requests.scpi
    found = ask_values(session.open_, session.clock, answer, asked.queries, asked.errors)
    for line in told_of_queries(found):
        tell(line)
    if not found.query and _may_measure(asked.measure, said, tell):
        found = ask_values(session.open_, session.clock, answer, asked.measure, asked.errors)
        for line in told_of_queries(found)[1:]:
            tell(line)
    if not found.query:
        hint = (
            ""
            if said.ask_measure
            else "; or let MEAS queries be asked with --ask-measure, if it may be set up anew"
        )
        raise CannotTell(
            "it tells who it is, but no query that was asked brings a value",
            f"Copy scpi-force.toml from the shipped gauges and put in the query from its manual{hint}.",
        )
    if not found.values:
        raise CannotTell(
            f"{found.query} is answered, but without a value ({found.replies[0]!r})",
            "Let it measure, then run this again.",
        )
    return scpi_text(found, _scpi_facts(found, said))


def _may_measure(queries: Sequence[str], said: Said, tell: Tell) -> bool:
    tell(
        f"some gauges answer only {', '.join(queries)}: such a query may set a meter up anew "
        "(function, range, filter), so it is not asked unless a person agrees"
    )
    return said.ask_measure or (
        said.ask and click.confirm("Ask them, one after the other, until one is answered?", default=False)
    )


def _scpi_facts(found: Told, said: Said) -> Facts:
    values = found.values
    words = found.unit_words
    units = [unit for _, unit in found.meanings]
    if said.unit is not None and units and said.unit not in units:
        raise CannotTell(f"the gauge prints {words[0]!r}, which is not {said.unit}", "Leave --unit out.")
    printed = units[0] if len(units) == 1 else None
    seen = f"the least step among {len(set(values))} different values; its manual may say another"
    facts = _facts(said, printed, units, (least_step(values), seen), "the gauge")
    return (
        facts if printed is None else replace(facts, remarks=("Unit: printed by the gauge.", *facts.remarks))
    )


def _facts(
    said: Said, printed: str | None, units: Sequence[str], step: tuple[float, str], what: str
) -> Facts:
    """Puts together what was seen and what was said; asks for the rest, or names all that is missing."""
    missing = []
    unit = said.unit or printed
    if unit is None and said.ask:
        unit = click.prompt(
            f"What unit does {what} measure in",
            type=click.Choice(list(units) or ALL_UNITS),
            show_choices=True,
        )
    limits = said.range
    if limits is None and said.ask and unit is not None:
        limits = _prompt_range(what, unit)
    if unit is None:
        missing.append("--unit UNIT" + (f" (one of {', '.join(units)})" if units else ""))
    if limits is None:
        missing.append("--range LOW..HIGH")
    if unit is None or limits is None:
        raise CannotTell(
            f"it answers, but {what} does not tell everything a description needs",
            f"Look at its label or manual and run this again with {' and '.join(missing)}.",
        )
    resolution, seen = said.resolution or step[0], "said by a person" if said.resolution else step[1]
    remarks = [] if printed is not None else ["Unit: said by a person; the gauge does not tell it."]
    remarks += [
        "Range: said by a person; the gauge does not tell it.",
        f"Resolution: {seen}.",
    ]
    facts = Facts(unit, *limits, resolution, tuple(remarks))
    return _with_tension(facts, said) if facts.quantity == "force" else facts


def _prompt_range(what: str, unit: str) -> tuple[float, float]:
    limits: tuple[float, float] = click.prompt(
        f"Lowest and highest value of {what} in {unit}, from its label (such as -500..500)", type=RANGE
    )
    return limits


def _with_tension(facts: Facts, said: Said) -> Facts:
    tension: Literal["positive", "negative"] = "positive"
    if not said.ask:
        remark = "To be confirmed: pull the hook: if the shown value becomes negative, tension is negative."
        return replace(facts, remarks=(*facts.remarks, remark))
    if click.confirm("Pull the hook a little. Does the shown value become negative?", default=False):
        tension = "negative"
    return replace(facts, tension=tension)


def _modbus(session: "Session", answer: "Answer", requests: "Requests", said: Said, tell: Tell) -> str:
    held = read_unit(session.open_, session.clock, session.tell, answer, requests)
    for line in told_of_registers(held):
        tell(line)
    likely = candidates(held)
    if likely:
        tell("what they could hold (type, scale and unit stand in no register; the manual knows):")
    for number, one in enumerate(likely, 1):
        tell(f"  {number:2}  {one.name:20} {_live(one)}")
    if not likely:
        tell("they hold nothing but zeros, or nothing that looks like a measured value")
    chosen = [choose(spec, held, likely) for spec in said.registers]
    if not chosen and said.ask:
        chosen = _prompt_registers(held, likely)
    if not chosen:
        example = likely[0].name if likely else "0:int16"
        raise CannotTell(
            "it answers, but which register holds the value was not said",
            f"Run this again with, for instance: --register {example} --unit N --range=-500..500",
        )
    if len({one.candidate.function for one in chosen}) > 1:
        raise CannotTell(
            "the registers chosen belong to different functions",
            "One description reads with one function: describe the others as a second gauge.",
        )
    values = [_value(one, said if at == 0 else replace(said, unit=None, range=None, resolution=None))
              for at, one in enumerate(chosen)]  # fmt: skip
    return modbus_text(held, values)


def _live(one: Candidate) -> str:
    first, last = f"{one.numbers[0]:.7g}", f"{one.numbers[-1]:.7g}"
    low, high = min(one.numbers), max(one.numbers)
    moved = f"between {low:.7g} and {high:.7g}" if one.changes else "always"
    return f"{moved}, last {last}" if one.changes else f"{moved} {first}"


def _prompt_registers(held: Held, likely: Sequence[Candidate]) -> list[Chosen]:
    while True:
        answer = click.prompt("Which is the value (number in the list, or ADDRESS:TYPE; several with blanks)")
        try:
            return [_one_answer(word, held, likely) for word in answer.split()]
        except CannotTell as error:
            click.echo(f"{error}. {error.hint}")


def _one_answer(word: str, held: Held, likely: Sequence[Candidate]) -> Chosen:
    if word.isdigit() and 1 <= int(word) <= len(likely):
        return Chosen(likely[int(word) - 1])
    return choose(word, held, likely)


def _value(chosen: Chosen, said: Said) -> Value:
    read = chosen.candidate
    what = f"register {read.address}"
    scale = chosen.scale
    if scale is None and said.ask:
        scale = click.prompt(
            f"Scale of {what}: what the display shows, divided by {read.numbers[-1]:.7g} here; 1 if alike",
            type=FINITE,
            default=1.0,
        )
    limits = said.range if chosen.low is None or chosen.high is None else (chosen.low, chosen.high)
    own = replace(said, unit=chosen.unit or said.unit, range=limits)
    factor = abs(1.0 if scale is None else scale)
    step = least_step(read.exact) * factor if read.type == "float32" else factor
    step = float(f"{step:.12g}")
    seen = "one step of the register" if read.type != "float32" else "the least step among the values seen"
    facts = _facts(own, None, [], (step, f"{seen}; its manual may say another"), what)
    remark = (
        f"Scale of {what}: 1 is assumed; nobody said it, and no register tells it."
        if scale is None
        else f"Scale of {what}: said by a person; no register tells it."
    )
    remarks = [remark, *facts.remarks]
    if chosen.guessed:
        remarks.append(f"Order of the bytes of {what}: {read.order} is the likeliest; nobody said it.")
    return Value(read, 1.0 if scale is None else scale, replace(facts, remarks=tuple(remarks)))


class _Finite(click.ParamType[float]):
    name = "number"

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not isfinite(number) or number == 0:
            self.fail(f"{value!r} is no number other than 0", param, ctx)
        return number


FINITE = _Finite()
