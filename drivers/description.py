"""What a gauge is and how to talk to it, read from one TOML file.

The part every gauge shares is checked here. The table of its driver family (for ASCII lines: `[line]`) is
checked by the model that family declares, so this module knows no family.
"""

import tomllib
from collections.abc import Iterable
from hashlib import sha256
from importlib.metadata import EntryPoint
from math import isfinite
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    InstanceOf,
    ValidationError,
    ValidationInfo,
    field_validator,
)

from drivers.base import Driver
from drivers.keys import OneLine, faults, one_line
from drivers.registry import DriverLoadError, driver_class

UNITS: dict[str, dict[str, float]] = {
    "force": {
        "N": 1.0,
        "kN": 1000.0,
        "mN": 0.001,
        "kgf": 9.80665,
        "gf": 0.00980665,
        "lbf": 4.4482216152605,
        "ozf": 0.27801385095378125,
    },
    "gloss": {"GU": 1.0},
    "count": {"1": 1.0},
    "temperature": {"degC": 1.0},
    "humidity": {"%": 1.0},
    "mass": {"g": 1.0, "kg": 1000.0, "mg": 0.001},
    "irradiance": {"W/m2": 1.0, "mW/cm2": 10.0},
}
"""Units of each quantity and their size in the first one, exact by definition. Needed to hold a line in
another unit against the gauge's range; samples are never converted here."""


class DescriptionError(ValueError):
    """A description does not say what it should. `faults` holds every fault, each with its key."""

    def __init__(self, where: str, faults: list[str]) -> None:
        super().__init__(f"{where} cannot be used:\n" + "\n".join(f"  {fault}" for fault in faults))
        self.where = where
        self.faults = faults


def as_bytes(value: object) -> object:
    """Text of a TOML string as the bytes of a wire; anything else is left for the type check to refuse."""
    if not isinstance(value, str):
        return value
    try:
        return value.encode("latin-1")
    except UnicodeEncodeError:
        raise ValueError("only characters that are one byte on the wire can be used") from None


Wire = Annotated[bytes, BeforeValidator(as_bytes)]
"""Bytes of the wire, written as text: "D\\r", "\\u0002"."""
_Settings = TypeVar("_Settings", bound=BaseModel)
Quantity = Literal["force", "gloss", "count", "temperature", "humidity", "mass", "irradiance"]
Seconds = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Table(BaseModel):
    """Base of the tables in a description: strict, frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, validate_default=True)


class SerialSettings(Table):
    """How the port is opened. `dtr` and `rts` are set before it is."""

    baudrate: Annotated[int, Field(ge=50, le=4_000_000)]
    bytesize: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stopbits: Literal[1, 2] = 1
    flow_control: Literal["none", "xonxoff", "rtscts"] = "none"
    dtr: bool = True
    rts: bool = True

    @property
    def byte_s(self) -> float:
        """How long one byte takes on the line, with its start, parity and stop bits."""
        return (1 + self.bytesize + (self.parity != "none") + self.stopbits) / self.baudrate


class Timing(Table):
    """Who speaks first, how often, and how long silence may last."""

    mode: Literal["stream", "poll", "on event"]
    rate_hz: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    """Nominal lines per second of a stream."""
    request: Wire | None = None
    """What a polled gauge is asked, unless its driver family makes the requests."""
    period_s: Seconds | None = None
    reply_timeout_s: Seconds | None = None
    max_silence_s: Seconds | None = None
    """Longer silence means the gauge is lost; None where silence says nothing."""

    @field_validator("request", "period_s", "reply_timeout_s")
    @classmethod
    def _only_polled(cls, value: object, info: ValidationInfo) -> object:
        mode = info.data.get("mode")
        if mode == "poll" and not value and info.field_name != "request":
            raise ValueError('is needed when mode is "poll"')
        if mode in ("stream", "on event") and value is not None:
            raise ValueError(f'belongs to mode "poll", and mode is "{mode}"')
        return value

    @field_validator("rate_hz")
    @classmethod
    def _only_streamed(cls, value: float | None, info: ValidationInfo) -> float | None:
        mode = info.data.get("mode")
        if mode == "stream" and value is None:
            raise ValueError('is needed when mode is "stream"')
        if mode in ("poll", "on event") and value is not None:
            raise ValueError(f'belongs to mode "stream", and mode is "{mode}"')
        return value


class CommonKeys(Table):
    """The keys of a description file, but for the family's table."""

    title: OneLine
    driver: str
    quantity: Quantity
    unit: str
    resolution: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    range: Annotated[tuple[float, float], Field(strict=False)]
    tension: Literal["positive", "negative"] = "positive"
    serial: SerialSettings
    timing: Timing

    @field_validator("unit")
    @classmethod
    def _unit_of_quantity(cls, unit: str, info: ValidationInfo) -> str:
        units = list(UNITS.get(info.data.get("quantity", ""), ()))
        if units and unit not in units:
            raise ValueError(f"{unit!r} is not a unit of {info.data['quantity']}; known: {', '.join(units)}")
        return unit

    @field_validator("range")
    @classmethod
    def _rising(cls, limits: tuple[float, float]) -> tuple[float, float]:
        low, high = limits
        if not (isfinite(low) and isfinite(high) and low < high):
            raise ValueError(f"must be [lowest, highest], two finite numbers, not [{low}, {high}]")
        return limits

    @field_validator("tension")
    @classmethod
    def _only_force(cls, tension: str, info: ValidationInfo) -> str:
        if tension == "negative" and info.data.get("quantity") not in ("force", None):
            raise ValueError('"negative" only means something for a force')
        return tension


