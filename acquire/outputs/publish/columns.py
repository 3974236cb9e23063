"""The columns of the published tables: name, type, unit, meaning, and where each value comes from."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from acquire.model import Reading, Test, Trial
from acquire.scoring.results import Score, Scorecard
from acquire.scoring.standings import Standing

Value = str | float | int | bool | datetime | None


@dataclass(frozen=True, slots=True)
class StandingRow:
    """One place."""

    row: Standing

    @property
    def letters(self) -> str:
        return " ".join(self.row.letters)

    @property
    def best(self) -> int | None:
        return None if self.row.places is None else self.row.places[0]

    @property
    def worst(self) -> int | None:
        return None if self.row.places is None else self.row.places[1]

    @property
    def chance_of_first(self) -> float | None:
        return self.row.chances.get(1, 0.0) if self.row.chances else None


@dataclass(frozen=True, slots=True)
class ScoreRow:
    """One test of one trial."""

    trial: Trial
    card: Scorecard
    score: Score

    @property
    def used_n(self) -> int:
        return len(self.score.used)

    @property
    def left_out_n(self) -> int:
        return len(self.score.left_out)

    @property
    def outliers_n(self) -> int:
        return len(self.score.flags)

    @property
    def marked_n(self) -> int:
        return len(self.score.marks)


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading, and what scoring made of it."""

    reading: Reading
    used: bool
    left_out: str | None
    """Why, if scoring looked at it and left it out."""


Row = StandingRow | ScoreRow | ReadingRow


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    kind: type
    unit: str
    """Empty: none; "unit": as the column of that name says."""
    meaning: str
    source: str
    """Names of attributes from the row inwards, with dots; a test's name in brackets for its points."""

    def value(self, row: Row) -> Value:
        """Of one row; None: there is none."""
        found: object = row
        for name in self.source.split("."):
            found = found.get(Test(name[1:-1])) if isinstance(found, dict) else getattr(found, name)
            if found is None:
                return None
        if isinstance(found, tuple):
            return "; ".join(str(one) for one in found)
        if isinstance(found, StrEnum):
            return found.value
        assert isinstance(found, str | float | int | bool | datetime)
        return found


def _points(name: str, what: str, source: str) -> tuple[Column, ...]:
    """Columns for points with their uncertainty."""
    uncertainty = "expanded uncertainty of the unrounded points"
    return (
        Column(name, float, "points", f"{what}, as rounded by the method", f"{source}.value"),
        Column(f"{name}_unrounded", float, "points", f"{what}, before rounding", f"{source}.unrounded"),
        Column(
            f"{name}_expanded_uncertainty", float, "points", uncertainty, f"{source}.expanded_uncertainty"
        ),
    )


def _coverage(source: str) -> tuple[Column, ...]:
    covers = "probability that the expanded uncertainty covers"
    factor = "expanded by standard uncertainty"
    return (
        Column("coverage", float, "", covers, f"{source}.coverage"),
        Column("coverage_factor", float, "", factor, f"{source}.coverage_factor"),
    )


def _by_test() -> tuple[Column, ...]:
    return tuple(
        column
        for test in Test
        for column in _points(
            test.value.replace(" ", "_").lower(), f"points for {test.value}", f"row.by_test.[{test.value}]"
        )
    )


STANDINGS: Sequence[Column] = (
    Column("place", int, "", "equal points share a place; empty: not ranked", "row.place"),
    Column("trial", str, "", "id of the trial; in standings by product, the product", "row.trial"),
    Column("product", str, "", "what was tested", "row.product"),
    Column("control", bool, "", "untreated control, which is not ranked", "row.control"),
    Column("status", str, "", "complete, at least (a lower limit) or incomplete", "row.status"),
    *_points("total", "sum over the tests", "row.total"),
    *_coverage("row.total"),
    Column("letters", str, "", "rows with a letter in common cannot be told apart", "letters"),
    Column("place_best", int, "", "best place it may really hold", "best"),
    Column("place_worst", int, "", "worst place it may really hold", "worst"),
    Column("chance_of_first", float, "", "probability of the first place, simulated", "chance_of_first"),
    Column("missing", str, "", "tests that it lacks points of", "row.missing"),
    Column("trials", str, "", "trials that the points speak of", "row.trials"),
    *_by_test(),
)

