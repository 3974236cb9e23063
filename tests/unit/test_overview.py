"""A bench with weeks of checks in its journal: what is told of its gauges, day by day and over months."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from acquire.calibration.checks import AbortedCheck, evaluate_check
from acquire.calibration.references import assigned_value
from acquire.calibration.stamp import stamp
from acquire.checkbook import checkbook, room_temperatures, temperature_at
from acquire.cli import main
from acquire.drifting import drifts, moment
from acquire.errors import ConfigError, PanelwrightError
from acquire.incidents import report_incident
from acquire.model import AppliedCorrection, CalibrationState, Climate, RawRef
from acquire.outputs.drift_figure import draw_drift, save_drift
from acquire.overview import GaugeState, overview
from tests.bench_tools import NOON, check, history, rules
from tests.benches import BENCH, MadeBench
from tests.manual_clock import START_UTC

CERTIFICATE = """
[gauges.force.certificate]
number = "F-1 (invented)"
due = 2031-12-31
expanded_uncertainty = 0.005
"""
FLICKER = [0.0, 0.001, -0.001, 0.001, 0.0, -0.001, 0.001, -0.001, 0.0, 0.001]
DAYS_N = 12
DRIFT_DAY = START_UTC + timedelta(days=3 * DAYS_N)
RAW = RawRef(recording="room.rec", opening=0, first_byte=0, last_byte=9, ordinal=0)


class Months(MadeBench):
    """Twelve days of three healthy checks, three days apart, the gauge gaining 0.2 mN a day; then a day that
    drifts by 3 mN an hour and ends with a failed check."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.home.bench_file.write_text(BENCH + CERTIFICATE, encoding="utf-8")
        self.bench = self.home.bench()
        self.logger._bench = self.bench
        self.assigned = assigned_value(self.bench, "weight-200g")
        for day in range(DAYS_N):
            self.until(START_UTC + timedelta(days=3 * day))
            for turn in range(3):
                self.check(2e-4 * 3 * day + FLICKER[(day + turn) % 10])
                self.clock.move(3600)
        self.until(DRIFT_DAY)
        self.begin("alder", "Product Alder (invented)")
        for hour in range(9):
            self.write("climate", self.air(21.0 + hour / 10))
            self.check(0.008 + 0.003 * hour + FLICKER[hour])
            if hour == 7:
                self.slip("alder", "A", "bare", [3.0, 3.2, 3.1])
            self.until(DRIFT_DAY + timedelta(hours=hour + 1))
        aborted = AbortedCheck(
            gauge="force",
            reference="weight-200g",
            unit="N",
            assigned=self.assigned.value,
            readings=(1.96,),
            wanted_n=3,
            t_utc=self.clock.utc(),
        )
        self.logger.record_aborted_check(aborted, sync_recording=lambda: None)
        report_incident(self.journal, self.bench, self.clock, "force", "dropped", note="off the bench")

    def until(self, t_utc: datetime) -> None:
        self.clock.move((t_utc - self.clock.utc()).total_seconds())

    def check(self, off_n: float) -> None:
        check = evaluate_check(
            "force",
            self.assigned,
            [self.assigned.value + off_n + one for one in (-0.0005, 0.0, 0.0005)],
            unit="N",
            resolution=0.001,
            tolerance=self.bench.gauge("force").tolerance,
            t_utc=self.clock.utc(),
            raw=(RAW.model_copy(update={"recording": "force-001.rec"}),),
        )
        self.logger.record_check(check, sync_recording=lambda: None)

    def air(self, value: float) -> Climate:
        return Climate(
            gauge="room",
            quantity="temperature",
            value=value,
            unit="degC",
            where="room",
            t_utc=self.clock.utc(),
            raw=RAW,
        )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Months]:
    made = Months(tmp_path_factory.mktemp("months") / "bench")
    with made:
        yield made


def run(made: Months, *args: str) -> Result:
    return CliRunner().invoke(main, [*args, "--home", str(made.home.folder)])


def said(result: Result) -> str:
    """What was printed, on one line: wrapping is the terminal's."""
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_the_newest_day_is_shown_and_its_drift_told(made: Months) -> None:
    text = said(run(made, "drift", "force"))
    assert "force on weight-200g, 2031-06-09 (UTC), in N" in text
    assert "Linear drift of +0.0029 N an hour" in text
    assert "Check again now" in text
    assert "mean and spread of 36 earlier checks" in text
    assert text.count(" 21.") == 9
    assert "FAILED" in text


def test_the_same_as_data(made: Months) -> None:
    result = run(made, "drift", "force", "--json")
    assert result.exit_code == 0, result.output
    (data,) = json.loads(result.output)
    assert (data["shape"], data["reference"], len(data["checks"])) == ("linear drift", "weight-200g", 9)
    assert data["line"]["slope_per_h"] == pytest.approx(0.003, abs=2e-4)
    assert data["line"]["slope_half_width_95"] < 0.001
    assert data["checks"][0]["temperature"] == 21.0
    assert data["scatter"]["basis"] == "history"


