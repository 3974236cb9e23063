"""The words that travel between rooms: a reading, its stamp, and where its bytes are.

These are pydantic models because they are written to the journal and read back from it, years later and by
other programs. They are frozen: later knowledge is a new event, never a change.
"""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Quantity = Literal["force", "gloss", "count", "temperature", "humidity", "mass", "irradiance"]
Unit = Literal["N", "GU", "1", "degC", "%", "g", "W/m2"]
UNIT_OF: dict[Quantity, Unit] = {
    "force": "N",
    "gloss": "GU",
    "count": "1",
    "temperature": "degC",
    "humidity": "%",
    "mass": "g",
    "irradiance": "W/m2",
}
"""The unit in which values of each quantity travel and are kept."""


class Model(BaseModel):
    """Base of everything that is written down: frozen, and unknown keys are an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="constants")


class CalibrationState(StrEnum):
    IN_TOLERANCE = "in tolerance"
    UNCHECKED = "unchecked today"
    OVERDUE = "overdue"
    OUT_OF_TOLERANCE = "out of tolerance"
    DOUBTFUL = "doubtful"


class UncertaintyPart(Model):
    """One reason why a gauge's value is uncertain."""

    source: str
    """For a person: what it is."""
    key: str
    """The same in two stamps where the error is the same one, and so stays correlated between readings."""
    standard_uncertainty: float
    """In the reading's unit (k = 1), at the stamp's `at_value`."""
    distribution: Literal["normal", "rectangular"] = "normal"
    degrees_of_freedom: float | None = None
    """None: infinite, or not stated."""


class Stamp(Model):
    """Calibration state of a gauge at the moment a reading was logged, and what it rests on."""

    state: CalibrationState
    reason: str
    """One sentence for a person."""
    check: str | None = None
    """Id of the journal event of the check it rests on."""
    reference: str | None = None
    checked_utc: datetime | None = None
    age_s: float | None = None
    deviation: float | None = None
    """Measured minus assigned value at that check, in the reading's unit."""
    standard_uncertainty: float = 0.0
    """Of the gauge, from reference, check and certificate, in the reading's unit (k = 1)."""
    at_value: float | None = None
    """Assigned value of the reference at that check: the value `standard_uncertainty` was found at. None
    where no check stands behind it; then it holds at the reading's own value."""
    parts: tuple[UncertaintyPart, ...] = ()
    """What `standard_uncertainty` is the root sum of squares of; empty in journals of earlier versions."""
    drift: float | None = None
    """Deviation at that check minus the one at the check before it against the same reference."""
    drift_standard_uncertainty: float | None = None
    """What the gauge may have drifted since that check, by this reading's age; None: not known."""
    drift_basis: str = ""
    """How that is known, for a person."""
    closing_due: bool = False
    """By the bench's rule the reading is only confirmed by a check after it that passes."""


class AppliedCorrection(Model):
    """A fitted correction that a person switched on, as one reading used it."""

    id: str
    """Id of the journal event of the correction."""
    amount: float
    """To be added to the value shown, in the reading's unit."""
    standard_uncertainty: float
    """Of the corrected value from the fit alone (k = 1)."""


class RawRef(Model):
    """Where the bytes of a reading are."""

    recording: str
    """File name inside the bench's recordings folder."""
    opening: int
    """Which opening of the port inside the recording, from 0; stream offsets start anew at each."""
    first_byte: int
    last_byte: int
    """Stream offsets, half-open: of the bytes received since that opening, `first_byte` up to `last_byte`."""
    ordinal: int
    """Number of this item among all that capture took from the recording, from 0."""


class Test(StrEnum):
    SLIP = "slip"
    GLOSS = "gloss"
    WASH = "wash endurance"
    HANDLING = "handling"
    APPEARANCE = "appearance"
    UV = "UV screening"


Phase = Literal["bare", "treated"]


class Step(Model):
    """One step of a trial: which test, on which panel, before or after the product, at which wash stage."""

    test: Test
    panel: str
    phase: Phase = "treated"
    stage: int | None = None
    """Wash stage in strokes or washes, where the test has stages."""
    zone: str | None = None
    """Part of the panel, such as its untreated control zone; None: the part that is treated."""

    def __str__(self) -> str:
        words = [self.phase, self.test.value, "on", self.panel]
        if self.zone is not None:
            words.append(f"({self.zone})")
        if self.stage is not None:
            words.append(f"at stage {self.stage}")
        return " ".join(words)


Details = dict[str, float | int | str | bool | None]