SCORES: Sequence[Column] = (
    Column("trial", str, "", "id of the trial", "trial.id"),
    Column("product", str, "", "what was tested", "trial.product"),
    Column("product_class", str, "", "what kind of product it is", "trial.product_class"),
    Column("control", bool, "", "untreated control", "trial.control"),
    Column("imported", bool, "", "typed in from earlier results, not measured here", "trial.imported"),
    Column("panels", str, "", "panels of the trial", "trial.panels"),
    Column("test", str, "", "name of the test", "score.test"),
    Column("status", str, "", "given, at least (a lower limit) or not given", "score.status"),
    *_points("points", "points", "score.points"),
    Column("text", str, "", "the points as printed", "score.points.text"),
    Column(
        "standard_uncertainty",
        float,
        "points",
        "of the unrounded points (k = 1)",
        "score.points.standard_uncertainty",
    ),
    *_coverage("score.points"),
    Column(
        "degrees_of_freedom",
        float,
        "",
        "effective; empty: infinite, or no points",
        "score.points.effective_degrees_of_freedom",
    ),
    Column("used", int, "", "readings, ratings or inspections that count", "used_n"),
    Column("left_out", int, "", "those that were looked at and do not count", "left_out_n"),
    Column("outliers", int, "", "values that stand out by Grubbs' test, counted or not", "outliers_n"),
    Column("not_in_tolerance", int, "", "counted although the gauge was not in tolerance", "marked_n"),
    Column("reasons", str, "", "why it is not given, or only a lower limit", "score.reasons"),
    Column("screening", str, "", "what UV screening can tell, in its only words", "score.screening.words"),
    Column("method_title", str, "", "method it was scored by", "card.method_title"),
    Column("method_sha256", str, "", "SHA-256 of that method's text", "card.method_sha256"),
)

READINGS: Sequence[Column] = (
    Column("id", str, "", "id of the reading in the journal", "reading.id"),
    Column("trial", str, "", "id of the trial", "reading.trial"),
    Column("test", str, "", "name of the test", "reading.step.test"),
    Column("panel", str, "", "name of the panel", "reading.step.panel"),
    Column("phase", str, "", "bare or treated", "reading.step.phase"),
    Column("zone", str, "", "part of the panel; empty: its treated area", "reading.step.zone"),
    Column("stage", int, "", "wash stage", "reading.step.stage"),
    Column("quantity", str, "", "force, gloss, count or irradiance", "reading.quantity"),
    Column("value", float, "unit", "as the gauge showed it", "reading.value"),
    Column("unit", str, "", "N, GU, W/m2; 1: counted", "reading.unit"),
    Column("correction", float, "unit", "added before scoring", "reading.correction.amount"),
    Column("resolution", float, "unit", "display step of the gauge", "reading.resolution"),
    Column("under_read", float, "unit", "how far below the true one it may lie", "reading.under_read"),
    Column("used", bool, "", "counts in a published figure", "used"),
    Column("left_out_because", str, "", "why it does not count", "left_out"),
    Column("extra", bool, "", "beyond the number the method asks for", "reading.extra"),
    Column("flagged", str, "", "why it stands out, if it does", "reading.flagged"),
    Column("gauge", str, "", "name of the gauge on the bench", "reading.gauge"),
    Column("t_utc", datetime, "", "when it was taken", "reading.t_utc"),
    Column("t_source", str, "", "how that time is known", "reading.t_source"),
    Column("calibration_state", str, "", "of the gauge, as known at publication", "reading.stamp.state"),
    Column("calibration_reason", str, "", "the same in a sentence", "reading.stamp.reason"),
    Column("check", str, "", "journal event of the check it rests on", "reading.stamp.check"),
    Column("reference", str, "", "reference of that check", "reading.stamp.reference"),
    Column(
        "gauge_standard_uncertainty",
        float,
        "unit",
        "of the gauge at its check (k = 1)",
        "reading.stamp.standard_uncertainty",
    ),
    Column("bracket", str, "", "open, confirmed or failed by a later check", "reading.bracket"),
    Column("recording", str, "", "file that holds its bytes", "reading.raw.recording"),
    Column("opening", int, "", "opening of the port in that file, from 0", "reading.raw.opening"),
    Column("first_byte", int, "bytes", "received since that opening, its first", "reading.raw.first_byte"),
    Column("last_byte", int, "bytes", "the same, behind its last", "reading.raw.last_byte"),
)

TABLES = {"standings": STANDINGS, "scores": SCORES, "readings": READINGS}
