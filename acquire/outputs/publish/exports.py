"""Published figures as tables for other programs: CSV, Parquet and JSON.

    standings: a row for each place     scores: for each trial and test     readings: for each reading

`columns.csv` beside them says what each column means and in which unit. CSV is UTF-8 with a header line; an
empty field is no value. Parquet holds the same with types; unit and meaning are in each field's metadata.
"""

import csv
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from io import StringIO
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from acquire.errors import PanelwrightError
from acquire.outputs.publish.bundle import CARDS
from acquire.outputs.publish.columns import (
    READINGS,
    SCORES,
    STANDINGS,
    TABLES,
    Column,
    ReadingRow,
    Row,
    ScoreRow,
    StandingRow,
    Value,
)
from acquire.results import Material
from acquire.scoring.results import LeftOut, Score, Scorecard
from acquire.scoring.standings import Standings

_TYPES: dict[type, pa.DataType] = {
    str: pa.string(),
    float: pa.float64(),
    int: pa.int64(),
    bool: pa.bool_(),
    datetime: pa.timestamp("us", tz="UTC"),
}
_HINT = "choose another folder, or see whether the disk is full"


def write_exports(
    folder: Path, material: Material, cards: Sequence[Scorecard], ranked: Standings
) -> list[Path]:
    """Writes tables and models into `folder`; what stands there under the same names is replaced.

    Args:
        material: what `cards` were scored from; readings of other trials are not written.
        cards: as published.
        ranked: the same, side by side.

    Returns:
        The files.

    Raises:
        PanelwrightError: they cannot be written.
    """
    tables = {
        "standings": as_table(STANDINGS, [StandingRow(row) for row in ranked.rows]),
        "scores": as_table(SCORES, score_rows(material, cards)),
        "readings": as_table(READINGS, reading_rows(material, cards)),
    }
    texts = {
        "columns.csv": as_csv(["table", "column", "type", "unit", "meaning"], _about_columns()),
        "scorecards.json": CARDS.dump_json(tuple(cards), indent=1).decode() + "\n",
        "standings.json": ranked.model_dump_json(indent=1) + "\n",
    }
    for name, table in tables.items():
        texts[f"{name}.csv"] = as_csv(table.column_names, _rows_of(table))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode())
        for name, table in tables.items():
            pq.write_table(table, folder / f"{name}.parquet")
    except OSError as error:
        raise PanelwrightError(f"tables cannot be written into {folder}: {error}", hint=_HINT) from error
    return sorted(folder / name for name in (*texts, *(f"{name}.parquet" for name in tables)))


def score_rows(material: Material, cards: Sequence[Scorecard]) -> list[ScoreRow]:
    """Every test of every scorecard, in their order."""
    trials = {trial.id: trial for trial in material.trials}
    return [ScoreRow(trials[card.trial], card, score) for card in cards for score in card.scores]


def reading_rows(material: Material, cards: Sequence[Scorecard]) -> list[ReadingRow]:
    """Every reading of the trials of the scorecards, in the journal's order."""
    scores = [score for card in cards for score in card.scores]
    used = {id_ for score in scores for id_ in score.used}
    why = {out.id: out.why for score in scores for out in _all_left_out(score)}
    # Strokes are not named one by one in a scorecard: they count through their inspection.
    used |= {id_ for found in material.inspections if found.id in used for id_ in found.readings}
    trials = {card.trial for card in cards}
    return [
        ReadingRow(one, one.id in used and one.id not in why, why.get(one.id))
        for one in material.readings
        if one.trial in trials
    ]


def _all_left_out(score: Score) -> Iterator[LeftOut]:
    yield from (out for panel in score.panels for one in panel.sets for out in one.left_out)
    yield from score.left_out


def as_table(columns: Sequence[Column], rows: Sequence[Row]) -> pa.Table:
    """Rows as a typed table."""
    arrays = [pa.array([column.value(row) for row in rows], _TYPES[column.kind]) for column in columns]
    return pa.table(arrays, schema=schema(columns))


def schema(columns: Sequence[Column]) -> pa.Schema:
    """Names, types, and in each field's metadata its unit and meaning."""
    return pa.schema(
        [
            pa.field(
                column.name, _TYPES[column.kind], metadata={"unit": column.unit, "meaning": column.meaning}
            )
            for column in columns
        ]
    )


def as_csv(head: Sequence[str], rows: Iterable[Sequence[Value]]) -> str:
    """A table as CSV. A text that is empty and one that is missing look the same in it."""
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_spelled(value) for value in row] for row in rows)
    return text.getvalue()


def _rows_of(table: pa.Table) -> Iterator[Sequence[Value]]:
    return zip(*(column.to_pylist() for column in table.columns), strict=True)


def _spelled(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return repr(value) if isinstance(value, float) else str(value)


def _about_columns() -> Iterator[Sequence[Value]]:
    for table, columns in TABLES.items():
        for column in columns:
            yield table, column.name, str(_TYPES[column.kind]), column.unit, column.meaning