class GaugeDescription(CommonKeys):
    """A gauge as its description file tells it, frozen.

    `range` and `resolution` are in `unit`; `range` is meant after the sign convention (tension positive).
    `settings` is the table of the driver family, checked by that family.
    """

    name: str
    """The file's name without `.toml`."""
    text: str
    sha256: str
    """Of the file's bytes, in hex."""
    settings: InstanceOf[BaseModel]

    def settings_as(self, model: type[_Settings], family: str) -> _Settings:
        """The table of driver family `family`.

        Raises:
            TypeError: the gauge is described for another family.
        """
        if not isinstance(self.settings, model):
            raise TypeError(f"{self.name} is described for {self.driver!r}, not {family!r}")
        return self.settings

    @classmethod
    def of(cls, common: CommonKeys, settings: BaseModel, name: str, data: bytes) -> Self:
        return cls(
            **{key: getattr(common, key) for key in CommonKeys.model_fields},
            name=name,
            text=data.decode(),
            sha256=sha256(data).hexdigest(),
            settings=settings,
        )


def load_description(path: Path, known: Iterable[EntryPoint] | None = None) -> GaugeDescription:
    """Reads a description file.

    Args:
        path: the `.toml` file; its stem becomes the description's name.
        known: driver families to choose from; what is installed if left out.

    Raises:
        DescriptionError: the file cannot be read, or what is in it; lists all faults at once.
    """
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise DescriptionError(str(path), [f"cannot be read: {error.strerror}"]) from error
    return parse_description(data, Path(path).stem, where=str(path), known=known)


def parse_description(
    data: bytes, name: str, *, where: str = "", known: Iterable[EntryPoint] | None = None
) -> GaugeDescription:
    """Makes a description from a file's bytes, as kept by a journal or shipped in a package.

    Args:
        data: the file's bytes.
        name: what the description is called.
        where: what to call the file in errors; `name` if left out.
        known: driver families to choose from; what is installed if left out.

    Raises:
        DescriptionError: lists all faults at once.
    """
    where = where or name
    try:
        keys = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DescriptionError(where, [f"is not TOML: {error}"]) from error
    found: list[str] = []
    try:
        one_line(name)
    except ValueError as error:
        found.append(f"the file's name: {error}")
    family = _family(keys, found, known)
    settings = None if family is None else _family_settings(family, keys, found)
    if family is not None and not family.needs_port:
        found += _fill_in_port(keys)
    if settings is None:
        # Which of the other tables would have been the family's is not known: no second complaint about it.
        keys = {
            key: value
            for key, value in keys.items()
            if key in CommonKeys.model_fields or not isinstance(value, dict)
        }
    common = None
    try:
        common = CommonKeys.model_validate(keys)
    except ValidationError as error:
        found += faults(error, CommonKeys)
    if common is not None and family is not None:
        found += _request_faults(common.timing, family)
        if settings is not None:
            found += family.faults_in(common, settings)
    if found or common is None or settings is None:
        raise DescriptionError(where, found)
    return GaugeDescription.of(common, settings, name, data)


def _family(
    keys: dict[str, object], found: list[str], known: Iterable[EntryPoint] | None
) -> type[Driver] | None:
    name = keys.get("driver")
    if not isinstance(name, str):
        return None
    try:
        return driver_class(name, known)
    except DriverLoadError as error:
        found.append(f"driver: {error}")
        return None


def _family_settings(family: type[Driver], keys: dict[str, object], found: list[str]) -> BaseModel | None:
    """Takes the family's table out of `keys` and checks it; adds what is wrong to `found`."""
    key = family.settings_key
    if key not in keys:
        others = [other for other in keys if other not in CommonKeys.model_fields]
        hint = f"; found instead: {', '.join(others)}" if others else ""
        found.append(f"[{key}]: the table of driver family {keys['driver']!r} is missing{hint}")
        return None
    try:
        return family.Settings.model_validate(keys.pop(key))
    except ValidationError as error:
        found.extend(faults(error, family.Settings, key))
        return None


def _fill_in_port(keys: dict[str, object]) -> list[str]:
    """A gauge that is read by a person has neither line nor timing; what is said of them is never used."""
    said = [f"[{key}]: a gauge without a port has none; leave it out" for key in _PORT if key in keys]
    keys.update(_PORT)
    return said


_PORT: dict[str, dict[str, object]] = {"serial": {"baudrate": 9600}, "timing": {"mode": "on event"}}


def _request_faults(timing: Timing, family: type[Driver]) -> list[str]:
    if not family.asks_itself:
        needed = timing.mode == "poll" and not timing.request
        return ['timing.request: is needed when mode is "poll"'] if needed else []
    if timing.mode != "poll":
        return [f'timing.mode: this family asks its gauges, so it must be "poll", not "{timing.mode}"']
    if timing.request is not None:
        return ["timing.request: this family makes its requests itself; leave it out"]
    return []
