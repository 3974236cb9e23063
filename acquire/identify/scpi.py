"""Asks a gauge that has told its identity in SCPI for its value, and sees how its replies are written."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from acquire.clock import Clock
from acquire.errors import PortLost
from acquire.identify.ask import Answer, exchange
from acquire.identify.heard import CannotTell
from acquire.identify.listen import Open
from acquire.identify.words import UNIT_WORDS, Meaning
from drivers.description import SerialSettings
from drivers.scpi import INFINITY

REPLIES_N = 20
ERRORS_N = 12
_SEPARATORS = (",", ";", " ")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d{1,3})?")
_ERROR = re.compile(r'(?P<code>[+-]?\d{1,5}),\s*"(?P<text>[^"]*)"')


@dataclass(frozen=True, slots=True)
class Layout:
    """What stands in a reply from left to right, for the `fields` of a description."""

    separator: str
    fields: tuple[str, ...]

    def part(self, reply: str, meant: str) -> str:
        """The field of that meaning; empty if there is none."""
        parts = [one.strip() for one in reply.split(self.separator)]
        at = self.fields.index(meant) if meant in self.fields else len(parts)
        return parts[at] if at < len(parts) else ""


@dataclass(frozen=True, slots=True)
class Told:
    """What the gauge answered. `query` is empty if none of those tried brought a number."""

    identity: str
    settings: SerialSettings
    terminator: str
    query: str
    replies: tuple[str, ...]
    tried: tuple[tuple[str, str], ...]
    errors: tuple[str, ...] | None
    """What its error queue held afterwards; None if it does not answer that query."""
    reply_s: float

    @property
    def serial_number(self) -> str:
        """Third field of the identity; 0 there says that the gauge has none (IEEE 488.2; from memory)."""
        number = self.identity.split(",")[2].strip()
        return "" if number == "0" else number

    @property
    def layout(self) -> Layout:
        found = layout_of(self.replies[0])
        assert found is not None, "only asked for where a query brought a number"
        return found

    @property
    def unit_words(self) -> list[str]:
        """Units that were printed, each once."""
        return [word for word in dict.fromkeys(self.layout.part(one, "unit") for one in self.replies) if word]

    @property
    def meanings(self) -> tuple[Meaning, ...]:
        """What the first printed unit can stand for; empty if none is printed."""
        return next(iter(self.meanings_of_all().values()), ())

    def meanings_of_all(self) -> dict[str, tuple[Meaning, ...]]:
        """Printed unit -> what it can stand for."""
        return {word: UNIT_WORDS[word] for word in self.unit_words if word in UNIT_WORDS}

    @property
    def values(self) -> list[Decimal]:
        """Without the numbers that stand for no value or for one beyond the gauge."""
        numbers = [self.layout.part(one, "value") for one in self.replies]
        return [
            Decimal(one) for one in numbers if _NUMBER.fullmatch(one) and abs(float(one)) < 0.99 * INFINITY
        ]


def layout_of(reply: str) -> Layout | None:
    """How a reply is laid out; None if no number stands in it. The first number is taken for the value."""
    for separator in _SEPARATORS:
        parts = [one.strip() for one in reply.split(separator)]
        numbers = [at for at, one in enumerate(parts) if _NUMBER.fullmatch(one)]
        if not numbers:
            continue
        fields = ["skip"] * len(parts)
        fields[numbers[0]] = "value"
        units = [at for at, one in enumerate(parts) if one in UNIT_WORDS]
        if units:
            fields[units[0]] = "unit"
        return Layout(separator, tuple(fields))
    return None


def ask_values(open_: Open, clock: Clock, answer: Answer, queries: Sequence[str], error_query: str) -> Told:
    """Asks one query after the other until one brings a number, then that one again and again.

    The error queue is asked last, until it is empty: queries that the gauge does not know leave entries.

    Raises:
        CannotTell: the port was lost meanwhile.
    """
    wire = open_(answer.settings)
    tried: list[tuple[str, str]] = []
    replies: list[str] = []
    slowest_s = 0.0
    end = ""

    def ask(query: str) -> str:
        nonlocal slowest_s, end
        data, took_s = exchange(wire, clock, query.encode() + b"\n")
        text = data.decode("latin-1")
        if text.strip():
            slowest_s = max(slowest_s, took_s)
            end = text[len(text.rstrip("\r\n")) :] or end
        return text.strip()

    try:
        for query in queries:
            reply = ask(query)
            tried.append((query, reply))
            if layout_of(reply) is not None:
                replies = [reply, *(ask(query) for _ in range(REPLIES_N - 1))]
                break
        errors = _errors(ask, error_query)
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    replies = [one for one in replies if one]
    query = tried[-1][0] if replies else ""
    identity = answer.reply.decode("latin-1").strip()
    return Told(identity, answer.settings, end, query, tuple(replies), tuple(tried), errors, slowest_s)


def _errors(ask: Callable[[str], str], query: str) -> tuple[str, ...] | None:
    found: list[str] = []
    for count in range(ERRORS_N):
        entry = _ERROR.fullmatch(ask(query))
        if entry is None:
            return tuple(found) if count else None
        if int(entry["code"]) == 0:
            break
        found.append(entry[0])
    return tuple(found)


def told(found: Told) -> list[str]:
    """What was found, in words for a person."""
    lines = [f"it speaks SCPI and says it is {found.identity}"]
    for query, reply in found.tried:
        lines.append(f"{query} brings {reply!r}" if reply else f"{query} brings no reply")
    if found.errors:
        lines.append(f"its error queue then held, and was emptied: {'; '.join(found.errors)}")
    return lines
