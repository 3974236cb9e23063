"""What was published, and what becomes of it when a gauge turns out to have been wrong."""

from collections.abc import Iterator
from math import sqrt
from pathlib import Path

import pytest

from acquire.calibration.references import assigned_value
from acquire.errors import ConfigError
from acquire.known import bench_of, readings
from acquire.model import Amendment, CalibrationState
from acquire.model import Test as Kind
from acquire.publications import Publication, publish, resting_on, standing
from acquire.results import gather, scorecard, scorecards, standings
from acquire.scoring.method import Method
from acquire.touched import Touched, touched
from tests.benches import MadeBench


@pytest.fixture
def made(tmp_path: Path) -> Iterator[MadeBench]:
    """Two products, the opening check 5 mN high, and everything published."""
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.begin("birch", "Product Birch (invented)")
        made.check_force(off_n=0.005)
        for trial, treated_n in (("alder", 2.0), ("birch", 2.4)):
            made.slip(trial, "A", "bare", [3.0, 3.1, 2.9])
            made.slip(trial, "A", "treated", [treated_n, treated_n + 0.1, treated_n - 0.1])
        announce(made)
        yield made


def announce(made: MadeBench, where: str = "page", *, method: Method | None = None) -> Publication:
    method = method or made.home.method()
    at_seq = made.journal.head()[0]
    material = gather(made.journal.as_of(at_seq))
    return publish(
        made.journal,
        made.clock,
        where=where,
        method=method,
        cards=scorecards(material, made.bench, method),
        ranked=standings(material, made.bench, method),
        at_seq=at_seq,
    )


def named(found: list[Touched]) -> list[tuple[str, str]]:
    return [(one.trial, one.figure.name) for one in found]


def test_a_publication_holds_all_that_its_figures_rest_on(made: MadeBench) -> None:
    (kept,) = standing(made.journal)
    method = made.home.method()
    assert (kept.where, kept.method_sha256, kept.method) == ("page", method.sha256, method)
    card = scorecard(gather(made.journal), made.bench, method, "alder")
    slip = card.score(Kind.SLIP)
    assert slip is not None
    assert slip.points is not None
    figure = kept.trials[0].figures[0]
    assert (figure.name, figure.text, figure.unrounded) == ("slip", slip.points.text, slip.points.unrounded)
    assert figure.used == slip.used
    assert len(figure.used) == 6
    assert [one.name for one in kept.trials[0].figures] == ["slip", "total"]


def test_it_must_be_said_where(made: MadeBench) -> None:
    with pytest.raises(ConfigError, match="not said where"):
        announce(made, " ")


def test_a_later_publication_takes_the_place_of_the_earlier_one(made: MadeBench) -> None:
    second, film = announce(made), announce(made, "film")
    assert [one.id for one in standing(made.journal)] == [second.id, film.id]


def test_nothing_is_touched_while_nothing_was_learnt(made: MadeBench) -> None:
    assert touched(made.journal, made.bench) == []
    made.check_force()
    assert touched(made.journal, made.bench) == [], "a check that passes confirms"
    assert {reading.bracket for reading in readings(made.journal)} == {"confirmed"}
    made.slip("alder", "A", "treated", [9.0])
    assert touched(made.journal, made.bench) == [], "new readings are new figures"


def test_a_failed_check_touches_what_rests_on_its_bracket(made: MadeBench) -> None:
    made.check_force(off_n=0.2)
    found = touched(made.journal, made.bench)
    assert named(found) == [("alder", "slip"), ("alder", "total"), ("birch", "slip"), ("birch", "total")]
    assert len(found[0].readings) == 6
    assert len(found[0].why) == 1
    assert "force failed against weight-200g afterwards" in found[0].why[0]
    # The shipped method uses doubtful readings and marks them.
    assert found[0].now.difference == 0.0
    quick = resting_on(made.journal, found[0].readings[:1])
    assert [(trial, figure.name) for _, trial, figure in quick] == named(found)[:2]


def test_the_drift_is_taken_off_in_a_straight_line(made: MadeBench) -> None:
    """By hand: deviations of the two checks, their line at the time of each reading, force / (1 + error)."""
    made.check_force(off_n=0.2)
    alder = touched(made.journal, made.bench)[0]
    assert alder.corrected is not None
    assert alder.corrected.points is not None
    weight_n = assigned_value(made.bench, "weight-200g").value
    (_, first), (_, last) = gather(made.journal).checks
    begun, ended = (round(weight_n + off_n, 2) / weight_n - 1 for off_n in (0.005, 0.2))
    seconds = (last.t_utc - first.t_utc).total_seconds()
    true_n = []
    for reading in gather(made.journal).readings[:6]:
        share = (reading.t_utc - first.t_utc).total_seconds() / seconds
        true_n.append(reading.value / (1 + begun + (ended - begun) * share))
    lost_n = sum(true_n[:3]) / 3 - sum(true_n[3:]) / 3
    # 40 points for each unit of friction of an 800 g block, as the shipped method says.
    points = 40 * lost_n / (0.8 * made.bench.gravity().value_m_s2)
    assert alder.corrected.points.unrounded == pytest.approx(points, rel=1e-9)
    assert alder.corrected.difference == pytest.approx(points - alder.figure.unrounded, rel=1e-9)
    assert alder.corrected.difference != pytest.approx(0.0, abs=0.05)


