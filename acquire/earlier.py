"""Earlier results in a table that a person typed: every row becomes a reading, a rating or an inspection.

A pure function of the table and the name it is kept under, so that what was imported can be worked out
again from the kept file, line by line. Nothing is known of the gauges: each reading is marked as typed in
and stamped as unchecked.
"""

import csv
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from functools import partial
from math import isfinite
from typing import Literal, TypeVar

from pydantic import ValidationError

from acquire.errors import SourceError
from acquire.model import (
    UNIT_OF,
    CalibrationState,
    Details,
    Inspection,
    Phase,
    Quantity,
    Rating,
    RawRef,
    Reading,
    Stamp,
    Step,
    Test,
    Trial,
    UncertaintyPart,
)
from acquire.units import newtons_per
from drivers.keys import nearest, one_line

COLUMNS: dict[str, str] = {
    "trial": "id of the trial: small letters, digits, single hyphens",
    "product": "what was tested",
    "class": "kind of product; may be empty",
    "control": '"yes" on each row of the untreated control; else empty',
    "test": "slip, gloss, UV screening, handling, appearance or wash endurance",
    "panel": "name of the panel",
    "phase": "bare or treated; empty: treated",
    "stage": "of a wash inspection: its stage",
    "value": "one pull, gloss, irradiance or rating; of an inspection, the strokes counted",
    "unit": "N, gf, kgf, lbf, ozf; GU; W/m2; empty for ratings and inspections",
    "angle": "of a gloss, in degrees",
    "passed": "of an inspection: yes or no",
    "standard_uncertainty": "of the gauge (k = 1), in the unit; may be empty",
    "date": "2030-05-04, or 2030-05-04T14:05; without a time noon, without an offset UTC",
    "note": "of an inspection: what was seen",
}
NEEDED = ("trial", "product", "test", "panel", "value", "date")
GAUGE = "imported"
"""What stands in a reading in place of the gauge's name."""

_QUANTITY: dict[Test, Quantity] = {Test.SLIP: "force", Test.GLOSS: "gloss", Test.UV: "irradiance"}
Item = Reading | Rating | Inspection
_T = TypeVar("_T")

TEMPLATE = """\
trial,product,class,test,panel,phase,stage,value,unit,angle,passed,standard_uncertainty,date
old-1,Invented wax,wax,slip,black-1,bare,,2.61,N,,,0.02,2024-05-04
old-1,Invented wax,wax,slip,black-1,treated,,1.72,N,,,0.02,2024-05-06
old-1,Invented wax,wax,gloss,black-1,bare,,91.2,GU,60,,,2024-05-04
old-1,Invented wax,wax,gloss,black-1,treated,,93.0,GU,60,,,2024-05-06
old-1,Invented wax,wax,handling,black-1,treated,,7.5,,,,,2024-05-04
old-1,Invented wax,wax,appearance,black-1,treated,,8,,,,,2024-05-06
old-1,Invented wax,wax,wash endurance,black-1,treated,60,60,,,yes,,2024-05-07
old-1,Invented wax,wax,wash endurance,black-1,treated,150,152,,,no,,2024-05-07
"""


@dataclass(slots=True)
class Earlier:
    """What a table holds."""

    trials: dict[str, Trial] = field(default_factory=dict)
    items: list[Item] = field(default_factory=list)
    """In the order of the lines. Each one's id is "NAME#LINE"."""


class _WrongError(Exception):
    """Column and what is wrong with it."""


