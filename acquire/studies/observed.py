"""What a study is made of: values, each with who measured (a person, a bench) and what (a panel)."""

import csv
import io
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acquire.errors import SourceError
from acquire.model import Phase, Reading, Test
from acquire.scoring.method import Method
from acquire.scoring.selection import select, wanted

WHO = ("person", "bench", "lab")
WHAT = ("panel", "material")
VALUE = "value"
MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class Observed:
    """One value, in whatever unit the study has."""

    who: str
    what: str
    value: float


@dataclass(frozen=True, slots=True)
class Balanced:
    """Every `who` measured every `what` equally often: `values` has the shape (who, what, repeats)."""

    who: tuple[str, ...]
    what: tuple[str, ...]
    values: NDArray[np.float64]

    @property
    def repeats_n(self) -> int:
        return int(self.values.shape[2])


def read_observed(text: str, where: str) -> list[Observed]:
    """Reads a CSV table with a title row.

    Args:
        text: its content; columns are separated by commas, semicolons or tabs. With semicolons or tabs a
            number may have a decimal comma.
        where: what to call it in messages.

    Raises:
        SourceError: with every fault at once, each with its line.
    """
    lines = text.lstrip("\ufeff").splitlines()
    if not any(line.strip() for line in lines):
        raise SourceError(f"{where}: nothing in it", hint=_wanted_columns())
    separator = max(",;\t", key=lines[0].count)
    rows = csv.reader(io.StringIO("\n".join(lines)), delimiter=separator)
    titles = [title.strip().lower() for title in next(rows)]
    who, what, value = (_column(titles, names, where) for names in (WHO, WHAT, (VALUE,)))
    found: list[Observed] = []
    faults: list[str] = []
    for row in rows:
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        try:
            found.append(_observed(cells, who, what, value, comma=separator != ","))
        except ValueError as error:
            faults.append(f"  line {rows.line_num}: {error}")
    if faults:
        more = [f"  and {len(faults) - MOST_NAMED} more"] if len(faults) > MOST_NAMED else []
        raise SourceError(
            "\n".join([f"{where}: {len(faults)} fault(s)", *faults[:MOST_NAMED], *more]),
            hint="correct these lines and try again",
        )
    if not found:
        raise SourceError(f"{where}: titles and no rows", hint=_wanted_columns())
    return found


def _wanted_columns() -> str:
    return (
        f"a title row with {' or '.join(WHO)}, {' or '.join(WHAT)}, and {VALUE}; then one row for each value"
    )


def _column(titles: Sequence[str], names: Sequence[str], where: str) -> int:
    at = [index for index, title in enumerate(titles) if title in names]
    if len(at) == 1:
        return at[0]
    what = "no column" if not at else "more than one column"
    raise SourceError(f"{where}: {what} titled {' or '.join(names)}", hint=_wanted_columns())


def _observed(cells: Sequence[str], who: int, what: int, value: int, *, comma: bool) -> Observed:
    if len(cells) <= max(who, what, value):
        raise ValueError(f"{len(cells)} cells, where {max(who, what, value) + 1} are needed")
    if not cells[who] or not cells[what]:
        raise ValueError("a name is missing")
    written = cells[value].replace(",", ".") if comma else cells[value]
    try:
        number = float(written)
    except ValueError:
        raise ValueError(f"{cells[value]!r} is no number") from None
    if not math.isfinite(number):
        raise ValueError(f"{cells[value]!r} is no number that can be averaged")
    return Observed(cells[who], cells[what], number)


def balance(observed: Iterable[Observed]) -> Balanced:
    """Puts observations in order of names, each cell in the order given.

    Raises:
        SourceError: a cell has fewer or more values than most have; names those cells.
    """
    cells: dict[tuple[str, str], list[float]] = defaultdict(list)
    for one in observed:
        cells[one.who, one.what].append(one.value)
    who = tuple(sorted({name for name, _ in cells}))
    what = tuple(sorted({name for _, name in cells}))
    counts = {(a, b): len(cells.get((a, b), ())) for a in who for b in what}
    usual = Counter(counts.values()).most_common(1)[0][0] if counts else 0
    odd = [f"{a} on {b}: {count}" for (a, b), count in counts.items() if count != usual]
    if odd:
        more = f" and {len(odd) - MOST_NAMED} more" if len(odd) > MOST_NAMED else ""
        raise SourceError(
            f"not balanced: most have {usual} values, but {'; '.join(odd[:MOST_NAMED])}{more}",
            hint="everybody must measure everything equally often; add what is missing or leave names out",
        )
    values = np.array([[cells[a, b] for b in what] for a in who], dtype=np.float64)
    return Balanced(who, what, values.reshape(len(who), len(what), usual))


def observed_of(
    readings: Iterable[Reading], method: Method, *, trial: str, who: str, test: Test, phase: Phase
) -> list[Observed]:
    """Values of one trial that count by the method, each panel's as one cell of a study.

    Raises:
        SourceError: the test is not made of readings, or none of that trial counts.
    """
    if test not in (Test.SLIP, Test.GLOSS, Test.UV):
        raise SourceError(
            f"{test.value} is not made of repeated readings", hint="a study takes slip, gloss or UV screening"
        )
    by_panel: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        step = reading.step
        plain = step.zone is None and not step.stage
        if reading.trial == trial and step.test is test and step.phase == phase and plain:
            by_panel[step.panel].append(reading)
    want = wanted(test, method)
    found = [
        Observed(who, panel, candidate.value)
        for panel in sorted(by_panel)
        for candidate in select(by_panel[panel], want, method).used
    ]
    if not found:
        raise SourceError(
            f"no {phase} {test.value} reading of trial {trial!r} counts",
            hint="see what was measured: panelwright trial steps " + trial,
        )
    return found
