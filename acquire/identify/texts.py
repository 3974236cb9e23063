"""The text between two numbers, over all lines: what is always there, what changes, what is a unit."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Literal

from acquire.identify.words import LABELS_TOO, PEAK_WORDS, PLAIN_STATES, UNIT, UNIT_WORDS, flag_meaning

_TOKEN = re.compile(r" +|[A-Za-z]+|[\s\S]")
_SPECIAL = set(".^$*+?{}[]\\|()")

_SEPARATORS = set("\t;,|/")

Role = Literal["text", "unit", "flags", "mode"]


@dataclass(frozen=True, slots=True)
class Slot:
    """One place in a gap: the words seen there, in line order."""

    role: Role
    words: tuple[str, ...]

    @property
    def seen(self) -> list[str]:
        """The different words, the most frequent first."""
        return [word for word, _ in Counter(self.words).most_common()]


def escaped(text: str) -> str:
    """A regular expression for this very text, in plain ASCII."""
    return "".join(_escaped_character(one) for one in text)


def _escaped_character(one: str) -> str:
    if one in _SPECIAL:
        return "\\" + one
    if one == "\t":
        return r"\t"
    return one if " " <= one <= "~" and one != "'" else f"\\x{ord(one):02x}"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a gap stands: right behind the value, anywhere behind it, at the end of the line."""

    next_to_value: bool
    behind: bool
    last: bool


def slots_of(texts: Sequence[str], place: Place) -> list[Slot]:
    """Takes a gap apart into slots and says what each is."""
    tokens = [_tokens(text) for text in texts]
    if len({len(one) for one in tokens}) == 1:
        slots = [Slot("text", words) for words in zip(*tokens, strict=True)]
    else:
        slots = _around_the_difference(texts)
    slots = list(_apart(slots)) if place.next_to_value and place.behind else slots
    slots = [_unit_slot(slots, index, place) for index in range(len(slots))]
    return [_state_slot(slots, index, place) for index in range(len(slots))]


def differ_in_state(texts: Sequence[str], usual: Sequence[str]) -> bool:
    """Whether two lines' texts differ only in words of state, usual ones both."""
    tokens, others = (_tokens("\0".join(one)) for one in (texts, usual))
    if len(tokens) != len(others):
        return False
    pairs = [pair for pair in zip(tokens, others, strict=True) if pair[0] != pair[1]]
    return all(flag_meaning(word) is not None for pair in pairs for word in pair)


def _tokens(text: str) -> list[str]:
    """Units whole, then words, runs of blanks and single characters."""
    out: list[str] = []
    at = 0
    for unit in UNIT.finditer(text):
        out += _TOKEN.findall(text[at : unit.start()])
        out.append(unit[0])
        at = unit.end()
    return out + _TOKEN.findall(text[at:])


def _around_the_difference(texts: Sequence[str]) -> list[Slot]:
    """Same beginning, same end, words of different make between them."""
    kinds = sorted(set(texts))
    tokens = [_tokens(kind) for kind in kinds]
    front = "".join(_shared(tokens))
    back = "".join(_shared([_tokens(kind[len(front) :])[::-1] for kind in kinds])[::-1])
    count = len(texts)
    middle = tuple(text[len(front) : len(text) - len(back)] for text in texts)
    slots = [Slot("text", (token,) * count) for token in _tokens(front)]
    slots.append(Slot("text", middle))
    slots += [Slot("text", (token,) * count) for token in _tokens(back)]
    return slots


def _shared(lists: Sequence[Sequence[str]]) -> list[str]:
    """The tokens that all lists begin with."""
    same = takewhile(lambda tokens: len(set(tokens)) == 1, zip(*lists, strict=False))
    return [tokens[0] for tokens in same]


def _apart(slots: Sequence[Slot]) -> Iterator[Slot]:
    """A unit with a state letter close behind it ("gS", "gD") is two slots."""
    for slot in slots:
        unit = next((word for word in sorted(UNIT_WORDS, key=len) if _is_front(word, slot.words)), None)
        if unit is None:
            yield slot
        else:
            yield Slot("text", (unit,) * len(slot.words))
            yield Slot("text", tuple(word.removeprefix(unit) for word in slot.words))


def _is_front(unit: str, words: Sequence[str]) -> bool:
    rests = {word.removeprefix(unit) if word.startswith(unit) else None for word in words}
    return len(rests) > 1 and all(rest is not None and flag_meaning(rest) is not None for rest in rests)


def _unit_slot(slots: Sequence[Slot], index: int, place: Place) -> Slot:
    slot = slots[index]
    if not (place.next_to_value and all(UNIT.fullmatch(word) for word in slot.words)):
        return slot
    behind = slots[index + 1].words[0] if index + 1 < len(slots) else ""
    if place.behind:
        return slot if behind[:1] in ("=", ":") else Slot("unit", slot.words)
    if behind == " " and all(len(word) > 1 for word in slot.words):
        return Slot("unit", slot.words)
    # In front of a value a unit is one only in a field of its own: "N=000123" is a label.
    if behind in _SEPARATORS and not LABELS_TOO & {*slot.words}:
        return Slot("unit", slot.words)
    return slot


def _state_slot(slots: Sequence[Slot], index: int, place: Place) -> Slot:
    slot = slots[index]
    if slot.role != "text":
        return slot
    if len(set(slot.words)) > 1:
        peak = {word.upper() for word in slot.words} & PEAK_WORDS
        return Slot("mode" if peak else "flags", slot.words)
    # A state that never changed while we listened is still a state; a label is not.
    behind = slots[index + 1].words[0][:1] if index + 1 < len(slots) else ""
    in_a_field = behind in {*_SEPARATORS, " "} if behind else place.last
    if place.behind and in_a_field and slot.words[0].upper() in PLAIN_STATES:
        return Slot("flags", slot.words)
    return slot


def words_pattern(words: Sequence[str]) -> str:
    """A regular expression for words of this make; the tables of the description say which are meant."""
    lengths = sorted({len(word) for word in words})
    count = f"{{{lengths[0]}}}" if len(lengths) == 1 else f"{{{lengths[0]},{lengths[-1]}}}"
    if all(word.isascii() and word.isalpha() for word in words):
        every = "".join(words)
        letters = "A-Z" if every.isupper() else "a-z" if every.islower() else "A-Za-z"
        return f"[{letters}]" + ("" if count == "{1}" else count)
    return "|".join(escaped(word) for word in sorted(words, key=len, reverse=True))
