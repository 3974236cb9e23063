"""Cards to lay over video: one for each row of the standings, and the standings themselves.

PNG and SVG, 1920 × 1080, transparent beside their plate. Figures are those of the scorecards, spelled as on
the pages.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from acquire.errors import PanelwrightError
from acquire.model import Test
from acquire.outputs import words
from acquire.outputs.publish.plates import (
    FAINT,
    MARK,
    QUIET,
    SPAN,
    WARNING,
    Frame,
    styled,
    width_px,
    wrapped,
)
from acquire.scoring.results import Points, Score, Scorecard
from acquire.scoring.standings import Standing, Standings

ROWS_N = 9
"""Rows of the standings on one card."""
_SIMULATED = "SIMULATED · NOT MEASURED ON A REAL PANEL"
_LIMITS = "Washing on a machine is not months on a car."


@dataclass(frozen=True, slots=True)
class Card:
    """One card, in both forms."""

    name: str
    """Of its files, without ending."""
    title: str
    """What it shows, in words."""
    png: Path
    svg: Path


@dataclass(frozen=True, slots=True)
class _Told:
    """One test on a card."""

    name: str
    points: Points | None
    status: str
    words: str
    """Instead of points."""


def write_cards(
    folder: Path, cards: Sequence[Scorecard], ranked: Standings, *, simulated: bool = False
) -> list[Card]:
    """Writes a card for each row of `ranked` and as many as it takes for the standings.

    Args:
        cards: of the trials in `ranked`.
        ranked: as published.
        simulated: nothing of it was measured on a real panel; every card says so.

    Raises:
        PanelwrightError: they cannot be written.
    """
    names = _shown_names(ranked)
    files = _file_names(ranked)
    by_trial = {card.trial: card for card in cards}
    most = _most(ranked)
    pages = [ranked.rows[first : first + ROWS_N] for first in range(0, len(ranked.rows), ROWS_N)]
    written = []
    with styled():
        for row in ranked.rows:
            own = [by_trial[trial] for trial in row.trials or (row.trial,)]
            frame = Frame()
            title = _draw_product(frame, row, ranked, names, _told(row, own), most, simulated)
            written.append(_put(folder, files[row.trial], frame, title))
        for number, page in enumerate(pages, 1):
            frame = Frame()
            part = f", {number} of {len(pages)}" if len(pages) > 1 else ""
            title = _draw_standings(frame, page, ranked, names, part, simulated)
            written.append(_put(folder, f"standings-{number}", frame, title))
    return written


def _put(folder: Path, name: str, frame: Frame, title: str) -> Card:
    card = Card(name, title, folder / f"{name}.png", folder / f"{name}.svg")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        card.png.write_bytes(frame.picture("png", title))
        card.svg.write_bytes(frame.picture("svg", title))
    except OSError as error:
        raise PanelwrightError(
            f"cards cannot be written into {folder}: {error.strerror}", hint="choose another folder"
        ) from error
    return card


def _shown_names(ranked: Standings) -> dict[str, str]:
    """What each row is called: its product, with the trial where several have the same."""
    products = [row.product for row in ranked.rows]
    return {
        row.trial: f"{row.product} ({row.trial})"
        if products.count(row.product) > 1 and row.product != row.trial
        else row.product or row.trial
        for row in ranked.rows
    }


def _file_names(ranked: Standings) -> dict[str, str]:
    names: dict[str, str] = {}
    for row in ranked.rows:
        plain = re.sub(r"[^a-z0-9]+", "-", row.trial.lower()).strip("-") or "row"
        name, number = f"card-{plain}", 1
        while name in names.values():
            number += 1
            name = f"card-{plain}-{number}"
        names[row.trial] = name
    return names


def _most(ranked: Standings) -> dict[Test, float]:
    """The most points that any row has for each test: the length of a full bar."""
    found: dict[Test, float] = {}
    for row in ranked.rows:
        for test, points in row.by_test.items():
            if points is not None:
                found[test] = max(found.get(test, 0.0), points.value)
    return found


def _told(row: Standing, cards: Sequence[Scorecard]) -> Mapping[Test, _Told]:
    """What each test gave, by the points of the row and the words of its trials."""
    told = {}
    for test, points in row.by_test.items():
        scores = [score for card in cards if (score := card.score(test)) is not None]
        status = "at least" if any(score.status == "at least" for score in scores) else "given"
        told[test] = _Told(words.title_of(test), points, status, "; ".join(_words(scores, points)))
    return told


def _words(scores: Sequence[Score], points: Points | None) -> Iterator[str]:
    said = {score.screening.words: None for score in scores if score.screening is not None}
    if said:
        # Seeing no effect is not having none: its words are never cut, and never replaced by points.
        yield next(iter(said)) if len(said) == 1 else "its trials differ; see their pages"
        if points is not None:
            yield f"{words.with_uncertainty(points)} points"
    elif points is None:
        reasons = [reason for score in scores for reason in score.reasons] or ["not given"]
        yield from dict.fromkeys(reasons)


_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 1856, 470, 1016
_MIDDLE, _INSET = 900, 44


def _draw_product(
    frame: Frame,
    row: Standing,
    ranked: Standings,
    names: Mapping[str, str],
    told: Mapping[Test, _Told],
    most: Mapping[Test, float],
    simulated: bool,
) -> str:
    """Draws the lower half of the frame full; returns in words what it shows."""
    frame.plate(_LEFT, _TOP, _RIGHT, _BOTTOM)
    if simulated:
        _say_simulated(frame, _LEFT, _TOP)
    left, room = _LEFT + _INSET, _MIDDLE - _LEFT - 2 * _INSET
    y = _TOP + 72.0
    for line in wrapped(names[row.trial], 50, room, 2, "bold"):
        frame.write(line, left, y, 50, weight="bold")
        y += 60
    place = _place_words(row, ranked)
    y += _paragraph(frame, place, left, y - 12, 30, room, 1)
    total, plus_minus = _total(row)
    points = f"{plus_minus} points{_so_far(row)}".strip() if row.total is not None else "no total yet"
    baseline = y + 112
    _big(frame, total, points, left, baseline, room)
    level = _level_words(row, names)
    _paragraph(frame, level, left, baseline + 60, 28, room, 2)
    frame.line((_MIDDLE, _MIDDLE), (_TOP + 40, _BOTTOM - 74), colour=QUIET, width_px=2)
    _draw_tests(frame, told, most)
    _foot(frame, ranked, _BOTTOM, " Full bar: most of all.")
    tests = "; ".join(f"{one.name}: {_in_words(one)}" for one in told.values())
    prefix = "Simulated. " if simulated else ""
    return f"{prefix}{names[row.trial]}: {total} {points}, {place}. {level} {tests}."


def _big(frame: Frame, total: str, behind: str, x: float, baseline: float, room: float) -> None:
    """The total and what is written behind it, as large as there is room for."""
    needed = width_px(total, 124, "bold") + 26 + width_px(behind, 46)
    share = min(1.0, room / needed)
    frame.write(total, x, baseline, share * 124, weight="bold")
    frame.write(behind, x + share * (width_px(total, 124, "bold") + 26), baseline, share * 46)


def _paragraph(
    frame: Frame, text: str, x: float, baseline: float, size: float, room: float, lines_n: int
) -> float:
    """Quiet lines; returns how much height they took."""
    lines = wrapped(text, size, room, lines_n) if text else []
    for index, line in enumerate(lines):
        frame.write(line, x, baseline + index * size * 1.3, size, colour=QUIET)
    return len(lines) * size * 1.3


def _draw_tests(frame: Frame, told: Mapping[Test, _Told], most: Mapping[Test, float]) -> None:
    left, right = _MIDDLE + _INSET, _RIGHT - _INSET
    room = (_BOTTOM - 84) - (_TOP + 28)
    pitch = min(96.0, room / max(1, len(told)))
    for index, (test, one) in enumerate(told.items()):
        baseline = _TOP + 28 + pitch * index + 44
        frame.write(one.name, left, baseline, 32)
        if one.points is not None and not one.words:
            frame.write(_in_words(one), right, baseline, 34, weight="bold", align="right")
            full = most.get(test, 0.0)
            long = max(0.0, one.points.value) / full if full > 0 else 0.0
            frame.line((left, right), (baseline + 19, baseline + 19), colour=FAINT, width_px=4)
            frame.bar(left, left + long * (right - left), baseline + 19, 10)
        else:
            start = left + 300
            lines = wrapped(one.words, 24, right - start, 2)
            for number, line in enumerate(lines):
                frame.write(line, right, baseline - 12 + 31 * number, 24, colour=QUIET, align="right")


def _in_words(one: _Told) -> str:
    if one.points is None or one.words:
        return one.words
    return words.with_uncertainty(one.points, one.status)


def _so_far(row: Standing) -> str:
    return " so far" if row.status == "incomplete" else ""


def _total(row: Standing) -> tuple[str, str]:
    """The total as on the pages, and what is written behind it."""
    total = words.total_of(row.total, row.by_test.values(), row.status)
    return total, words.plus_minus(row.total)


def _place_words(row: Standing, ranked: Standings) -> str:
    missing = f"{', '.join(test.value for test in row.missing)} missing"
    if row.control:
        return "untreated control" + (f"; {missing}" if row.missing else ", not ranked")
    if row.place is None:
        return f"not ranked: {missing}"
    ranked_n = sum(one.place is not None for one in ranked.rows)
    text = f"place {row.place} of {ranked_n}"
    if row.places is not None and row.places[0] != row.places[1]:
        text += f", may be {row.places[0]} to {row.places[1]}"
    return text


def _level_words(row: Standing, names: Mapping[str, str]) -> str:
    others = [names[one] for one in row.level_with]
    if not others:
        return ""
    more = f" and {len(others) - 2} more" if len(others) > 2 else ""
    return f"Cannot be told from {', '.join(others[:2])}{more}."


def _say_simulated(frame: Frame, left: float, top: float) -> None:
    width = width_px(_SIMULATED, 26, "bold") + 40
    frame.plate(left, top - 58, left + width, top - 8, colour=WARNING, opacity=1.0, radius=8)
    frame.write(_SIMULATED, left + 20, top - 24, 26, weight="bold", colour="#000000")


def _foot(frame: Frame, ranked: Standings, bottom: float, legend: str = "") -> None:
    coverage = next((row.total.coverage for row in ranked.rows if row.total is not None), None)
    covers = "" if coverage is None else f" ± at {100 * coverage:g} % coverage."
    method = f"Method {ranked.method_sha256[:12]}: {ranked.method_title}"
    text = f"{_LIMITS}{covers}{legend} {method}"
    line = wrapped(text, 24, _RIGHT - _LEFT - 2 * _INSET, 1)[0]
    frame.write(line, _LEFT + _INSET, bottom - 28, 24, colour=QUIET)


_PITCH = 84
_FROM, _TO = 960, 1450
"""Where the axis of the standings begins and ends."""


def _draw_standings(
    frame: Frame,
    page: Sequence[Standing],
    ranked: Standings,
    names: Mapping[str, str],
    part: str,
    simulated: bool,
) -> str:
    """Draws a page of the standings; returns in words what it shows."""
    top = _BOTTOM - 200 - _PITCH * len(page)
    frame.plate(_LEFT, top, _RIGHT, _BOTTOM)
    if simulated:
        _say_simulated(frame, _LEFT, top)
    left = _LEFT + _INSET
    frame.write(f"Standings{part}", left, top + 62, 44, weight="bold")
    said = "A letter in common: cannot be told apart"
    frame.write(said, _RIGHT - _INSET, top + 60, 26, colour=QUIET, align="right")
    at = _axis(ranked)
    for index, row in enumerate(page):
        _draw_row(frame, row, names[row.trial], top + 90 + _PITCH * index + 54, at)
    _foot(frame, ranked, _BOTTOM)
    rows = "; ".join(
        f"{names[row.trial]}, {_place_words(row, ranked)}, {''.join(_total(row))} points{_so_far(row)}"
        for row in page
    )
    return f"{'Simulated. ' if simulated else ''}Standings{part}: {rows}."


@dataclass(frozen=True, slots=True)
class _Axis:
    low: float
    high: float

    def px(self, points: float) -> float:
        return _FROM + (points - self.low) / (self.high - self.low) * (_TO - _FROM)


def _axis(ranked: Standings) -> _Axis:
    """Holds the totals of all rows with their uncertainties, the same on every page."""
    totals = [row.total for row in ranked.rows if row.total is not None]
    low = min((one.unrounded - one.expanded_uncertainty for one in totals), default=0.0)
    high = max((one.unrounded + one.expanded_uncertainty for one in totals), default=1.0)
    return _Axis(low, high) if high > low else _Axis(low - 1, high + 1)


def _draw_row(frame: Frame, row: Standing, name: str, baseline: float, at: _Axis) -> None:
    place = "–" if row.place is None else str(row.place)
    frame.write(place, _LEFT + _INSET + 64, baseline, 44, weight="bold", align="right")
    frame.write(wrapped("".join(row.letters), 30, 110, 1)[0], _LEFT + _INSET + 84, baseline, 30, colour=QUIET)
    start = _LEFT + _INSET + 200
    notes = ["control"] * row.control + ["not complete"] * (row.status == "incomplete")
    note = f"({', '.join(notes)})" if notes else ""
    shown = wrapped(name, 36, _FROM - 50 - start - width_px(note, 24), 1)[0]
    frame.write(shown, start, baseline, 36, colour=QUIET if row.place is None else SPAN)
    frame.write(note, start + width_px(shown, 36) + 12, baseline, 24, colour=QUIET)
    total, plus_minus = _total(row)
    behind = _RIGHT - _INSET - 130
    frame.write(total, behind, baseline, 44, weight="bold", align="right")
    frame.write(plus_minus.strip(), behind + 14, baseline, 30)
    if row.total is not None:
        y, half = baseline - 13, row.total.expanded_uncertainty
        middle = row.total.unrounded
        frame.line((_FROM, _TO), (y, y), colour=FAINT, width_px=2)
        frame.line((at.px(middle - half), at.px(middle + half)), (y, y), colour=SPAN, width_px=6)
        frame.dot(at.px(middle), y, 24, colour=MARK)