def test_when_it_drifted_stays_uncertain(made: MadeBench) -> None:
    """Anywhere between the two checks: rectangular over the whole change, a/sqrt(3) with a half of it."""
    made.check_force(off_n=0.2)
    now = touched(made.journal, made.bench)[0]
    assert now.corrected is not None
    assert now.corrected.points is not None
    weight_n = assigned_value(made.bench, "weight-200g").value
    moved = (round(weight_n + 0.2, 2) - round(weight_n + 0.005, 2)) / weight_n
    slope = next(line for line in now.corrected.points.budget if "drift up to" in line.source)
    values = [reading.value for reading in gather(made.journal).readings[:6]]
    lost_n = sum(values[:3]) / 3 - sum(values[3:]) / 3
    size = 40 * lost_n / (0.8 * made.bench.gravity().value_m_s2) * moved / sqrt(12)
    assert slope.contribution == pytest.approx(size, rel=1e-9)


def test_without_an_opening_check_nothing_says_where_the_drift_began(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.slip("alder", "A", "bare", [3.0, 3.1, 2.9])
        made.slip("alder", "A", "treated", [2.0, 2.1, 1.9])
        announce(made)
        made.check_force(off_n=0.2)
        one, _ = touched(made.journal, made.bench)
        assert one.corrected is None
        assert one.uncorrected == (
            "no check of force had passed before, so nothing says where its drift began",
        )


def test_a_method_that_leaves_doubtful_readings_out_takes_the_figure_back(made: MadeBench) -> None:
    text = made.home.method().text.replace('doubtful = "use and mark"', 'doubtful = "leave out"')
    made.home.method_file.write_text(text, encoding="utf-8")
    announce(made)
    made.check_force(off_n=0.2)
    alder = touched(made.journal, made.bench)[0]
    assert (alder.now.points, alder.now.status, alder.now.difference) == (None, "not given", None)
    assert alder.corrected is not None
    assert alder.corrected.points is not None, "with the drift taken off they count again"


def test_scorecards_and_standings_follow_by_themselves(made: MadeBench) -> None:
    at_seq = made.journal.head()[0]
    made.check_force(off_n=0.2)
    method = made.home.method()

    def marked(material_at: int) -> set[CalibrationState]:
        card = scorecard(gather(made.journal.as_of(material_at)), made.bench, method, "alder")
        return {mark.state for score in card.scores for mark in score.marks}

    assert marked(at_seq) == set()
    assert marked(made.journal.head()[0]) == {CalibrationState.DOUBTFUL}
    rows = standings(gather(made.journal.as_of(at_seq)), made.bench, method).rows
    assert rows == standings(gather(made.journal, as_stamped=True), made.bench, method).rows


def test_a_persons_ruling_touches_a_figure_too(made: MadeBench) -> None:
    first = readings(made.journal)[0]
    made.logger.amend(Amendment(reading=first.id, what="ruling", reason="slipped", by="K.", counts=False))
    found = touched(made.journal, made.bench)
    assert named(found) == [("alder", "slip"), ("alder", "total")]
    assert found[0].why == ("slipped",)
    assert (found[0].now.points, found[0].corrected) == (None, None)


def test_a_wash_figure_rests_on_its_strokes(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        made.begin("alder", "Product Alder (invented)")
        made.wash("alder", "A", 60, 60, passed=True)
        strokes = readings(made.journal)
        inspection = gather(made.journal).inspections[0]
        made.write(
            "inspection",
            inspection.model_copy(
                update={"id": "inspection.again", "readings": tuple(one.id for one in strokes)}
            ),
            "inspection.again",
        )
        announce(made)
        doubt = Amendment(reading=strokes[0].id, what="doubtful", reason="the counter missed some", by="K.")
        made.logger.amend(doubt)
        found = touched(made.journal, made.bench)
        assert ("alder", "wash endurance") in named(found)
        assert found[0].uncorrected == ("strokes are counted: no drift is taken off a count",)


def test_the_bench_of_that_time_is_used(made: MadeBench) -> None:
    noted = bench_of(made.journal)
    assert noted is not None
    assert noted.gravity() == made.bench.gravity()
    text = made.home.bench_file.read_text(encoding="utf-8").replace(
        "latitude_deg = 52.0", "latitude_deg = 0.0"
    )
    made.home.bench_file.write_text(text, encoding="utf-8")
    moved = made.home.bench()
    assert moved.gravity() != noted.gravity()
    made.check_force(off_n=0.2)
    assert touched(made.journal, moved)[0].now.difference == 0.0
