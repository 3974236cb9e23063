"""The method: how readings become points, as a tester writes it down in method.toml.

Parsed from text, because the core touches no disk; `Method.sha256` is the fingerprint of exactly that text
and travels with every scorecard.
"""

import hashlib
import tomllib
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Annotated, Any, Literal, Protocol, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    model_validator,
)

from acquire.errors import ConfigError
from acquire.model import CalibrationState
from acquire.scoring.rounding import Rounding
from acquire.scoring.statistics import Sides
from drivers.keys import OneLine, faults


class Section(BaseModel):
    """Base of every part of the method: frozen, strict, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _decimal(value: Any) -> Any:
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _float(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal) else value


def _stage(value: Any) -> Any:
    if value == "none":
        return None
    if isinstance(value, dict):
        return {key: _decimal(item) if key == "quantum" else item for key, item in value.items()}
    raise ValueError('write "none", or { quantum = 0.01, rule = "half-even" }')


Number = Annotated[Decimal, BeforeValidator(_decimal)]
"""A number that enters the published figures: kept as the decimal that was written."""
Real = Annotated[float, BeforeValidator(_float)]
Stage = Annotated[Rounding | None, BeforeValidator(_stage)]
"""How one stage is rounded; None (written "none") leaves it as it is."""
StampRule = Literal["use", "use and mark", "leave out"]
GaugeError = Literal["scale", "offset"]


class LocalGravity(Protocol):
    """Local gravity as a bench hands it over."""

    @property
    def value_m_s2(self) -> float: ...
    @property
    def standard_uncertainty_m_s2(self) -> float: ...
    @property
    def basis(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Gravity:
    """Local gravity and, for a person, where it comes from."""

    value_m_s2: float
    standard_uncertainty_m_s2: float
    basis: str


# From equator to pole at sea level gravity lies within 0.0265 m/s² of the standard value: rectangular.
ASSUMED_GRAVITY = Gravity(
    9.80665, 0.0265 / 3**0.5, "standard gravity, because neither method nor bench states the local value"
)


class Coverage(Section):
    coverage: Real = Field(default=0.95, gt=0, lt=1)
    """Probability of the expanded uncertainty."""


class StampRules(Section):
    """What to do with a reading, by the calibration state of its gauge when it was taken."""

    in_tolerance: StampRule
    unchecked: StampRule
    overdue: StampRule
    out_of_tolerance: StampRule
    doubtful: StampRule

    def rule(self, state: CalibrationState) -> StampRule:
        """The rule for one state."""
        match state:
            case CalibrationState.IN_TOLERANCE:
                return self.in_tolerance
            case CalibrationState.UNCHECKED:
                return self.unchecked
            case CalibrationState.OVERDUE:
                return self.overdue
            case CalibrationState.OUT_OF_TOLERANCE:
                return self.out_of_tolerance
            case CalibrationState.DOUBTFUL:
                return self.doubtful


class OutlierRules(Section):
    level: Real = Field(gt=0, lt=0.5)
    sides: Sides
    count: bool
    """Whether a flagged value counts all the same."""
    beyond_steps: Real = Field(default=1.0, ge=0)
    """A value within this many display steps of the mean is never flagged: only rounding sets it apart."""


class CaptureRules(Section):
    """What makes a pull acceptable; whatever is left out is decided from the gauge's noise and resolution."""

    min_force_n: Real | None = Field(default=None, gt=0)
    min_rest_s: Real | None = Field(default=None, gt=0)
    min_rise_s: Real | None = Field(default=None, gt=0)
    max_rise_s: Real | None = Field(default=None, gt=0)
    max_pull_s: Real | None = Field(default=None, gt=0)
    max_under_read_fraction: Real | None = Field(default=None, gt=0, lt=1)


class SlipRounding(Section):
    """Stages in their order; force in N."""

    force: Stage = None
    friction: Stage = None
    gain: Stage = None
    points: Stage = None


class Slip(Section):
    used: bool = True
    pulls: int = Field(ge=2)
    least_pulls: int | None = Field(default=None, ge=2)
    """Fewer counting pulls than this, and no score is given; None: as many as `pulls`."""
    counts: Literal["first", "highest"]
    block_mass_kg: Number = Field(gt=0)
    block_mass_standard_uncertainty_kg: Real = Field(ge=0)
    gravity_m_s2: Number | None = Field(default=None, gt=9, lt=10)
    """Stated here, it goes before what the bench says."""
    gravity_standard_uncertainty_m_s2: Real = Field(default=0.0, ge=0)
    gauge_error: GaugeError
    points_per_unit: Number
    rounding: SlipRounding = SlipRounding()
    capture: CaptureRules = CaptureRules()

    @property
    def asked(self) -> int:
        return self.pulls

    @property
    def least(self) -> int:
        return self.pulls if self.least_pulls is None else self.least_pulls

    @model_validator(mode="after")
    def _least_fits(self) -> Self:
        if self.least > self.asked:
            raise ValueError(f"least_pulls ({self.least}) is more than pulls ({self.asked})")
        return self

    def gravity(self, bench: LocalGravity | None) -> LocalGravity:
        """The method's own value, else the bench's, else standard gravity with the doubt that it brings."""
        if self.gravity_m_s2 is None:
            return bench or ASSUMED_GRAVITY
        value = float(self.gravity_m_s2)
        return Gravity(value, self.gravity_standard_uncertainty_m_s2, "stated in the method")


class GlossRounding(Section):
    """Stages in their order: mean of a panel and phase, change, points."""

    mean: Stage = None
    change: Stage = None
    points: Stage = None


