"""Years of invented trials in one journal, written as fast as a file takes them, to measure what reads them.

Every event hangs on the chain as the service would have written it; only the way in is another, because a
commit to disk for each of half a million readings would take longer than what is measured.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path
from random import Random
from typing import Any

from acquire.chain import GENESIS, canonical_json, utc_text
from acquire.journal import Journal
from acquire.model import (
    CalibrationState,
    Inspection,
    Phase,
    Rating,
    RawRef,
    Reading,
    Stamp,
    Step,
    Test,
    Trial,
    UncertaintyPart,
)
from acquire.scoring.method import Method, parse_method
from tests.scoring_kit import SHIPPED

PANELS = ("A", "B")
SET_N = 6
READINGS_PER_TRIAL = 2 * 2 * 2 * SET_N + 2
"""Slip and gloss, bare and treated, on two panels; and two runs of strokes."""
START = datetime(2031, 1, 6, 8, 0, tzinfo=UTC)
BEHIND = timedelta(hours=30)

_Row = tuple[int, str, str, str, int, str, str, str]


def archive_method() -> Method:
    """The shipped method with as many readings of gloss as of slip."""
    assert SHIPPED.count("readings = 8 ") == 1
    return parse_method(SHIPPED.replace("readings = 8 ", f"readings = {SET_N} "), "benchmark")


def archive(path: Path, trials: int) -> None:
    """Writes the journal of `trials` trials, which follow each other in time, to a new file."""
    Journal.open(path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        with connection:
            connection.executemany("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?)", _rows(trials))


def _rows(trials: int) -> Iterator[_Row]:
    """Events with their links. A body is canonical already, so the text that is hashed is put together."""
    prev, seq = GENESIS, 0
    for number in range(trials):
        for kind, id_, at, body in _trial(number):
            seq += 1
            event_id, t_utc = id_ or f"{kind}-{seq}", utc_text(at)
            text = (
                f'{{"body":{body},"id":{json.dumps(event_id)},"kind":"{kind}","seq":{seq},'
                f'"t_mono_ns":{seq},"t_utc":"{t_utc}"}}'
            )
            link = hashlib.sha256((prev + text).encode("ascii")).hexdigest()
            yield seq, event_id, kind, t_utc, seq, body, prev, link
            prev = link


_Event = tuple[str, str | None, datetime, str]


def _trial(number: int) -> Iterator[_Event]:
    """One trial, a day and a bit: kind, id, time and canonical body of each event."""
    name, at, chance = f"trial-{number:05d}", START + BEHIND * number, Random(number)
    trial = Trial(id=name, product=f"{name} (invented)", panels=PANELS, t_utc=at)
    yield "trial", None, at, canonical_json(trial)
    yield from _measured(name, number, chance)
    yield from _washed(name, number)
    for test, panel in ((Test.HANDLING, "A"), (Test.APPEARANCE, "A"), (Test.APPEARANCE, "B")):
        rating = Rating(
            id=f"rating.{name}.{test.value}.{panel}",
            trial=name,
            step=Step(test=test, panel=panel),
            value=float(chance.randint(3, 9)),
            t_utc=at + timedelta(hours=22),
        )
        yield "rating", rating.id, rating.t_utc, canonical_json(rating)


def _measured(name: str, number: int, chance: Random) -> Iterator[_Event]:
    at = START + BEHIND * number
    gain_n, gain_gu = chance.uniform(0.2, 2.2), chance.uniform(-3.0, 6.0)
    phases: tuple[tuple[Phase, float, float], ...] = (
        ("bare", 3.1, 86.0),
        ("treated", 3.1 - gain_n, 86.0 + gain_gu),
    )
    for phase, force_n, gloss_gu in phases:
        sets = ((Test.SLIP, force_n, 0.04, 2), (Test.GLOSS, gloss_gu, 0.3, 1))
        for (test, centre, spread, digits), panel in product(sets, PANELS):
            at += timedelta(minutes=5)
            template = _template(name, number, test, panel, phase, at)
            for place in range(SET_N):
                yield _reading(template, place, round(chance.gauss(centre, spread), digits), at)
        at += timedelta(hours=10)


def _washed(name: str, number: int) -> Iterator[_Event]:
    """Two runs of strokes, each with an inspection: passed at 60 strokes, failed at 150."""
    for stage, strokes, hour in ((60, 60, 20), (150, 90, 21)):
        at = START + BEHIND * number + timedelta(hours=hour)
        template = _template(name, number, Test.WASH, "A", "treated", at, stage)
        event = _reading(template, 0, float(strokes), at)
        yield event
        inspection = Inspection(
            id=f"inspection.{name}.{stage}",
            trial=name,
            panel="A",
            stage=stage,
            strokes=stage,
            readings=(str(event[1]),),
            passed=stage == 60,
            t_utc=at,
        )
        yield "inspection", inspection.id, at, canonical_json(inspection)


_QUANTITIES: dict[Test, dict[str, Any]] = {
    Test.SLIP: {"quantity": "force", "unit": "N", "gauge": "force", "resolution": 0.01, "under_read": 0.004},
    Test.GLOSS: {"quantity": "gloss", "unit": "GU", "gauge": "gloss", "resolution": 0.1},
    Test.WASH: {"quantity": "count", "unit": "1", "gauge": "wash", "resolution": 1.0},
}
_ID, _VALUE = "the id of one", 123456.75


def _template(
    trial: str, number: int, test: Test, panel: str, phase: Phase, at: datetime, stage: int | None = None
) -> str:
    """A reading's canonical text with marks where one differs from the next of its set."""
    fields = _QUANTITIES[test]
    at_value = {Test.SLIP: 1.961, Test.GLOSS: 92.4, Test.WASH: 100.0}[test]
    return canonical_json(
        Reading(
            id=_ID,
            trial=trial,
            step=Step(test=test, panel=panel, phase=phase, stage=stage),
            value=_VALUE,
            t_utc=at,
            t_mono_ns=number,
            t_source="line position",
            raw=RawRef(recording=f"{trial}.rec", opening=0, first_byte=0, last_byte=900, ordinal=0),
            details={"highest_n": 3.2, "sliding_n": 2.4, "contact_s": 4.1}
            if test is Test.SLIP
            else {"angle_deg": 60, "channel": "60"},
            stamp=_stamp(str(fields["gauge"]), f"{fields['gauge']}.{number}", at_value, at),
            **fields,
        )
    )


def _stamp(gauge: str, check: str, at_value: float, at: datetime) -> Stamp:
    sizes = {
        f"reference of {gauge}": 0.0008,
        f"check {check}": 0.001,
        f"deviation {check}": 0.0015,
        f"certificate {gauge}": 0.002,
    }
    return Stamp(
        state=CalibrationState.IN_TOLERANCE,
        reason=f"passed against the reference of {gauge}, as invented for this benchmark",
        check=check,
        reference=f"reference of {gauge}",
        checked_utc=at - timedelta(minutes=30),
        age_s=1800.0,
        deviation=0.0015 * at_value,
        standard_uncertainty=0.0028 * at_value,
        at_value=at_value,
        parts=tuple(
            UncertaintyPart(source=key, key=key, standard_uncertainty=share * at_value)
            for key, share in sizes.items()
        ),
    )


def _reading(template: str, place: int, value: float, at: datetime) -> _Event:
    fact = hashlib.sha256(f"{template}{place}".encode()).hexdigest()[:24]
    event_id = f"r.{fact}#{place}"
    body = template.replace(_ID, event_id, 1).replace(str(_VALUE), repr(value), 1)
    return "reading", event_id, at + timedelta(seconds=10 * place), body
