"""Tables for other programs: what is read back is what was published, with types, units and meanings."""

import csv
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from pydantic import TypeAdapter

from acquire.errors import PanelwrightError
from acquire.model import Test as Kind
from acquire.outputs.publish.columns import READINGS, SCORES, STANDINGS, TABLES, Column
from acquire.outputs.publish.exports import schema, write_exports
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings
from tests.publish_kit import ODD_NAME, Published, publish, published_bench


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Published]:
    with published_bench(tmp_path_factory.mktemp("made") / "bench") as made:
        yield publish(made)


@pytest.fixture(scope="module")
def folder(published: Published, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    written = write_exports(folder, published.material, published.cards, published.ranked)
    assert written == sorted(folder.iterdir())
    return folder


def by_name(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.slow  # the fixture measures three trials
@pytest.mark.parametrize("table", TABLES)
def test_csv_and_parquet_say_the_same(folder: Path, table: str) -> None:
    typed = pq.read_table(folder / f"{table}.parquet")
    types = {field.name: field.type for field in typed.schema}
    # By the CSV reader of another project, told only the types that columns.csv names.
    read = pa_csv.read_csv(
        folder / f"{table}.csv",
        convert_options=pa_csv.ConvertOptions(column_types=types, strings_can_be_null=True),
    )
    assert typed.num_rows > 0
    for name in typed.column_names:
        empty = [value if value != "" else None for value in typed.column(name).to_pylist()]
        assert read.column(name).to_pylist() == empty, name


@pytest.mark.parametrize("table", TABLES)
def test_every_column_has_its_type_unit_and_meaning(folder: Path, table: str) -> None:
    said = {row["column"]: row for row in by_name(folder, "columns") if row["table"] == table}
    kept = pq.read_schema(folder / f"{table}.parquet")
    assert kept.equals(schema(TABLES[table]), check_metadata=True)
    assert list(said) == kept.names
    for field in kept:
        about = field.metadata or {}
        assert said[field.name]["type"] == str(field.type)
        assert said[field.name]["unit"] == about[b"unit"].decode()
        assert said[field.name]["meaning"] == about[b"meaning"].decode() != ""


@pytest.mark.parametrize("columns", [STANDINGS, SCORES, READINGS])
def test_no_column_comes_twice(columns: Sequence[Column]) -> None:
    names = schema(columns).names
    assert len(names) == len(set(names))


def test_models_read_back_equal(folder: Path, published: Published) -> None:
    cards = TypeAdapter(list[Scorecard]).validate_json((folder / "scorecards.json").read_bytes())
    assert cards == published.cards
    assert Standings.model_validate_json((folder / "standings.json").read_bytes()) == published.ranked


def test_figures_are_those_of_the_scorecards_to_the_last_digit(folder: Path, published: Published) -> None:
    rows = {(row["trial"], row["test"]): row for row in by_name(folder, "scores")}
    given = [(card, score) for card in published.cards for score in card.scores if score.points is not None]
    assert len(given) >= 12
    for card, score in given:
        assert score.points is not None
        row = rows[card.trial, score.test.value]
        assert float(row["points_unrounded"]) == score.points.unrounded
        assert float(row["points_expanded_uncertainty"]) == score.points.expanded_uncertainty
        assert row["text"] == score.points.text
        assert int(row["used"]) == len(score.used)
    standings = {row["trial"]: row for row in by_name(folder, "standings")}
    for place in published.ranked.rows:
        slip = place.by_test[Kind.SLIP]
        assert place.total is not None
        assert slip is not None
        assert float(standings[place.trial]["total"]) == place.total.value
        assert float(standings[place.trial]["slip"]) == slip.value
    assert standings["control"]["place"] == ""
    assert standings["control"]["control"] == "true"


def test_a_name_with_quotes_commas_and_signs_survives(folder: Path) -> None:
    assert by_name(folder, "standings")[0]["product"] in (ODD_NAME, "Product Birch (invented)")
    assert ODD_NAME in {row["product"] for row in by_name(folder, "scores")}


def test_each_reading_says_whether_it_counts_and_where_its_bytes_are(
    folder: Path, published: Published
) -> None:
    rows = {row["id"]: row for row in by_name(folder, "readings")}
    assert rows.keys() == {reading.id for reading in published.material.readings}
    counted = {id_ for card in published.cards for score in card.scores for id_ in score.used}
    for reading in published.material.readings:
        row = rows[reading.id]
        assert float(row["value"]) == reading.value
        assert (row["recording"], int(row["last_byte"])) == (reading.raw.recording, reading.raw.last_byte)
        if reading.quantity != "count":
            assert row["used"] == ("true" if reading.id in counted else "false")
    # The fourth pull is one more than the method asks for.
    extra = [row for row in rows.values() if row["extra"] == "true"]
    assert len(extra) == 3
    assert all(row["used"] == "false" and row["left_out_because"] for row in extra)
    strokes = [row for row in rows.values() if row["quantity"] == "count" and row["trial"] == "alder"]
    assert len(strokes) == 6


def test_times_are_utc_to_the_microsecond(folder: Path, published: Published) -> None:
    table = pq.read_table(folder / "readings.parquet")
    assert table.schema.field("t_utc").type == pa.timestamp("us", tz="UTC")
    times = table.column("t_utc").to_pylist()
    assert times == [reading.t_utc for reading in published.material.readings]


def test_no_value_is_no_number(folder: Path) -> None:
    for table in TABLES:
        for column in pq.read_table(folder / f"{table}.parquet").columns:
            values = [value for value in column.to_pylist() if isinstance(value, float)]
            assert all(map(math.isfinite, values))


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path, published: Published) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(PanelwrightError, match="cannot be written"):
        write_exports(tmp_path / "file" / "tables", published.material, published.cards, published.ranked)