class Gloss(Section):
    used: bool = True
    angle_deg: Literal[20, 45, 60, 75, 85]
    readings: int = Field(ge=2)
    least_readings: int | None = Field(default=None, ge=2)
    gauge_error: GaugeError
    points_per_unit_gained: Number
    points_per_unit_lost: Number
    """Points for each gloss unit lost: negative takes points away."""
    rounding: GlossRounding = GlossRounding()

    @property
    def asked(self) -> int:
        return self.readings

    @property
    def least(self) -> int:
        return self.readings if self.least_readings is None else self.least_readings

    @model_validator(mode="after")
    def _least_fits(self) -> Self:
        if self.least > self.asked:
            raise ValueError(f"least_readings ({self.least}) is more than readings ({self.asked})")
        return self


class WashStage(Section):
    at: int = Field(ge=0)
    points: Number


class Wash(Section):
    used: bool = True
    unit: Literal["strokes", "washes"]
    strokes_per_wash: int | None = Field(default=None, gt=0)
    """With it, an inspection made before its stage was reached does not count."""
    stages: list[WashStage] = Field(min_length=1)
    rounding: Stage = None
    """Of the mean over panels."""

    @model_validator(mode="after")
    def _stages_ascend(self) -> Self:
        at = [stage.at for stage in self.stages]
        if at != sorted(set(at)):
            raise ValueError(f"stages must ascend without repeats, not {at}")
        if self.unit == "strokes" and self.strokes_per_wash is not None:
            raise ValueError('strokes_per_wash goes with unit = "washes" only')
        return self

    def strokes_at(self, stage: int) -> int | None:
        """How many strokes `stage` stands for; None if the method does not say."""
        if self.unit == "strokes":
            return stage
        return None if self.strokes_per_wash is None else stage * self.strokes_per_wash


class ScaleRounding(Section):
    mean: Stage = None
    points: Stage = None


def _anchors(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    try:
        return {Decimal(key): text for key, text in value.items()}
    except InvalidOperation as error:
        raise ValueError('each is a value of the scale and what it means, such as 5 = "..."') from error


class Scale(Section):
    """A person's judgement from `min` to `max` in steps."""

    used: bool = True
    min: Number
    max: Number
    step: Number = Field(gt=0)
    points_per_unit: Number
    anchors: Annotated[dict[Decimal, OneLine], BeforeValidator(_anchors)] = Field(default_factory=dict)
    """What some values of the scale mean, in words."""
    rounding: ScaleRounding = ScaleRounding()

    @model_validator(mode="after")
    def _steps_fit(self) -> Self:
        if self.min >= self.max or (self.max - self.min) % self.step != 0:
            raise ValueError(
                f"from min {self.min} to max {self.max} must be a whole number of steps of {self.step}"
            )
        off = [str(at) for at in sorted(self.anchors) if not self.has(Fraction(at))]
        if off:
            raise ValueError(f"anchors stand on no step of the scale: {', '.join(off)}")
        return self

    def has(self, value: Fraction) -> bool:
        """Whether a value is on the scale."""
        low = Fraction(self.min)
        return low <= value <= Fraction(self.max) and (value - low) % Fraction(self.step) == 0

    def anchor_lines(self) -> list[str]:
        """The anchors from low to high, one line each, to be shown where a rating is asked for."""
        return [f"{at}: {text}" for at, text in sorted(self.anchors.items())]


class Uv(Section):
    """UV screening: irradiance under the treated film against bare, beside an untreated control zone."""

    used: bool = True
    readings: int = Field(default=6, ge=2)
    least_readings: int | None = Field(default=None, ge=2)
    alpha: Real = Field(default=0.05, gt=0, lt=0.5)
    """Probability of seeing an effect where there is none."""
    beta: Real = Field(default=0.05, gt=0, lt=0.5)
    """Probability of missing an effect of just the smallest detectable size."""
    control: bool = True
    """Withhold the result where no control zone was measured alongside."""
    points_if_detected: Number = Decimal(0)

    @property
    def asked(self) -> int:
        return self.readings

    @property
    def least(self) -> int:
        return self.readings if self.least_readings is None else self.least_readings

    @model_validator(mode="after")
    def _least_fits(self) -> Self:
        if self.least > self.asked:
            raise ValueError(f"least_readings ({self.least}) is more than readings ({self.asked})")
        return self


class Method(Section):
    """Everything that turns readings into points. Make it with `parse_method`."""

    format: Literal["panelwright-method 1"]
    title: OneLine
    uncertainty: Coverage = Coverage()
    stamps: StampRules
    outliers: OutlierRules
    slip: Slip
    gloss: Gloss
    wash: Wash
    handling: Scale
    appearance: Scale
    uv: Uv = Uv(used=False)

    _text: str = PrivateAttr("")
    _sha256: str = PrivateAttr("")

    @property
    def text(self) -> str:
        """What it was parsed from."""
        return self._text

    @property
    def sha256(self) -> str:
        """Hexadecimal SHA-256 of the method's text, as UTF-8."""
        return self._sha256


def parse_method(text: str, where: str) -> Method:
    """Reads a method.

    Args:
        text: the content of a method.toml.
        where: what to call it in messages, for example its path.

    Raises:
        ConfigError: with every fault at once, each with its key.
    """
    try:
        # As decimals, so that 0.1 stays the tenth that was written.
        table = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{where}: not valid TOML: {error}", hint="mend that line") from error
    try:
        method = Method.model_validate(table)
    except ValidationError as error:
        found = faults(error, Method)
        raise ConfigError(
            f"{where}: {len(found)} fault(s)\n" + "\n".join(f"  {fault}" for fault in found),
            hint="correct the keys named and try again",
        ) from error
    method._text = text
    method._sha256 = hashlib.sha256(text.encode()).hexdigest()
    return method