def read_earlier(text: str, name: str) -> Earlier:
    """Reads a table.

    Args:
        text: its content: a heading, then a row for each value; columns apart by comma or semicolon. With
            semicolons, a comma may be the decimal sign.
        name: under which the table is kept.

    Raises:
        SourceError: with every fault at once, each with its line and column.
    """
    # Not splitlines(): that also parts a line at characters that a spreadsheet leaves inside a cell.
    lines = text.split("\n")
    heading = lines[0].strip().lstrip("\ufeff")
    delimiter = ";" if ";" in heading else ","
    columns = [column.strip().lower() for column in heading.split(delimiter)]
    faults = list(_heading_faults(columns))
    found = Earlier()
    first = len(lines[0].encode()) + 1
    # Below a wrong heading every row would be a fault of its own.
    for number, line in enumerate([] if faults else lines[1:], start=2):
        start, first = first, first + len(line.encode()) + 1
        if not line.strip(f"{delimiter} \r\t"):
            continue
        cells = next(csv.reader([line.rstrip("\r")], delimiter=delimiter))
        raw = RawRef(recording=name, opening=0, first_byte=start, last_byte=first - 1, ordinal=number)
        try:
            if len(cells) != len(columns):
                raise _WrongError(f"{len(cells)} columns, the heading has {len(columns)}")
            row = dict(zip(columns, (cell.strip() for cell in cells), strict=True))
            _add(found, row, raw, partial(_number, delimiter=delimiter))
        except _WrongError as wrong:
            faults.append(f"line {number}, {wrong}")
    if not faults and not found.items:
        faults.append("line 2: nothing stands below the heading")
    if faults:
        raise SourceError(
            f"{len(faults)} fault(s); nothing was imported:\n" + "\n".join(f"  {one}" for one in faults),
            hint="mend these and import again; panelwright import --template shows a table that fits",
        )
    return found


def _heading_faults(columns: list[str]) -> Iterator[str]:
    for needed in NEEDED:
        if needed not in columns:
            yield f"line 1, column {needed}: is missing"
    for column in columns:
        if column not in COLUMNS:
            yield f"line 1, column {column!r}: unknown; {nearest(column, list(COLUMNS))}"
        elif columns.count(column) > 1:
            yield f"line 1, column {column}: stands there twice"


def _add(found: Earlier, row: dict[str, str], raw: RawRef, number: Callable[[str], float]) -> None:
    at = _cell(row, "date", _date)
    test = _cell(row, "test", _test)
    panel = _cell(row, "panel", one_line)
    trial = _trial(found, row, panel, at)
    value = _cell(row, "value", number)
    stage = _cell(row, "stage", _integer) if row.get("stage") else None
    phase: Phase = _cell(row, "phase", _phase)
    if (stage is not None) != (test is Test.WASH):
        raise _WrongError("column stage: goes with wash endurance, and is needed there")
    step = Step(test=test, panel=panel, phase=phase, stage=stage)
    id_ = f"{raw.recording}#{raw.ordinal}"
    if test is Test.WASH and stage is not None:
        found.items.append(
            Inspection(
                id=id_,
                trial=trial,
                panel=panel,
                stage=stage,
                strokes=_whole(value),
                passed=_cell(row, "passed", _yes),
                note=row.get("note", ""),
                t_utc=at,
            )
        )
    elif test in (Test.HANDLING, Test.APPEARANCE):
        found.items.append(Rating(id=id_, trial=trial, step=step, value=value, t_utc=at))
    else:
        uncertainty = _cell(row, "standard_uncertainty", number) if row.get("standard_uncertainty") else 0.0
        found.items.append(_reading(row, raw, trial, step, value, uncertainty, at))


def _trial(found: Earlier, row: dict[str, str], panel: str, at: datetime) -> str:
    """Notes the row's trial, or that it has one more panel; returns its id."""
    product = _cell(row, "product", one_line)
    control = _cell(row, "control", _yes) if row.get("control") else False
    kind = row.get("class") or None
    known = found.trials.get(row["trial"])
    if known is None:
        try:
            known = Trial(
                id=row["trial"],
                product=product,
                panels=(panel,),
                control=control,
                product_class=kind,
                imported=True,
                t_utc=at,
            )
        except ValidationError:
            raise _WrongError(
                f"column trial: {row['trial']!r} is no id: small letters, digits and single hyphens"
            ) from None
    elif (known.product, known.product_class, known.control) != (product, kind, control):
        raise _WrongError(f"column product: {known.id} had another product, class or control further up")
    panels = known.panels if panel in known.panels else (*known.panels, panel)
    found.trials[known.id] = known.model_copy(update={"panels": panels, "t_utc": min(known.t_utc, at)})
    return known.id


