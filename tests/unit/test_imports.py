"""Earlier results from a table: marked as typed, scored like others, traced to the line of the kept file."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from acquire.earlier import TEMPLATE, read_earlier
from acquire.errors import ConfigError, SourceError
from acquire.imports import import_results
from acquire.model import CalibrationState, Reading
from acquire.model import Test as Kind
from acquire.results import gather, scorecard, standings
from acquire.verification import verify
from tests.benches import MadeBench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[MadeBench]:
    with MadeBench(tmp_path / "bench") as made:
        yield made


def table(bench: MadeBench, text: str = TEMPLATE) -> Path:
    path = bench.home.folder / "earlier.csv"
    path.write_bytes(text.encode())
    return path


def whole_trial(trial: str = "old-1") -> str:
    lines = ["trial;product;test;panel;phase;stage;value;unit;angle;passed;standard_uncertainty;date"]

    def add(
        test: str, phase: str, stage: str, value: str, unit: str = "", angle: str = "", passed: str = ""
    ) -> None:
        u = "0,02" if unit == "N" else ""
        lines.append(
            f"{trial};Invented wax;{test};A;{phase};{stage};{value};{unit};{angle};{passed};{u};2030-05-04"
        )

    for phase, force, gloss in (("bare", 2.6, 91.0), ("treated", 1.7, 93.0)):
        for i in range(3):
            add("slip", phase, "", f"{force + i / 100:.2f}".replace(".", ","), "N")
            add("gloss", phase, "", f"{gloss + i / 10:.1f}".replace(".", ","), "GU", "60")
    add("handling", "treated", "", "7,5")
    add("appearance", "treated", "", "8")
    add("wash endurance", "", "60", "60", passed="yes")
    add("wash endurance", "", "150", "152", passed="no")
    return "\n".join(lines) + "\n"


def test_imported_results_stand_in_the_standings_with_the_points_of_the_method(bench: MadeBench) -> None:
    import_results(bench.home, bench.journal, bench.clock, table(bench, whole_trial()))
    material = gather(bench.journal)
    assert material.trials[0].imported
    ranked = standings(material, bench.bench, bench.home.method())
    assert [row.trial for row in ranked.rows] == ["old-1"]
    card = scorecard(material, bench.bench, bench.home.method(), "old-1")
    points = {score.test: None if score.points is None else score.points.value for score in card.scores}
    # Gloss: 93.1 - 91.1 GU gained at 0.4 a unit; handling and appearance 1 point a unit; stage 60 is worth 1.
    assert points[Kind.GLOSS] == pytest.approx(0.8)
    assert (points[Kind.HANDLING], points[Kind.APPEARANCE], points[Kind.WASH]) == (7.5, 8.0, 1.0)
    # Friction of an 0.8 kg block: 0.9 N less at local gravity, 40 points a unit, to the tenth.
    gravity = bench.bench.gravity().value_m_s2
    assert points[Kind.SLIP] == pytest.approx(40 * 0.9 / (0.8 * gravity), abs=0.06)


def test_every_reading_is_marked_as_typed_unchecked_and_traces_to_its_line(bench: MadeBench) -> None:
    path = table(bench)
    import_results(bench.home, bench.journal, bench.clock, path)
    first: Reading = gather(bench.journal).readings[0]
    assert (first.t_source, first.stamp.state) == ("typed in", CalibrationState.UNCHECKED)
    assert (first.value, first.resolution, first.stamp.standard_uncertainty) == (2.61, 0.01, 0.02)
    assert first.t_utc == datetime(2024, 5, 4, 12, tzinfo=UTC)
    kept = (bench.home.recordings / first.raw.recording).read_bytes()
    assert kept == path.read_bytes()
    line = kept[first.raw.first_byte : first.raw.last_byte]
    assert line == TEMPLATE.splitlines()[1].encode()
    assert first.id.endswith("#2")


def test_verification_reads_the_kept_table_again(bench: MadeBench) -> None:
    import_results(bench.home, bench.journal, bench.clock, table(bench))
    assert verify(bench.home).holds
    (kept,) = bench.home.recordings.glob("*-import.csv")
    kept.write_bytes(kept.read_bytes().replace(b"1.72,N", b"1.71,N"))
    said = [str(fault) for fault in verify(bench.home).faults]
    assert said == [
        f"{kept.name}: the table was altered since it was imported",
        f"{kept.name}: line 3 and the journal do not say the same",
    ]
    kept.unlink()
    assert "is missing from recordings/" in str(verify(bench.home).faults[0])


def test_a_reading_that_claims_to_be_imported_needs_its_line(bench: MadeBench) -> None:
    import_results(bench.home, bench.journal, bench.clock, table(bench))
    first = gather(bench.journal).readings[0]
    bench.write("reading", first, first.id.replace("#2", "#99"))
    said = [str(fault) for fault in verify(bench.home).faults]
    assert len(said) == 1
    assert "line 99 and the journal do not say the same" in said[0]


def test_an_import_that_cannot_be_read_is_a_fault_and_no_crash(bench: MadeBench) -> None:
    import_results(bench.home, bench.journal, bench.clock, table(bench))
    bench.journal.append("import", {"recording": 7}, t_utc=bench.clock.utc(), t_mono_ns=0)
    said = [str(fault) for fault in verify(bench.home).faults]
    assert any("imported tables, opened seals and photographs were not compared" in one for one in said)


def test_a_table_is_imported_once_and_its_trials_are_new(bench: MadeBench) -> None:
    import_results(bench.home, bench.journal, bench.clock, table(bench))
    with pytest.raises(ConfigError, match="was imported before"):
        import_results(bench.home, bench.journal, bench.clock, table(bench))
    with pytest.raises(ConfigError, match="has these trials already: old-1"):
        import_results(bench.home, bench.journal, bench.clock, table(bench, TEMPLATE + "\n"))
    assert len(list(bench.journal.events("import"))) == 1


def test_results_from_the_future_are_none(bench: MadeBench) -> None:
    path = table(bench, TEMPLATE.replace("0.02,2024-05-04", "0.02,2099-05-04"))
    with pytest.raises(ConfigError, match="dated in the future: line 2"):
        import_results(bench.home, bench.journal, bench.clock, path)


def test_all_faults_are_named_at_once_with_line_and_column() -> None:
    text = "\n".join(
        [
            "trial,product,test,panel,phase,stage,value,unit,date",
            "old-1,Wax,slip,A,bare,,2.6,N,2030-05-04",
            "Old 1,Wax,slip,A,bare,,2.6,N,2030-05-04",
            "old-1,Wax,slipp,A,bare,,2.6,N,2030-05-04",
            "old-1,Wax,slip,A,wet,,2.6,N,2030-05-04",
            "old-1,Wax,slip,A,bare,,2.6,GU,2030-05-04",
            "old-1,Wax,slip,A,bare,,-1,N,2030-05-04",
            "old-1,Wax,slip,A,bare,60,2.6,N,2030-05-04",
            "old-1,Wax,slip,A,bare,,2.6,N,4.5.2030",
            "old-1,Other wax,slip,A,bare,,2.6,N,2030-05-04",
            "old-1,Wax,gloss,A,bare,,91.0,GU,2030-05-04",
            "old-1,Wax,wash endurance,A,,60,60.5,,2030-05-04",
            "old-1,Wax,slip,A,bare,,2.6",
            "old-1,,slip,A,bare,,nan,N,2030-05-04",
        ]
    )
    with pytest.raises(SourceError) as caught:
        read_earlier(text, "x.csv")
    said = str(caught.value).splitlines()
    assert said[0] == "12 fault(s); nothing was imported:"
    expected = [
        "line 3, column trial: 'Old 1' is no id",
        "line 4, column test: 'slipp' is no test; did you mean 'slip'?",
        "line 5, column phase: 'wet' is neither bare nor treated",
        "line 6, column unit: unit 'GU' is not a force",
        "line 7, column value: '-1' is not a number from zero up",
        "line 8, column stage: goes with wash endurance",
        "line 9, column date: '4.5.2030' is no date",
        "line 10, column product: old-1 had another product",
        "line 11, column angle: '' is no whole number",
        "line 12, column value: 60.5 is no whole number of strokes",
        "line 13, 7 columns, the heading has 9",
        "line 14, column product: must be one line",
    ]
    for one, start in zip(said[1:], expected, strict=True):
        assert one.strip().startswith(start)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "column trial: is missing"),
        ("trial,product,test,panel,value,date,valu\n", "column 'valu': unknown; did you mean 'value'"),
        ("trial,product,test,panel,value,date,value\n", "column value: stands there twice"),
        ("trial,product,test,panel,value,date\n", "nothing stands below the heading"),
    ],
)
def test_a_heading_that_cannot_be_is_told_before_its_rows(text: str, told: str) -> None:
    with pytest.raises(SourceError, match=told):
        read_earlier(text, "x.csv")


def test_forces_may_be_typed_in_the_units_of_the_trade() -> None:
    text = (
        "trial,product,test,panel,phase,value,unit,date\nold,Wax,slip,A,bare,250,gf,2030-05-04T10:00+02:00\n"
    )
    (reading,) = read_earlier("\ufeff" + text.replace("\n", "\r\n"), "x.csv").items
    assert isinstance(reading, Reading)
    # NIST SP 811, appendix B: 1 gf = 9.80665 mN exactly (from memory).
    assert reading.value == pytest.approx(2.4516625, rel=1e-12)
    assert reading.resolution == pytest.approx(0.00980665, rel=1e-12)
    assert reading.t_utc == datetime(2030, 5, 4, 8, tzinfo=UTC)
