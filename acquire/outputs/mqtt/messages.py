"""What travels on the bus: topics, and the models of all payloads. JSON in UTF-8.

    panelwright/1/BENCH/state               is the bench there, how far is the bus; retained
    panelwright/1/BENCH/event/KIND          events of the journal, in order; the last of each kind retained
    panelwright/1/BENCH/gauge/NAME          port, newest check, what it is doing; retained
    panelwright/1/BENCH/scorecard/TRIAL     as it stands now; retained
    panelwright/1/BENCH/standings           as they stand now; retained
    panelwright/1/BENCH/live/note           what the bench tells its people, at once, never repeated
    panelwright/1/BENCH/live/trace/NAME     the trace of a gauge, thinned, never repeated
    panelwright/1/BENCH/again               a request to the bench: events since a number, once more
    panelwright/1/BENCH/again/ASKER/event   the answer

The 1 is the version of topics and payloads. Within it, fields may be added: who reads must pass over what it
does not know. BENCH is the bench's name in small letters and digits, with hyphens.
"""

import json
import re
from datetime import datetime
from math import isfinite
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from acquire.calibration.brackets import Bracket
from acquire.calibration.checks import AbortedCheck, Check, CheckVerdict
from acquire.calibration.correction import Correction
from acquire.calibration.history import Incident
from acquire.chain import Event
from acquire.live import PortState
from acquire.model import (
    Amendment,
    Climate,
    Inspection,
    Model,
    Quantity,
    Rating,
    Reading,
    Refusal,
    Step,
    Trial,
    Unit,
)
from acquire.protocol_events import Application, PanelEvent, Sealed, StepEvent, Unsealed
from acquire.publications import Publication
from acquire.scoring.results import Scorecard
from acquire.scoring.standings import Standings

VERSION = "1"
FORMAT: Literal["panelwright-bus 1"] = "panelwright-bus 1"
ASKER = r"[a-z0-9][a-z0-9-]{0,63}"


class ClockStep(Model):
    """The calendar jumped, or the machine slept."""

    step_s: float


FACTS: dict[str, type[Model]] = {
    "trial": Trial,
    "reading": Reading,
    "refusal": Refusal,
    "check": Check,
    "check aborted": AbortedCheck,
    "incident": Incident,
    "amendment": Amendment,
    "rating": Rating,
    "inspection": Inspection,
    "climate": Climate,
    "clock step": ClockStep,
    "bracket": Bracket,
    "correction": Correction,
    "step": StepEvent,
    "application": Application,
    "panel": PanelEvent,
    "sealed": Sealed,
    "unsealed": Unsealed,
    "published": Publication,
}
"""The kinds of events that are published; others, such as texts of gauge descriptions, stay at the bench.

A body is as its event stands in the journal; of sealed products that is their names, not which is which."""


class Wire(BaseModel):
    """Base of all payloads."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    format: Literal["panelwright-bus 1"] = FORMAT
    bench: str
    """The bench's name as its people wrote it."""


class EventMessage(Wire):
    """One event of the journal. Delivered at least once: whoever has seen `seq` of a bench drops it."""

    seq: int
    """Number in the journal. Rises, with gaps where events are not published."""
    id: str
    kind: str
    t_utc: datetime
    follows: int
    """`seq` of the event published before this one; whoever has not seen that has missed something."""
    hash: str
    """Of the event, in the journal's chain."""
    body: dict[str, Any]


class BenchState(Wire):
    """Whether the bench's bus is there. The broker itself says that it is not, if it vanishes."""

    online: bool
    said: str
    t_utc: datetime
    """When the bus said so; in a last will, when it had connected."""
    seq: int
    """Number of the newest event that was delivered."""
    journal: str
    """Hash of the journal's first event. Another one: another journal, whose numbers begin anew."""
    waiting_n: int = 0
    """How many events of the journal are newer than that."""


class CheckSeen(Model):
    """The newest check of a gauge, by channel."""

    id: str
    channel: str | None
    reference: str
    t_utc: datetime
    verdict: CheckVerdict
    deviation: float


class GaugeMessage(Wire):
    """A gauge as it stands."""

    gauge: str
    port: PortState | None = None
    """None: no service tells; what was last written down stands in `incident`."""
    said: str = ""
    quantity: Quantity | None = None
    unit: Unit | None = None
    trial: str | None = None
    step: Step | None = None
    taken_n: int | None = None
    wanted_n: int | None = None
    checks: tuple[CheckSeen, ...] = ()
    incident: str | None = None
    """What last happened to it, as the journal has it."""
    incident_t_utc: datetime | None = None


class ScorecardMessage(Wire):
    """A scorecard as it stands; `seq` is the journal's newest event when it was worked out."""

    seq: int
    scorecard: Scorecard


class StandingsMessage(Wire):
    """The standings as they stand; `seq` as in a scorecard's message."""

    seq: int
    standings: Standings


class NoteMessage(Wire):
    """What the bench just told its people."""

    t_utc: datetime
    kind: str
    text: str
    gauge: str
    taken_n: int | None = None
    wanted_n: int | None = None
    about: str | None = None
    """Id of the reading or refusal it is about, if any."""
    missed_n: int = 0
    """So many notes before it were dropped, because they could not be sent in time."""


class TraceMessage(Wire):
    """A piece of a gauge's trace, thinned: the lowest and highest value in each fiftieth of a second."""

    gauge: str
    unit: Unit
    start_utc: datetime
    """What `t_s` counts from: when the gauge's recording began."""
    t_s: list[float]
    values: list[float | None]
    """As many as `t_s`; null where the gauge gave no good value."""
    missed_n: int = 0
    """So many points before it were dropped."""


class AgainRequest(BaseModel):
    """Asks a bench for its events after number `since` once more, under `again/ASKER/event`."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True)

    format: Literal["panelwright-bus 1"] = FORMAT
    asker: Annotated[str, Field(pattern=f"^{ASKER}$")]
    since: Annotated[int, Field(ge=0)]


def bench_slug(name: str) -> str:
    """A bench's name as it stands in topics."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "bench"


def topic(bench: str, *parts: str) -> str:
    """A topic of the bench of that name."""
    return "/".join(("panelwright", VERSION, bench_slug(bench), *(part.replace(" ", "-") for part in parts)))


def event_payload(bench: str, event: Event, follows: int) -> bytes:
    """An event as it is published: its body word for word."""
    return encode(
        {
            "format": FORMAT,
            "bench": bench,
            "seq": event.seq,
            "id": event.id,
            "kind": event.kind,
            "t_utc": event.t_utc.isoformat(),
            "follows": follows,
            "hash": event.hash,
            "body": event.body,
        }
    )


def encode(said: BaseModel | dict[str, Any]) -> bytes:
    """As JSON; what is not a number is null, as the standard knows no NaN."""
    plain = said.model_dump(mode="json") if isinstance(said, BaseModel) else said
    return json.dumps(
        _finite(plain), ensure_ascii=False, separators=(",", ":"), allow_nan=False, sort_keys=True
    ).encode()


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return None if isinstance(value, float) and not isfinite(value) else value