def _reading(
    row: dict[str, str], raw: RawRef, trial: str, step: Step, value: float, uncertainty: float, at: datetime
) -> Reading:
    quantity = _QUANTITY[step.test]
    unit = row.get("unit", "")
    factor = _factor(quantity, unit)
    details: Details = {"unit_typed": unit, "value_typed": row["value"]}
    if quantity == "gloss":
        details["angle_deg"] = _cell(row, "angle", _integer)
    digits = re.split(r"[.,]", row["value"])
    # A value without decimals may be 91 or 90.6: its last digit is the step it was read to.
    resolution = 10.0 ** -(len(digits[1]) if len(digits) > 1 else 0) * factor
    u = uncertainty * factor
    key = f"import {raw.recording} {quantity}"
    part = UncertaintyPart(source="gauge, as typed in with the value", key=key, standard_uncertainty=u)
    return Reading(
        id=f"{raw.recording}#{raw.ordinal}",
        trial=trial,
        step=step,
        quantity=quantity,
        value=value * factor,
        unit=UNIT_OF[quantity],
        resolution=resolution,
        gauge=GAUGE,
        t_utc=at,
        t_mono_ns=0,
        t_source="typed in",
        raw=raw,
        details=details,
        stamp=Stamp(
            state=CalibrationState.UNCHECKED,
            reason="imported: its gauge and that gauge's checks are not known",
            standard_uncertainty=u,
            parts=(part,) if u else (),
        ),
    )


def _factor(quantity: Quantity, unit: str) -> float:
    if quantity == "force":
        try:
            return newtons_per(unit)
        except ValueError as error:
            raise _WrongError(f"column unit: {error}") from None
    if unit != UNIT_OF[quantity]:
        raise _WrongError(f"column unit: a {quantity} is in {UNIT_OF[quantity]}, not {unit!r}")
    return 1.0


def _cell(row: dict[str, str], column: str, read: Callable[[str], _T]) -> _T:
    try:
        return read(row.get(column, ""))
    except ValueError as error:
        raise _WrongError(f"column {column}: {error}") from None


def _number(text: str, delimiter: str) -> float:
    plain = text.replace(",", ".") if delimiter == ";" else text
    try:
        value = float(plain)
    except ValueError:
        value = float("nan")
    if not isfinite(value) or value < 0:
        raise ValueError(f"{text!r} is not a number from zero up")
    return value


def _integer(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise ValueError(f"{text!r} is no whole number")
    return int(text)


def _whole(value: float) -> int:
    if value != int(value):
        raise _WrongError(f"column value: {value:g} is no whole number of strokes")
    return int(value)


def _test(text: str) -> Test:
    known = [test.value for test in Test]
    if text not in known:
        raise ValueError(f"{text!r} is no test; {nearest(text, known)}")
    return Test(text)


def _phase(text: str) -> Phase:
    phases: dict[str, Literal["bare", "treated"]] = {"": "treated", "bare": "bare", "treated": "treated"}
    if text not in phases:
        raise ValueError(f"{text!r} is neither bare nor treated")
    return phases[text]


def _yes(text: str) -> bool:
    if text.lower() not in ("yes", "no"):
        raise ValueError(f"{text!r} is neither yes nor no")
    return text.lower() == "yes"


def _date(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is no date such as 2030-05-04") from None
    if re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", text):
        at = datetime.combine(at, time(12))
    return at.astimezone(UTC) if at.tzinfo else at.replace(tzinfo=UTC)
