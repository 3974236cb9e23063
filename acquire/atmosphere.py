"""The standard atmosphere of the room: what it is, and whether a value lies within it."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from drivers.keys import OneLine


class Atmosphere(BaseModel):
    """The standard atmosphere that the room is held against.

    By default that of ISO 3270:1984 for paints: 23 ± 2 °C and 50 ± 5 %.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    name: OneLine = "ISO 3270:1984"
    temperature_degc: Annotated[float, Field(ge=-50, le=100)] = 23.0
    temperature_within: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 2.0
    humidity_percent: Annotated[float, Field(ge=0, le=100)] = 50.0
    humidity_within: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 5.0

    def outside(self, quantity: str, value: float) -> str | None:
        """Why a value of the room (°C or %) lies outside, in words; None if it does not. Limits belong to it.

        Of quantities that it does not speak of nothing is outside.
        """
        if quantity == "temperature":
            middle, within, unit = self.temperature_degc, self.temperature_within, "degC"
        elif quantity == "humidity":
            middle, within, unit = self.humidity_percent, self.humidity_within, "%"
        else:
            return None
        # In display steps a hundred times finer than any sensor: 25.0 must not fail for a rounding of 2e-15.
        if round(abs(value - middle) - within, 6) <= 0:
            return None
        word = "above" if value > middle else "below"
        limit = middle + within if value > middle else middle - within
        return f"{value:g} {unit} is {word} {limit:g} {unit} ({self.name})"
