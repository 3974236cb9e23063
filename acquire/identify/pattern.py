"""The pattern of a line and the tables beside it, written from a layout."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from acquire.identify.layout import Layout, lay_out
from acquire.identify.lines import SortedLines
from acquire.identify.numbers import Column
from acquire.identify.texts import Place, Slot, escaped, slots_of, words_pattern
from acquire.identify.words import (
    GLOSS_ANGLES,
    NO_NUMBER,
    PEAK_WORDS,
    UNIT_WORDS,
    flag_meaning,
)


@dataclass(frozen=True, slots=True)
class LinePattern:
    """What goes into the `[line]` table, but for framing. `label` is the word in front of the value."""

    pattern: str
    decimal: str
    units: dict[str, str]
    flags: dict[str, tuple[str, ...]]
    modes: dict[str, str]
    channels: tuple[str, ...]
    idle: tuple[str, ...]
    label: str
    unit_words: tuple[str, ...]
    """Units seen, the most frequent first."""
    asks: tuple[str, ...]
    notes: tuple[str, ...]


NO_VALUE = -9
"""In place of the value's column, for lines that carry none."""


@dataclass(slots=True)
class _Writer:
    """Collects the pattern piece by piece; each named part can be used once."""

    layout: Layout
    value: int
    may_be_negative: bool
    polled: bool
    pieces: list[str] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)
    flags: dict[str, tuple[str, ...]] = field(default_factory=dict)
    modes: dict[str, str] = field(default_factory=dict)
    channels: tuple[str, ...] = ()
    numbered: bool = False
    unit_words: list[str] = field(default_factory=list)
    asks: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def body(self) -> str:
        slots = [self._slots(index) for index in range(len(self.layout.gaps))]
        if self.value >= 0 and any(slot.role == "unit" for slot in slots[self.value + 1]):
            slots[self.value] = [
                _as_text(slot) if slot.role == "unit" else slot for slot in slots[self.value]
            ]
        for index, gap in enumerate(slots):
            for slot in gap:
                self.pieces.append(self._slot(slot))
            if index < len(self.layout.columns):
                self.pieces.append(self._column(index, slots[index + 1]))
        return "".join(self.pieces)

    def _slots(self, index: int) -> list[Slot]:
        place = Place(
            next_to_value=index in (self.value, self.value + 1),
            behind=index > self.value,
            last=index + 1 == len(self.layout.gaps),
        )
        return slots_of(self.layout.gaps[index], place)

    def _slot(self, slot: Slot) -> str:
        seen = slot.seen
        if slot.role == "unit" and not self.units:
            return self._unit(seen)
        if slot.role == "flags" and not self.flags:
            return self._flags(seen)
        if slot.role == "mode" and not self.modes:
            bad = "gauge is in peak hold"
            self.modes = {word: bad if word.upper() in PEAK_WORDS else "" for word in seen}
            return f"(?P<mode>{words_pattern(seen)})"
        if len(seen) == 1:
            return escaped(seen[0])
        self.notes.append(f"what {' or '.join(map(repr, seen))} says is not understood and not used")
        return f"(?:{words_pattern(seen)})"

    def _unit(self, seen: list[str]) -> str:
        quantity = UNIT_WORDS[seen[0]][0][0]
        for word in seen:
            self.units[word] = next((unit for kind, unit in UNIT_WORDS[word] if kind == quantity), "")
        self.unit_words = seen
        if all(word.isascii() and word.isalpha() for word in seen):
            # Wide enough to tell "wrong unit" from a damaged line after somebody pressed the unit key.
            return f"(?P<unit>[A-Za-z]{{1,{max(3, *map(len, seen))}}})"
        return f"(?P<unit>{words_pattern(seen)})"

    def _flags(self, seen: list[str]) -> str:
        known: dict[str, tuple[str, ...] | None] = {word: flag_meaning(word) for word in seen}
        good_is_known = any(meaning == () for meaning in known.values())
        for word, meaning in known.items():
            if meaning is None:
                # The commonest unknown word is taken as plain; every other takes the value out of use.
                meaning = () if not good_is_known else ("unstable",)
                good_is_known = True
                self.asks.append(f"state {word!r} is taken as {', '.join(meaning) or 'good'}")
            self.flags[word] = meaning
        return f"(?P<flags>{words_pattern(seen)})"

    def _column(self, index: int, behind: Sequence[Slot]) -> str:
        column = self.layout.columns[index]
        pad = _padding(column, behind)
        if index == self.value:
            return f"{pad}(?P<value>{column.pattern(may_be_negative=self.may_be_negative)})"
        if column.is_angle and not self.channels and not column.padded:
            self.channels = tuple(sorted({*GLOSS_ANGLES, *column.texts}))
            return r"(?P<channel>\d\d)"
        if column.counts_up and not self.numbered and (self.polled or self._comes_again(column)):
            self.numbered = True
            return f"{pad}(?P<number>{column.pattern(may_be_negative=False)})"
        if column.constant and self._in_a_clock(index):
            return r"\d\d"
        if column.constant:
            return escaped(column.written[0].sign + column.texts[0])
        if not column.one_each_line:
            self.notes.append(f"a second number ({column.texts[-1]}) is on each line; it is not read")
        return pad + column.pattern(may_be_negative=column.signed)

    def _in_a_clock(self, index: int) -> bool:
        """Two digits with a colon on one side at least, as in 09:05:00: they stood still only meanwhile."""
        before, behind = self.layout.gaps[index][0], self.layout.gaps[index + 1][0]
        two = len(self.layout.columns[index].texts[0]) == 2
        return two and (behind == ":" or (before == ":" and index > 0))

    def _comes_again(self, column: Column) -> bool:
        """The same measurement is repeated until there is a new one, so its number is needed."""
        return len(set(column.texts)) < len(column.texts)


