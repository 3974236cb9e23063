"""What a trial's protocol, its panels and its blinding leave in the journal. Models, and nothing else."""

from datetime import datetime
from typing import Literal

from pydantic import Field

from acquire.model import Model


class KeptProtocol(Model):
    """Event "protocol": the text of a protocol as a trial was opened under it; written once for each text."""

    sha256: str
    text: str


class StepEvent(Model):
    """Event "step": what a person says of one step of the protocol."""

    trial: str
    step: str
    """Key of the step, such as "slip/black-1" or "inspect/black-1/150"."""
    what: Literal["begun", "done", "skipped", "voided", "repeated"]
    """`voided`: what it gave is void; `repeated`: it is taken once more. Either opens the step again."""
    early: bool = False
    """Of a begun step: although something else should have come first."""
    reason: str = ""
    by: str = ""
    withdraws: tuple[str, ...] = ()
    """Ids of ratings, inspections and applications that no longer count; readings have amendments."""
    t_utc: datetime


class Application(Model):
    """Event "application": how the product was put on one panel. Curing counts from `t_utc`."""

    id: str
    trial: str
    panel: str
    sprays: float | None = None
    mass_g: float | None = None
    panel_temperature_degc: float | None = None
    air_temperature_degc: float | None = None
    humidity_percent: float | None = None
    measured_by: dict[str, str] = Field(default_factory=dict)
    """Which gauge told a value, by its field; what is not here was typed in."""
    wipe_off_min: float | None = None
    """Minutes from the application until it was wiped off."""
    note: str = ""
    t_utc: datetime


class PanelEvent(Model):
    """Event "panel": one thing in the life of a panel."""

    panel: str
    what: Literal["added", "polished", "retired"]
    colour: str = ""
    """Of an added panel."""
    zones: tuple[str, ...] = ()
    """Of an added panel: parts beside the treated one, such as "control", which stays untreated."""
    reason: str = ""
    t_utc: datetime


class Sealed(Model):
    """Event "sealed": products stand under code letters; which is which can be proved later, not read now."""

    id: str
    trials: dict[str, str]
    """Trial of each code letter."""
    products: tuple[str, ...]
    """Their names, sorted: not in the order of the letters."""
    order: tuple[str, ...]
    """Code letters in the order, drawn at random, in which they are to be applied and rated."""
    commitment: str
    """Hexadecimal SHA-256 of the salt and the mapping; see `acquire.blind`."""
    t_utc: datetime


class Unsealed(Model):
    """Event "unsealed": which letter was which product."""

    id: str
    mapping: dict[str, str]
    """Product of each code letter."""
    salt: str
    early: str = ""
    """Why it was opened before all ratings were in, if it was."""
    t_utc: datetime


class Imported(Model):
    """Event "import": earlier results typed in from a file, which is kept beside the recordings."""

    recording: str
    """Name of the kept file inside the recordings folder."""
    sha256: str
    rows_n: int
    t_utc: datetime
