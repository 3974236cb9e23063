"""Tables of the bench file that say when gauges are checked and what against: weights, tiles, strokes."""

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from drivers.keys import OneLine

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
CoverageFactor = Annotated[float, Field(ge=1, le=4)]


class Table(BaseModel):
    """Base of the tables in the file: strict, frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


CheckAfter = Literal["re-plug", "drop", "battery change", "adjustment"]


class GaugeRules(Table):
    """When a gauge must be checked again, whatever its last check said."""

    at_start_of_day: bool = True
    """A check holds no longer than the day it was made on."""
    every_h: Annotated[float, Field(gt=0, le=168)] | None = None
    """A check holds this long; left out: `check_valid_h` of the gauge."""
    after: Annotated[tuple[CheckAfter, ...], Field(strict=False)] = ("drop", "battery change", "adjustment")
    """What takes the proof from the checks before it."""
    before_trial: bool = False
    """A check must have passed since the trial was opened."""
    after_trial: bool = False
    """A trial's readings wait for a check after them that passes."""


class Weight(Table):
    """A check weight; `mass_g` is its conventional mass, as certificates state it."""

    kind: Literal["weight"]
    mass_g: Positive
    expanded_uncertainty: NotNegative
    """Of the mass, in g."""
    coverage_factor: CoverageFactor = 2.0
    certificate: OneLine
    due: date
    density_kg_m3: Annotated[float, Field(ge=1000, le=25000)] | None = None
    """Of its material, for the share that the air carries; None: a weight of steel, iron or brass."""
    care: OneLine | None = None
    """How it is kept and handled."""


class Tile(Table):
    """A gloss standard with its assigned value at each angle it is certified for."""

    kind: Literal["tile"]
    gloss_gu: Annotated[dict[Literal["20", "45", "60", "75", "85"], Positive], Field(min_length=1)]
    expanded_uncertainty: NotNegative
    """Of each value, in GU."""
    coverage_factor: CoverageFactor = 2.0
    certificate: OneLine
    due: date
    refractive_index: Annotated[float, Field(gt=1, lt=3)] | None = None
    """Of polished black glass: from it follows what its values should be near."""
    care: OneLine | None = None


class Strokes(Table):
    """A number of strokes counted by hand; needs no certificate."""

    kind: Literal["strokes"]
    strokes: Annotated[int, Field(gt=0)]
    expanded_uncertainty: NotNegative = 0.0
    """Of the hand count, in strokes."""
    coverage_factor: CoverageFactor = 2.0
    certificate: str = ""
    due: date | None = None
    care: OneLine | None = None