def line_pattern(
    layout: Layout, value: int, lines: SortedLines, *, polled: bool, may_be_negative: bool = True
) -> LinePattern:
    """Writes the pattern and its tables."""
    writer = _Writer(layout, value, may_be_negative, polled)
    pattern = writer.body()
    pattern, idle = _with_words(writer, pattern, lines)
    for ones in lines.others:
        other = _Writer(lay_out(ones, lines.decimal), NO_VALUE, True, False)
        idle.append(other.body())
        writer.notes.append("lines of a second make are not read; see idle")
    idle += [escaped(text) for text in dict.fromkeys(lines.banners)]
    label_slots = slots_of(layout.gaps[value], Place(False, False, False))
    label = next((slot.words[0] for slot in reversed(label_slots) if slot.words[0].isalpha()), "")
    return LinePattern(
        pattern, lines.decimal, writer.units, writer.flags, writer.modes, writer.channels, tuple(idle),
        label, tuple(writer.unit_words), tuple(writer.asks), tuple(writer.notes),
    )  # fmt: skip


def _with_words(writer: _Writer, pattern: str, lines: SortedLines) -> tuple[str, list[str]]:
    """Lines without a number: some stand in place of a value and say why, the others say nothing."""
    idle: list[str] = []
    forms: dict[str, list[str]] = {}
    values_n = len(writer.layout.columns[writer.value].written)
    has_flags = bool(writer.flags)
    for text, count in lines.wordy.items():
        match = NO_NUMBER.fullmatch(text)
        word = "" if match is None else str(match["word"] or match["dashes"])
        dashes = match is not None and match["dashes"]
        meaning: tuple[str, ...] = ("out of range",) if dashes else flag_meaning(word) or ()
        if not (word and meaning) or has_flags or count >= 0.9 * values_n:
            idle.append(escaped(text))
            continue
        writer.flags[word] = meaning
        at = text.index(word)
        sign = "[+-]" if text[:at].strip() else ""
        forms.setdefault(f"{sign}(?P<flags>%s){escaped(text[at + len(word) :])}", []).append(word)
        writer.asks.append(f"{text!r} in place of a number is taken as {meaning[0]}")
    for form, words in list(forms.items())[:1]:
        pattern += "|" + form % "|".join(escaped(word) for word in words)
    for form, words in list(forms.items())[1:]:
        for word in words:
            del writer.flags[word]
            idle.append(form.replace("(?P<flags>%s)", f"(?:{escaped(word)})"))
    return pattern, idle


def _padding(column: Column, behind: Sequence[Slot]) -> str:
    if not column.padded:
        return ""
    following = escaped(behind[0].words[0][:1]) if behind and len(set(behind[0].words)) == 1 else ""
    # Blanks, sign and digits together are always as wide: a lost digit does not go unseen.
    return rf"(?=[ +\-\d{column.decimal}]{{{column.width}}}{following or '(?![0-9])'}) *"


def _as_text(slot: Slot) -> Slot:
    return Slot("text" if len(set(slot.words)) == 1 else "flags", slot.words)
