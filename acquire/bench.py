"""The bench as its file describes it: where it stands, which gauges it has, what they are proved against.

`load_bench` reads `bench.toml` into one frozen `Bench`, or names everything that is wrong with it at once.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, date, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, Field, PrivateAttr, ValidationError, field_validator, model_validator

from acquire.address import Address, parse_address
from acquire.atmosphere import Atmosphere
from acquire.errors import ConfigError
from acquire.gravity import Gravity, Place, gravity_at
from acquire.tables import CoverageFactor, GaugeRules, NotNegative, Positive, Strokes, Table, Tile, Weight
from drivers.description import DescriptionError, load_description
from drivers.keys import OneLine, faults, nearest
from drivers.modbus_settings import ModbusSettings

_NAME = re.compile(r"[a-z0-9]+([-_][a-z0-9]+)*")
_OFFSET = re.compile(r"([+-])(0\d|1[0-4]):([0-5]\d)")

_T = TypeVar("_T", bound=BaseModel)


class Certificate(Table):
    """A gauge's calibration certificate; the uncertainty is in N, GU or strokes."""

    number: OneLine
    due: date
    """Last day on which it holds, in the bench's time zone."""
    expanded_uncertainty: NotNegative
    coverage_factor: CoverageFactor = 2.0

    @property
    def standard_uncertainty(self) -> float:
        return self.expanded_uncertainty / self.coverage_factor


class Tolerance(Table):
    """How far a check may deviate: absolute (N, GU, strokes) or relative to the assigned value."""

    absolute: Positive | None = None
    relative: Annotated[float, Field(gt=0, lt=0.5)] | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if (self.absolute is None) == (self.relative is None):
            raise ValueError("give either absolute or relative")
        return self

    def at(self, value: float) -> float:
        """The permitted deviation at `value`, in its unit."""
        return self.absolute if self.absolute is not None else (self.relative or 0.0) * abs(value)


class Decision(Table):
    """How a check's uncertainty is weighed when its verdict is found."""

    guard: Annotated[float, Field(ge=0, le=3)] = 1.0
    """Guard band w = guard * U: to pass, a deviation must stay so far inside the tolerance. 0: simple
    acceptance, where up to one pass in two may be wrong at the limit; 1: fewer than one in forty."""


class BenchGauge(Table):
    """One gauge of the bench."""

    description: OneLine
    """Name of its description file, without `.toml`."""
    port: OneLine
    tolerance: Tolerance
    where: Literal["room", "panel"] = "room"
    """What a temperature is of: only that of the room is held against the standard atmosphere."""
    decision: Decision = Decision()
    check_valid_h: Annotated[float, Field(gt=0, le=24)] = 24.0
    """A check holds this long; and by the rules' default never beyond the end of its day."""
    rules: GaugeRules = GaugeRules()
    drift_per_h: NotNegative | None = None
    """It drifts by no more than this within an hour, to either side, in N, GU or strokes: used until its own
    checks tell more."""
    certificate: Certificate | None = None

    @model_validator(mode="after")
    def _one_interval(self) -> Self:
        if self.rules.every_h is not None and "check_valid_h" in self.model_fields_set:
            raise ValueError("give either check_valid_h or rules.every_h: both say how long a check holds")
        return self

    @property
    def holds_h(self) -> float:
        """How long a check holds."""
        return self.check_valid_h if self.rules.every_h is None else self.rules.every_h

    @field_validator("port")
    @classmethod
    def _an_address(cls, text: str) -> str:
        parse_address(text)
        return text


Reference = Weight | Tile | Strokes
_KINDS: dict[str, type[Weight] | type[Tile] | type[Strokes]] = {
    "weight": Weight,
    "tile": Tile,
    "strokes": Strokes,
}


class _Head(Table):
    """The keys of the file outside the tables of gauges and references."""

    format: Literal["panelwright-bench 1"]
    name: OneLine
    time_zone: str
    place: Place | None = None
    atmosphere: Atmosphere = Atmosphere()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, text: str) -> str:
        zone_named(text)
        return text


class Bench(_Head):
    """A whole bench, consistent in itself."""

    gauges: dict[str, BenchGauge]
    references: dict[str, Reference]

    _text: str = PrivateAttr("")

    @property
    def text(self) -> str:
        """Content of the file it was read from."""
        return self._text

    @property
    def zone(self) -> tzinfo:
        """Decides when a day begins, for due dates and for "today"."""
        return zone_named(self.time_zone)

    @property
    def with_port(self) -> list[str]:
        """Gauges that are connected; the values of the others are typed in."""
        return [name for name, gauge in self.gauges.items() if gauge.port != "none"]

    def lines(self, names: Iterable[str]) -> list[list[str]]:
        """The gauges `names` by the port they are on, in order; most ports have one.

        Raises:
            ConfigError: there is no such gauge.
        """
        found: dict[Address, list[str]] = {}
        for name in names:
            found.setdefault(parse_address(self.gauge(name).port), []).append(name)
        return list(found.values())

    def gravity(self) -> Gravity:
        """Local gravity from the bench's place if that is given, else the standard value."""
        return gravity_at(self.place)

    def gauge(self, name: str) -> BenchGauge:
        """Raises ConfigError with the nearest known name."""
        return _named(self.gauges, name, "gauge")

    def reference(self, name: str) -> Reference:
        """Raises ConfigError with the nearest known name."""
        return _named(self.references, name, "reference")


_V = TypeVar("_V")


