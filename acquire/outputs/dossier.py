"""All that proves one gauge right or wrong over a period, as one page that needs nothing else to be read.

journal ──checkbook──> checks, incidents, brackets, doubts ┐
                       series ──study──> figures, drift ───┴──> page
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from markupsafe import Markup

from acquire.bench import Bench, BenchGauge
from acquire.calibration.brackets import Bracket
from acquire.calibration.checks import AbortedCheck, Check
from acquire.calibration.components import components_in_words
from acquire.calibration.correction import in_words as correction_in_words
from acquire.calibration.day import accepted_by, forecast_in_words, in_words, study
from acquire.calibration.history import Incident
from acquire.calibration.longrun import interval_in_words, long_run
from acquire.calibration.series import Series
from acquire.checkbook import Checkbook, checkbook, room_temperatures
from acquire.drifting import Drift
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.home import Home
from acquire.journal import Journal
from acquire.known import amendments_of, as_stamped
from acquire.model import UNIT_OF, Amendment, Climate, Reading, StreamStart
from acquire.outputs.drift_figure import draw_drift
from acquire.outputs.drift_table import VERDICTS, basis_in_words
from acquire.outputs.pages import inline_svg, put, render, said_simulated, style

CLAUSES = (
    ("Equipment is checked before use", "6.4.4", "from memory", "Stamp of every reading; rules of the gauge"),
    ("Calibration programme, reviewed and adjusted", "6.4.7", "from memory", "Certificates; trend"),
    ("Calibration status can be seen", "6.4.8", "from memory", "State carried by every reading"),
    ("Faulty equipment taken out of use, effect examined", "6.4.9, with 7.10", "from memory",
     "Failed checks; brackets and doubts"),
    ("Intermediate checks by procedure", "6.4.10", "from memory", "Every check, with its recording"),
    ("Correction factors and reference values", "6.4.11", "from memory", "References; corrections"),
    ("Equipment records", "6.4.13", "from memory", "This dossier and the journal behind it"),
    ("Traceability", "6.5", "seen in a contents list", "References and their certificates"),
    ("Measurement uncertainty", "7.6", "seen in a contents list", "± of every check"),
    ("Assuring validity, intermediate checks among it", "7.7; letter e) of 7.7.1",
     "seen in a contents list; the letter from memory", "Control charts and drift"),
    ("Decision rule, agreed beforehand", "7.8.6; 7.1.3", "seen in a secondary source", "Decision rule"),
    ("Nonconforming work, looking back at earlier results", "7.10",
     "seen in a contents list", "Brackets and doubts"),
)  # fmt: skip
"""Need, clause of ISO/IEC 17025:2017, how far the number was verified, where on the page."""
SHOWN_IDS = 30


@dataclass(frozen=True, slots=True)
class Chart:
    """One series: its figure, and what is said beside it."""

    title: str
    drawing: Markup
    said: list[str]


@dataclass(frozen=True, slots=True)
class Doubt:
    """What one failed check put in doubt."""

    check: str
    ids: list[str]
    cleared_n: int
    trials: list[tuple[str, int]]

    @property
    def shown(self) -> str:
        """Ids of the readings; the first and the last where there are many."""
        if len(self.ids) <= SHOWN_IDS:
            return ", ".join(self.ids)
        return f"{self.ids[0]} to {self.ids[-1]}"


@dataclass(frozen=True, slots=True)
class ReferenceUsed:
    """A reference as the checks of the period used it."""

    name: str
    assigned: str
    basis: str
    certificate: str
    due: str
    care: str


def write_dossier(home: Home, gauge: str, out: Path, *, since: datetime, until: datetime) -> Path:
    """Writes the dossier of one gauge; what stands at `out` is replaced.

    Raises:
        ConfigError: no such gauge, or a period that ends before it begins.
        JournalError: the journal cannot be read.
    """
    if until <= since:
        raise ConfigError("the period ends before it begins", hint="give --until a later day than --since")
    bench = home.bench()
    entry = bench.gauge(gauge)
    with home.journal(readonly=True) as journal:
        text = _page(journal, home, bench, entry, gauge, since, until)
    put(out, text, hint="choose another file with --out")
    return out


def _page(
    journal: Journal,
    home: Home,
    bench: Bench,
    entry: BenchGauge,
    gauge: str,
    since: datetime,
    until: datetime,
) -> str:
    book = checkbook(journal, gauge)
    checks = [(id_, check) for id_, check in book.checks if since <= check.t_utc < until]
    streams = [start for _, start in facts(journal, "stream", StreamStart) if start.gauge == gauge]
    seq, head = journal.head()
    description = home.description(entry.description)
    return render(
        "dossier.html",
        css=style("report.css", "dossier.css"),
        bench=bench,
        gauge=gauge,
        entry=entry,
        description=description,
        local=lambda t: t.astimezone(bench.zone).strftime("%Y-%m-%d %H:%M"),
        since=since,
        until=until,
        simulated=said_simulated(home, bench, streams),
        unit=_unit(UNIT_OF[description.quantity]),
        verdicts=VERDICTS,
        counts=Counter(check.verdict for _, check in checks),
        checks=checks,
        certificates=book.certificates,
        references=_references([check for _, check in checks], bench),
        charts=[
            _chart(number, journal, book, series, bench, since, until)
            for number, series in enumerate(book.series)
            if _within(series, since, until).checks
        ],
        aborted=_of_period(book.aborted, since, until),
        incidents=_of_period(book.incidents, since, until),
        brackets=_of_period(book.brackets, since, until),
        doubts=_doubts(journal, gauge, {id_ for id_, _ in checks}),
        corrections=[
            (one, correction_in_words(one)) for one in book.corrections if since <= one.t_utc < until
        ],
        raw=_raw,
        clauses=CLAUSES,
        seq=seq,
        head=head,
    )


_T = TypeVar("_T", AbortedCheck, Incident, Bracket)


def _of_period(found: Iterable[_T], since: datetime, until: datetime) -> list[_T]:
    return [one for one in found if since <= one.t_utc < until]


def _within(series: Series, since: datetime, until: datetime) -> Series:
    _, stretch = series.split(since)
    before_end = tuple(check for check in stretch.checks if check.t_utc < until)
    return Series(series.gauge, series.reference, series.channel, before_end)


def _chart(
    number: int,
    journal: Journal,
    book: Checkbook,
    series: Series,
    bench: Bench,
    since: datetime,
    until: datetime,
) -> Chart:
    earlier, _ = series.split(since)
    stretch = _within(series, since, until)
    found = study(stretch, earlier, bench.zone)
    air: tuple[Climate, ...] = tuple(
        room_temperatures(journal, stretch.checks[0].t_utc, stretch.checks[-1].t_utc)
    )
    said = [one for one in (in_words(found), forecast_in_words(found), basis_in_words(found)) if one]
    upto = [check for check in series.checks if check.t_utc < until]
    run = long_run(upto, accepted_by(upto[-1]), bench.zone, since=book.adjusted)
    certificate = bench.gauge(book.gauge).certificate
    unit = _unit(series.unit)
    said.append(
        "Too few days with checks, or too short a time, for a trend over months."
        if run is None
        else interval_in_words(run, certificate.due if certificate else None, unit)
    )
    if scatter := components_in_words(stretch.checks, unit):
        said.append(scatter)
    drift = Drift(book.gauge, found, air)
    alt = f"Control chart of {len(stretch.checks)} checks on {series.name}. {said[0]}"
    svg = draw_drift(drift, "svg", title=False).decode("utf-8")
    return Chart(series.name, inline_svg(svg, f"chart{number}", alt), said)


def _references(checks: list[Check], bench: Bench) -> list[ReferenceUsed]:
    used: dict[tuple[str, str, float], ReferenceUsed] = {}
    for check in checks:
        for name, value, uncertainty in _loads(check):
            kept = bench.references.get(name)
            # A check at several loads keeps the certificates of all of them in one line.
            own = kept is not None and kept.certificate in check.certificate.split(", ")
            certificate = kept.certificate if kept and own else check.certificate
            due = kept.due if kept and own and check.points else check.reference_due
            key = (f"{name} {check.channel or ''}", certificate, value)
            told = name == check.worst_reference
            if key in used and not told:
                continue
            used[key] = ReferenceUsed(
                name=name if check.channel is None else f"{name} at {check.channel}°",
                assigned=f"{value:.5g} ± {2 * uncertainty:.2g} {_unit(check.unit)} (k = 2)",
                basis=check.basis if told else "told where it is the worst load of a check",
                certificate=certificate,
                due="" if due is None else str(due),
                care=(kept.care if kept else None) or "",
            )
    return list(used.values())


def _loads(check: Check) -> list[tuple[str, float, float]]:
    """Each reference of a check with its assigned value and standard uncertainty."""
    if not check.points:
        return [(check.reference, check.assigned, check.assigned_standard_uncertainty)]
    found = {
        point.reference: (point.reference, point.assigned, point.assigned_standard_uncertainty)
        for point in check.points
    }
    return list(found.values())


def _doubts(journal: Journal, gauge: str, checks: set[str]) -> list[Doubt]:
    found: dict[str, list[str]] = {}
    cleared: Counter[str] = Counter()
    for reading, amendments in amendments_of(journal).items():
        by = _doubted_by(amendments, checks)
        if by is not None:
            found.setdefault(by, []).append(reading)
            cleared[by] += amendments[-1].what == "cleared"
    trial_of = {one.id: one.trial for one in _readings(journal, gauge)} if found else {}
    return [
        Doubt(check, ids, cleared[check], sorted(Counter(trial_of.get(one, "?") for one in ids).items()))
        for check, ids in found.items()
    ]


def _doubted_by(amendments: list[Amendment], checks: set[str]) -> str | None:
    return next((one.check for one in amendments if one.what == "doubtful" and one.check in checks), None)


def _readings(journal: Journal, gauge: str) -> list[Reading]:
    return [one for one in as_stamped(journal) if one.gauge == gauge]


def _unit(unit: str) -> str:
    return "strokes" if unit == "1" else unit


def _raw(check: Check) -> str:
    """Where the bytes of a check's values are."""
    if not check.raw:
        return "not recorded"
    first, last = check.raw[0], check.raw[-1]
    return f"{first.recording}, opening {first.opening}, bytes {first.first_byte} to {last.last_byte}"