def test_how_far_back_can_be_said_in_several_ways(made: Months) -> None:
    for since, checks_n in (("2031-06-09 14:30", 3), ("3h", 4), ("60d", 45), ("2031-06-06T00:00+00:00", 12)):
        (data,) = json.loads(run(made, "drift", "force", "--since", since, "--json").output)
        # The check of an hour is dated when it ends, seconds behind the full hour.
        assert abs(len(data["checks"]) - checks_n) <= 1, since
    assert moment("1d", DRIFT_DAY, UTC) == DRIFT_DAY - timedelta(days=1)


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["forc"], "no gauge 'forc'; did you mean 'force'"),
        (["gloss"], "gloss has not been checked yet"),
        (["force", "--against", "weight-20g"], "has not been checked against 'weight-20g'"),
        (["force", "--since", "yesterday"], "'yesterday' is no time"),
        (["force", "--since", "2032-01-01"], "has not been checked since 2032-01-01"),
        (["force", "--plot", "drift.pdf"], "drift.pdf: a figure is a .png or .svg file"),
    ],
)
def test_what_cannot_be_shown_is_refused_in_one_line(made: Months, args: list[str], message: str) -> None:
    result = run(made, "drift", *args)
    assert result.exit_code == 1
    assert message in result.output


@pytest.mark.slow
def test_the_figure_says_in_words_what_it_shows(made: Months, tmp_path: Path) -> None:
    out = tmp_path / "drift.svg"
    assert str(out.name) in said(run(made, "drift", "force", "--plot", str(out))).replace(" ", "")
    svg = out.read_text(encoding="utf-8")
    for word in ("tolerance +0.03 N", "control limits", "(EWMA)", "95 % band", "check again", "air, °C"):
        assert word in svg
    (found,) = drifts(made.journal, made.bench, "force")
    assert draw_drift(found, "png").startswith(b"\x89PNG")
    with pytest.raises(PanelwrightError, match="cannot be written"):
        save_drift(found, tmp_path / "nowhere" / "drift.png")


def test_a_temperature_is_of_a_check_only_if_it_is_near(made: Months) -> None:
    found = room_temperatures(made.journal, DRIFT_DAY, DRIFT_DAY + timedelta(hours=2, minutes=30))
    assert [one.value for one in found] == [21.0, 21.1, 21.2]
    near = temperature_at(found, DRIFT_DAY + timedelta(minutes=70))
    assert near is not None
    assert near.value == 21.1
    assert temperature_at(found, DRIFT_DAY + timedelta(hours=5)) is None
    assert room_temperatures(made.journal, START_UTC, START_UTC + timedelta(days=1)) == []


def test_the_checkbook_holds_what_was_written_of_one_gauge(made: Months) -> None:
    book = checkbook(made.journal, "force")
    assert (len(book.checks), len(book.aborted), len(book.incidents)) == (45, 1, 1)
    assert checkbook(made.journal, "gloss").checks == []


def test_a_morning_look_tells_of_every_gauge(made: Months) -> None:
    now = DRIFT_DAY + timedelta(hours=10)
    force, gloss, wash = overview(made.journal, made.home, now)
    assert [one.gauge for one in (force, gloss, wash)] == ["force", "gloss", "wash"]
    assert force.state is CalibrationState.OUT_OF_TOLERANCE
    assert "Check it now." in force.lines
    assert any(line.startswith("Linear drift of +0.0029 N an hour") for line in force.lines)
    assert "Certificate F-1 (invented): due 2031-12-31, 205 days." not in force.lines
    assert "Certificate F-1 (invented): due 2031-12-31, in 205 days." in force.lines
    assert gloss.lines == ["No check has passed yet.", "Check it now."]
    assert gloss.last is None


def test_a_gauge_in_order_is_told_when_it_is_due(made: Months) -> None:
    eve = made.journal.as_of(made.journal.seq_at(DRIFT_DAY - timedelta(hours=1)))
    morning = START_UTC + timedelta(days=3 * (DAYS_N - 1), hours=4)
    force = overview(eve, made.home, morning)[0]
    assert force.state is CalibrationState.IN_TOLERANCE
    # The check of 10:00 holds a day by default, and to midnight at most.
    assert force.due == morning.replace(hour=0) + timedelta(days=1)
    assert "Next check due by its rule: 2031-06-07 00:00." in force.lines
    assert force.check_before == force.due
    assert force.run is not None
    # Put in: 0.2 mN a day, with flicker of 1 mN between checks.
    assert force.run.line.slope_per_h == pytest.approx(2e-4, abs=5e-5)
    assert force.run.trend


