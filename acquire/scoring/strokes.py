"""What an inspection at a wash stage rests on, and whether it can count.

Strokes are readings too: the method's rule for their stamp and a person's ruling hold for them as for pulls.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from acquire.model import Inspection, Reading, Test
from acquire.scoring.method import Method
from acquire.scoring.results import LeftOut, Mark
from acquire.scoring.selection import RULED_OUT, left_out_by_stamp, marks


@dataclass(frozen=True, slots=True)
class Judged:
    """One inspection; `why_not` says why it cannot count, None that it can."""

    inspection: Inspection
    why_not: str | None


def stood(inspection: Inspection) -> bool:
    """Whether the product still held: a finish that was cut through has failed, whatever water does."""
    return inspection.passed and not inspection.cut_through


def judge(inspections: Iterable[Inspection], readings: Iterable[Reading], method: Method) -> Iterator[Judged]:
    """Judges the inspections of one trial, which come in the journal's order.

    Args:
        readings: the trial's; those that no inspection names are not looked at.
    """
    by_id = _washing(readings)
    worn: dict[str, list[Reading]] = defaultdict(list)
    for inspection in inspections:
        on_panel = worn[inspection.panel]
        on_panel += (by_id[id_] for id_ in inspection.readings if id_ in by_id)
        yield Judged(inspection, _why_not(inspection, on_panel, method))


def looked_at(
    inspections: Iterable[Inspection], readings: Iterable[Reading], method: Method
) -> tuple[list[LeftOut], list[Mark]]:
    """Of the stroke readings that the inspections name: those that do not count, and the marked ones."""
    by_id = _washing(readings)
    named = [by_id[id_] for inspection in inspections for id_ in inspection.readings if id_ in by_id]
    left_out = [(reading, _left_out(reading, method)) for reading in named]
    return (
        [LeftOut(id=reading.id, why=why) for reading, why in left_out if why is not None],
        list(marks((reading for reading, why in left_out if why is None), method)),
    )


def _washing(readings: Iterable[Reading]) -> dict[str, Reading]:
    return {reading.id: reading for reading in readings if reading.step.test is Test.WASH}


def _left_out(reading: Reading, method: Method) -> str | None:
    return RULED_OUT if reading.counts is False else left_out_by_stamp(reading, method)


def _why_not(inspection: Inspection, on_panel: Sequence[Reading], method: Method) -> str | None:
    rules, stage = method.wash, inspection.stage
    if stage not in [one.at for one in rules.stages]:
        return f"{stage} {rules.unit} is no stage of the method"
    needed = rules.strokes_at(stage)
    if needed is None:
        return None
    # An inspection that names no readings was written by hand or by an older version: its own word counts.
    if not on_panel:
        early = stood(inspection) and inspection.strokes < needed
        return f"made at {inspection.strokes} strokes; stage {stage} begins at {needed}" if early else None
    counted = sum(reading.value for reading in on_panel if _left_out(reading, method) is None)
    doubted = [
        reading
        for reading in on_panel
        if reading.counts is not False and left_out_by_stamp(reading, method) is not None
    ]
    # Only a pass can come too early: what has failed before its stage has failed at its stage. Strokes
    # nobody can vouch for change that: the panel may have come further than its stage before it failed.
    if not (counted < needed if stood(inspection) else doubted):
        return None
    why = f"made at {counted:.0f} strokes; stage {stage} begins at {needed}"
    if doubted:
        more = sum(reading.value for reading in doubted)
        why += f", and {more:.0f} more do not count because their counter was {doubted[0].stamp.state.value}"
    return why