def _named(table: Mapping[str, _V], name: str, what: str) -> _V:
    if name not in table:
        raise ConfigError(f"this bench has no {what} {name!r}; {nearest(name, list(table))}")
    return table[name]


def zone_named(text: str) -> tzinfo:
    """UTC, an offset such as +01:00 (needs no time zone data), or a name of the IANA database.

    Raises:
        ValueError: it is none that this computer knows.
    """
    if text == "UTC":
        return UTC
    if offset := _OFFSET.fullmatch(text):
        ahead = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        return timezone(ahead if offset[1] == "+" else -ahead)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f'{text!r} is no time zone known on this computer; write "UTC", an offset such as "+01:00",'
            ' or a name such as "Europe/London"'
        ) from None


def load_bench(path: Path, descriptions: Path) -> Bench:
    """Reads a bench file.

    Args:
        path: the `bench.toml`.
        descriptions: folder of the gauge descriptions that it names.

    Raises:
        ConfigError: the file cannot be read, or what is in it; names all faults at once, each with its key.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise ConfigError(f"{path} cannot be read: {error.strerror}", hint="check the path") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is not UTF-8 text: {error}", hint="save it as UTF-8") from error
    return parse_bench(text, str(path), descriptions)


def parse_bench(text: str, where: str, descriptions: Path | None = None) -> Bench:
    """Reads the text of a bench file.

    Args:
        where: what to call it in messages, for example its path.
        descriptions: as for `load_bench`; without it, gauges are not held against their descriptions.

    Raises:
        ConfigError: names all faults at once, each with its key.
    """
    try:
        keys = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{where} is not TOML: {error}", hint="mend the line that is named") from error
    found: list[str] = []
    gauges = _gauges(keys, found)
    references = _references(keys, found)
    head = _validated(_Head, keys, "", found)
    if descriptions is not None:
        found += _cross_checks(gauges, descriptions)
    if found or head is None:
        raise ConfigError(
            f"{where} cannot be used:\n" + "\n".join(f"  {fault}" for fault in found),
            hint="mend these keys and start again",
        )
    bench = Bench(**dict(head), gauges=gauges, references=references)
    bench._text = text
    return bench


def _gauges(keys: dict[str, Any], found: list[str]) -> dict[str, BenchGauge]:
    checked = {}
    for name, where, table in _tables(keys, "gauges", found):
        gauge = _validated(BenchGauge, table, where, found)
        if gauge is not None:
            checked[name] = gauge
    return checked


def _references(keys: dict[str, Any], found: list[str]) -> dict[str, Reference]:
    checked = {}
    for name, where, table in _tables(keys, "references", found):
        model = _KINDS.get(str(table.get("kind")))
        if model is None:
            found.append(f"{where}.kind: must be one of {', '.join(_KINDS)}, not {table.get('kind')!r}")
            continue
        reference = _validated(model, table, where, found)
        if reference is not None:
            checked[name] = reference
    return checked


def _tables(
    keys: dict[str, Any], section: str, found: list[str]
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Takes a section out of `keys`; gives name, full key and content of each table in it."""
    tables = keys.pop(section, {})
    if not (isinstance(tables, dict) and all(isinstance(table, dict) for table in tables.values())):
        found.append(f"{section}: must be tables, each with a name, such as [{section}.some-name]")
        return
    for name, table in tables.items():
        where = f"{section}.{name}"
        if not _NAME.fullmatch(name):
            found.append(f"{where}: a name is made of small letters, digits and single - or _ between them")
        yield name, where, table


def _validated(model: type[_T], table: Mapping[str, Any], where: str, found: list[str]) -> _T | None:
    try:
        return model.model_validate(table)
    except ValidationError as error:
        # For the nearest known key at the top, the sections that were taken out count as known.
        found += faults(error, model if where else Bench, where)
        return None


def _cross_checks(gauges: Mapping[str, BenchGauge], descriptions: Path) -> Iterator[str]:
    known = sorted(file.stem for file in descriptions.glob("*.toml"))
    owners: dict[Address, list[str]] = {}
    for name, gauge in gauges.items():
        if gauge.description not in known:
            yield (
                f"gauges.{name}.description: there is no {gauge.description}.toml in {descriptions};"
                f" {nearest(gauge.description, known)}"
            )
        sharers = owners.setdefault(parse_address(gauge.port), [])
        for other in () if gauge.port == "none" else sharers:
            why = _cannot_share(gauges[other].description, gauge.description, descriptions)
            if why is not None:
                yield f"gauges.{name}.port: {gauge.port!r} is the port of gauge {other!r} already{why}"
                break
        sharers.append(name)
        certified, permitted = gauge.certificate, gauge.tolerance.absolute
        if certified and permitted and certified.expanded_uncertainty > permitted:
            yield (
                f"gauges.{name}.tolerance.absolute: {permitted:g} is less than the certificate's own expanded"
                f" uncertainty of {certified.expanded_uncertainty:g}, so no check could ever decide"
            )


def _cannot_share(first: str, second: str, descriptions: Path) -> str | None:
    """Why two gauges cannot be on one line, to be added to a sentence; None if they can."""
    found = []
    for name in (first, second):
        try:
            found.append(load_description(descriptions / f"{name}.toml"))
        except DescriptionError:
            return ""
    units = [one.settings.unit for one in found if isinstance(one.settings, ModbusSettings)]
    if len(units) < 2:
        return ""
    if units[0] == units[1]:
        return f", and both are Modbus unit {units[0]}: on one line every unit differs"
    if found[0].serial != found[1].serial:
        return ", and their [serial] settings differ: on one line all are the same"
    return None
