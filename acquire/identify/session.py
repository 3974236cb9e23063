"""The order of things: listen first, ask only a silent gauge and only after saying so."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import PurePath

from acquire.address import Address, SerialPath, TcpAddress
from acquire.clock import Clock
from acquire.identify.ask import Answer, Requests, find_answer, named, poll, settings_to_ask
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.listen import BAUDRATES, Open, Tell, find_setting, hear, is_contact
from drivers.description import SerialSettings

_WITHOUT_SPEED = ("/dev/pts/", "/dev/ttys")


@dataclass(frozen=True, slots=True)
class Session:
    """One attempt at one port.

    `may_ask` is shown the requests and says whether they may be sent. `fixed` is the serial setting if a
    person knows it; `has_speed` is False for ports where speed means nothing (TCP, pseudo-terminals).
    """

    open_: Open
    clock: Clock
    tell: Tell
    may_ask: Callable[[Requests], bool]
    fixed: SerialSettings | None = None
    has_speed: bool = True

    def listen(self) -> Heard | None:
        """What the gauge says by itself; None if it stays silent.

        Raises:
            CannotTell: it speaks, but not in lines.
        """
        setting = find_setting(self.open_, self.clock, self.tell, self._baudrates())
        if setting is None:
            self.tell("nothing was heard")
            return None
        setting = self.fixed or setting
        if self.has_speed:
            self.tell(f"it speaks at {named(setting)}; listening on")
        heard = hear(self.open_, setting, self.clock, self.tell)
        if not heard.chunks:
            raise CannotTell("it spoke once and then no more; run this again and let it send more lines")
        if is_contact(heard.data):
            raise CannotTell(
                "it sends the changes of a dry contact, on and off with their milliseconds, and no values",
                "Copy contact-wash.toml from the shipped gauges; which control line, how long it bounces and "
                "how fast it may close, a person has to say.",
            )
        return heard

    def ask(self, requests: Requests) -> Answer | None:
        """The first request that a silent gauge answers; None if it answers none, or none may be sent."""
        if not self.may_ask(requests):
            return None
        settings = [self.fixed] if self.fixed else settings_to_ask(self._baudrates())
        return find_answer(
            self.open_, self.clock, self.tell, requests, settings if self.has_speed else settings[:1]
        )

    def poll(self, answer: Answer) -> Heard:
        """Enough replies to the request that was answered."""
        self.tell(f"it answers {answer.request.send!r}; asking it on")
        return poll(self.open_, answer.settings, self.clock, self.tell, answer.request.send)

    def _baudrates(self) -> Sequence[int]:
        if self.fixed is not None:
            return (self.fixed.baudrate,)
        return BAUDRATES if self.has_speed else BAUDRATES[:1]


def speed_matters(address: Address, real_path: Callable[[str], str]) -> bool:
    """Whether the port has a speed at all; `real_path` follows links, as `os.path.realpath` does."""
    if isinstance(address, TcpAddress):
        return False
    if isinstance(address, SerialPath):
        return not PurePath(real_path(address.path)).as_posix().startswith(_WITHOUT_SPEED)
    return True


def parse_setting(text: str) -> SerialSettings:
    """Reads a setting as people write it: `9600-8N1`, `19200-7E1`, or the speed alone.

    Raises:
        ValueError: it is none.
    """
    speed, _, frame = text.partition("-")
    frame = frame.upper() or "8N1"
    parities = {"N": "none", "E": "even", "O": "odd"}
    if not (
        speed.isdigit()
        and len(frame) == 3
        and frame[0] in "5678"
        and frame[1] in parities
        and frame[2] in "12"
    ):
        raise ValueError(f"{text!r} is no serial setting; write it like 9600-8N1 or 19200-7E1")
    return SerialSettings.model_validate(
        {
            "baudrate": int(speed),
            "bytesize": int(frame[0]),
            "parity": parities[frame[1]],
            "stopbits": int(frame[2]),
        }
    )