class Reading(Model):
    """A value accepted for one step of a trial, stamped."""

    id: str
    trial: str
    step: Step
    quantity: Quantity
    value: float
    unit: Unit
    resolution: float = 0.0
    """Display step of the gauge in `unit`; its standard uncertainty is resolution / sqrt(12)."""
    under_read: float = 0.0
    """How far the value may lie below the true one at this sample rate, in `unit` (see capture)."""
    gauge: str
    t_utc: datetime
    t_mono_ns: int
    """Nanoseconds since the recording began: the same live and replayed."""
    t_source: Literal["device", "line position", "host read", "typed in"]
    raw: RawRef
    details: Details = Field(default_factory=dict)
    """What capture found besides the value; for a pull: highest_n, sliding_n, contact_s and so on."""
    extra: bool = False
    """Offered beyond the number the method asks for: kept, and not counted unless a person says so."""
    flagged: str | None = None
    """Why the value stands out (Grubbs), if it does."""
    counts: Annotated[bool | None, Field()] = None
    """A person's ruling whether it counts; None leaves it to the method."""
    correction: AppliedCorrection | None = None
    """`value` is always as the gauge showed it; scoring adds the correction."""
    stamp: Stamp
    bracket: Literal["open", "confirmed", "failed"] = "open"
    """As known now: a check after it passed ("confirmed") or failed; a reading is always logged as "open"."""


class Refusal(Model):
    """A value that capture found and would not accept: kept, with the reasons, and never scored."""

    id: str
    trial: str | None
    step: Step | None
    """What was being measured, if anything."""
    quantity: Quantity
    value: float | None
    """None where the gauge gave no number, such as on overload."""
    unit: Unit
    gauge: str
    t_utc: datetime
    t_mono_ns: int
    raw: RawRef
    reasons: tuple[str, ...]
    details: Details = Field(default_factory=dict)


class Amendment(Model):
    """Later knowledge about one reading; the reading itself stays as it was logged."""

    reading: str
    """Id of the reading."""
    what: Literal["doubtful", "cleared", "flagged", "unflagged", "ruling"]
    """`cleared` takes a doubt back, `unflagged` a flag."""
    reason: Annotated[str, Field(min_length=1)]
    by: str = ""
    """Who said so; empty for a rule of the program."""
    check: str | None = None
    """For a doubt: id of the event of the failed check."""
    counts: bool | None = None
    """For a ruling: whether the reading counts; None leaves it to the method again."""


class Rating(Model):
    """A person's judgement on the method's scale."""

    id: str
    trial: str
    step: Step
    value: float
    t_utc: datetime


class Inspection(Model):
    """Answer at one wash stage: does water still behave?"""

    id: str
    trial: str
    panel: str
    stage: int
    strokes: int
    """Strokes actually counted since the panel was first washed."""
    readings: tuple[str, ...] = ()
    """Ids of the stroke readings since the panel's inspection before this one."""
    passed: bool
    against_control: Literal["better", "same", "worse"] | None = None
    """How water behaves beside the untreated control zone washed along with it; None: not answered."""
    cut_through: bool = False
    """The finish is cut through, worse than the control zone shows."""
    note: str = ""
    t_utc: datetime


class Trial(Model):
    """One product (or the untreated control) on its panels, through every step of the protocol."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
    product: Annotated[str, Field(min_length=1)]
    panels: Annotated[tuple[str, ...], Field(min_length=1)]
    control: bool = False
    """Left untreated, to show what washing alone does."""
    product_class: str | None = None
    """What kind of product it is, such as "spray sealant"; standings can be filtered by it."""
    protocol: str | None = None
    """SHA-256 of the protocol it was opened under, whose text the journal keeps; None: it has none."""
    imported: bool = False
    """Typed in from earlier results, not measured here."""
    t_utc: datetime


class Climate(Model):
    """What surrounds the tests, as a gauge told it: temperature, humidity, product used, UV. Never scored."""

    gauge: str
    quantity: Quantity
    value: float
    unit: Unit
    channel: str | None = None
    where: Literal["room", "panel"]
    outside: str | None = None
    """Why a value of the room lies outside the standard atmosphere, if it does."""
    atmosphere: str | None = None
    """Which standard atmosphere it was held against."""
    t_utc: datetime
    raw: RawRef


class BenchText(Model):
    """The bench file as used from here on (kind "bench"); written whenever it differs from the last."""

    text: str
    sha256: str
    """Of the text, as UTF-8."""


class StreamStart(Model):
    """The start of a recording: all that is needed to get its readings out of its bytes again."""

    recording: str
    """File name inside the bench's recordings folder."""
    gauge: str
    description: str
    """Name of the gauge description."""
    description_text: str
    description_sha256: str
    capture: dict[str, float | None]
    """Capture settings that were chosen over those derived from the gauge."""
    capture_version: int = 1
    """`CAPTURE_VERSION` of the program that captured."""
    place: int = 0
    places: int = 1
    """Of several gauges on one line, which this is: they share a recording and number their items in turn."""
    t_utc: datetime
