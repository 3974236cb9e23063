"""Finding out how an unknown gauge speaks, from the set-up page: it only listens, and writes nothing."""

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from acquire.address import Address, parse_address
from acquire.clock import Clock
from acquire.errors import ConfigError, PanelwrightError
from acquire.identify import CannotTell, Understood, describe, infer, prove
from acquire.identify.listen import Open
from acquire.identify.session import Session, speed_matters
from acquire.ports import PortInfo
from acquire.ports.owner import connect_to
from drivers.description import DescriptionError, SerialSettings, parse_description

SHOWN_N = 5
_LOOK = "is it switched on and sending, and is its cable the right one?"


@dataclass(frozen=True, slots=True)
class Attempt:
    """How far listening at one port is, for the page."""

    device: str
    running: bool = True
    said: tuple[str, ...] = ()
    fault: str = ""
    hint: str = ""
    words: str = ""
    """What was understood, in a sentence."""
    values: tuple[str, ...] = ()
    """The newest values, with their unit."""
    confirm: tuple[str, ...] = ()
    """What a person must still say."""
    description: str = ""
    """A gauge description, to be saved and used."""


def connection(address: Address, clock: Clock) -> Open:
    """How a port is opened, one serial setting after the other."""
    return lambda settings: connect_to(address, settings)(clock.sleep)


@dataclass
class Listening:
    """One attempt at a time, on a thread of its own."""

    clock: Clock
    connect: Callable[[Address, Clock], Open] = connection
    _turn: threading.Lock = field(default_factory=threading.Lock)
    _attempt: Attempt | None = None

    @property
    def attempt(self) -> Attempt | None:
        """The newest."""
        return self._attempt

    def begin(self, port: PortInfo) -> None:
        """Begins to listen at a port.

        Raises:
            ConfigError: it listens already.
        """
        with self._turn:
            if self._attempt is not None and self._attempt.running:
                raise ConfigError(
                    f"it is listening at {self._attempt.device}", hint="wait until that is over"
                )
            self._attempt = Attempt(port.device)
        # A daemon: what only listens is lost without harm when the bench is switched off.
        threading.Thread(
            target=self._listen, args=(parse_address(port.address),), name="listening", daemon=True
        ).start()

    def _listen(self, address: Address) -> None:
        found: dict[str, Any] = {"fault": "listening has broken off", "hint": "try again"}
        try:
            found = self._understood(address)
        except (CannotTell, PanelwrightError, DescriptionError) as error:
            found = {"fault": str(error), "hint": getattr(error, "hint", "") or _LOOK}
        finally:
            # Whatever went wrong, the page must not wait for ever, nor keep others from listening.
            self._note(running=False, **found)

    def _understood(self, address: Address) -> dict[str, Any]:
        session = Session(
            open_=self.connect(address, self.clock),
            clock=self.clock,
            tell=self._tell,
            may_ask=lambda requests: False,
            has_speed=speed_matters(address, os.path.realpath),
        )
        heard = session.listen()
        if heard is None:
            raise CannotTell("the gauge says nothing by itself", _SILENT)
        understood = infer(heard)
        found = understood.measured
        text = describe(understood, f"{found.quantity.capitalize()} gauge, found by listening")
        proof = prove(parse_description(text.encode(), "found"), heard)
        if not proof.holds:
            raise CannotTell("the pattern that was found does not read what was heard")
        return {
            "words": _words(understood, heard.serial),
            "values": tuple(f"{one.value:g} {found.unit}" for one in proof.samples[-SHOWN_N:]),
            "confirm": tuple(understood.asks),
            "description": text,
        }

    def _tell(self, text: str) -> None:
        assert self._attempt is not None
        self._note(said=(*self._attempt.said, text))

    def _note(self, **what: Any) -> None:
        with self._turn:
            assert self._attempt is not None
            self._attempt = replace(self._attempt, **what)


_SILENT = (
    "some gauges speak only when they are asked, or when a key is pressed. Asking is done on the bench "
    "machine, where each request is named before it is sent"
)


def _words(understood: Understood, serial: SerialSettings) -> str:
    found, rhythm = understood.measured, understood.rhythm
    rate = f" at {rhythm.rate_hz:g} lines/s" if rhythm.rate_hz else ""
    return (
        f"{found.quantity.capitalize()} in {found.unit}, {rhythm.mode}{rate}, {serial.baudrate} baud; "
        f"steps of {found.resolution:g}, range {found.low:.10g} to {found.high:.10g} {found.unit}"
    )