def test_rules_about_trials_are_part_of_the_morning_look(tmp_path: Path) -> None:
    with MadeBench(tmp_path / "bench") as made:
        text = made.home.bench_file.read_text(encoding="utf-8")
        rules = "[gauges.force.rules]\nbefore_trial = true\nafter_trial = true\n\n[gauges.gloss]"
        made.home.bench_file.write_text(text.replace("[gauges.gloss]", rules), encoding="utf-8")
        made.reopen()

        def force() -> GaugeState:
            return overview(made.journal, made.home, made.clock.utc())[0]

        made.check_force()
        assert force().state is CalibrationState.IN_TOLERANCE
        made.begin("alder", "Product Alder (invented)")
        assert force().state is CalibrationState.UNCHECKED
        assert "a check before each trial" in force().stamp.reason
        made.check_force()
        assert (force().state, force().waiting_n) == (CalibrationState.IN_TOLERANCE, 0)
        made.slip("alder", "A", "bare", [3.0, 3.1, 2.9])
        assert force().as_data()["readings_waiting_for_a_check"] == 3
        assert any(line.startswith("3 readings wait for a check that passes") for line in force().lines)
        made.check_force()
        assert force().waiting_n == 0


def test_a_corrected_gauge_is_told_as_it_is_used() -> None:
    used = AppliedCorrection(id="correction-1", amount=-0.045, standard_uncertainty=0.0)
    corrected = check(deviation=0.05).model_copy(update={"correction": used})
    state = GaugeState(
        gauge="force",
        channel=None,
        stamp=stamp("force", NOON, history(corrected), rules()),
        last=corrected,
        due=None,
        day=None,
        run=None,
        rules=rules(),
        unit="N",
        at=NOON,
    )
    assert any("passed, +0.005 ± 0.008 N as corrected (+0.05 N as shown)" in line for line in state.lines)


def test_the_morning_look_on_the_terminal_and_as_data(made: Months) -> None:
    assert "force: out of tolerance" in said(run(made, "calibration"))
    data = json.loads(run(made, "calibration", "--json").output)
    assert [one["gauge"] for one in data] == ["force", "gloss", "wash"]
    assert data[0]["certificate_due"] == "2031-12-31"
    assert data[0]["drift"] == "linear drift"
    assert data[1]["last_check_utc"] is None


class Page(HTMLParser):
    """What a screen reader is given: captions, row headings, drawings."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables = self.captions = self.row_headings = self.rows = 0
        self.drawings: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tables += tag == "table"
        self.captions += tag == "caption"
        self.row_headings += tag == "th" and given.get("scope") == "row"
        if tag == "svg":
            self.drawings.append(given.get("aria-label") or "")


@pytest.mark.slow
def test_a_dossier_holds_everything_of_its_period(made: Months, tmp_path: Path) -> None:
    out = tmp_path / "new" / "dossier.html"
    said(run(made, "dossier", "force", "--since", "2031-05-01", "--until", "2031-07-01", "--out", str(out)))
    text = out.read_text(encoding="utf-8")
    page = Page(text)
    assert page.tables == page.captions == 9
    assert page.row_headings >= 45 + 12
    (drawing,) = page.drawings
    assert drawing.startswith("Control chart of 45 checks on weight-200g.")
    checks = checkbook(made.journal, "force").checks
    assert all(id_ in text for id_, _ in checks)
    for part in (
        "Simulated",
        "45 checks: ",
        "; 1 given up; 1 incident.",
        "dropped (off the bench)",
        "W-1 (invented)",
        "alder (3)",
        "1 of 3: 1.96",
        "force-001.rec, opening 0, bytes 0 to 9",
        "6.4.10",
        "from memory",
        made.journal.head()[1],
    ):
        assert part in text, part
    assert "<script" not in text
    assert "http" not in text.replace("http://www.w3.org/", "")


@pytest.mark.slow
def test_a_dossier_of_a_period_without_checks_says_so(made: Months, tmp_path: Path) -> None:
    out = tmp_path / "dossier.html"
    said(run(made, "dossier", "force", "--since", "2031-01-01", "--until", "2031-02-01", "--out", str(out)))
    assert "The gauge was not checked in this period." in out.read_text(encoding="utf-8")
    result = run(
        made, "dossier", "force", "--since", "2031-02-01", "--until", "2031-01-01", "--out", str(out)
    )
    assert result.exit_code == 1
    assert "ends before it begins" in result.output


def test_a_certificate_renewed_in_the_bench_file_begins_the_trend_anew(tmp_path: Path) -> None:
    made = Months(tmp_path / "bench")
    with made:
        text = made.home.bench_file.read_text(encoding="utf-8").replace("F-1", "F-2")
        made.home.bench_file.write_text(text, encoding="utf-8")
        made.bench = made.home.bench()
        made.logger._bench = made.bench
        made.until(DRIFT_DAY + timedelta(days=1))
        made.check(0.0)
        book = checkbook(made.journal, "force")
        assert [one.certificate.number for one in book.certificates if one.certificate] == [
            "F-1 (invented)",
            "F-2 (invented)",
        ]
        force = overview(made.journal, made.home, made.clock.utc())[0]
        assert force.run is None


def test_moments_are_on_the_benchs_clock() -> None:
    assert moment("2031-05-04", START_UTC, UTC) == datetime(2031, 5, 4, tzinfo=UTC)
    with pytest.raises(ConfigError, match="no time"):
        moment("", START_UTC, UTC)
    with pytest.raises(ConfigError, match="no time"):
        moment("1e999d", START_UTC, UTC)
