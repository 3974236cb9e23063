"""One line of what a person's hands do: `pull 5 hand=fast`."""

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TypeVar

V = TypeVar("V")


class CommandError(ValueError):
    """A command that cannot be followed: what is wrong with it, and what would be right."""


@dataclass(frozen=True, slots=True)
class Form:
    """What may follow the name of a command: at most one word, and options written as key=value."""

    example: str
    word: str = ""
    """What the word means; "" if none may follow."""
    options: frozenset[str] = frozenset()
    bare: bool = True
    """Whether the name alone says enough."""


@dataclass(frozen=True, slots=True)
class Command:
    text: str
    name: str
    word: str | None
    options: Mapping[str, str]

    def count(self, default: int = 1) -> int:
        """The word as a whole number from 1."""
        number = self.number(default)
        if number != int(number) or number < 1:
            raise CommandError(f"{self.text!r}: {self.word!r} is not a whole number from 1")
        return int(number)

    def number(self, default: float = 0.0) -> float:
        """The word as a number."""
        if self.word is None:
            return default
        return _number(self.word, self.text)

    def option(self, key: str, default: float, *, at_least: float = -1e9, at_most: float = 1e9) -> float:
        """An option as a number within limits."""
        if key not in self.options:
            return default
        number = _number(self.options[key], self.text)
        if not at_least <= number <= at_most:
            raise CommandError(f"{self.text!r}: {key} must lie in {at_least:g} to {at_most:g}")
        return number


def parse(line: str, forms: Mapping[str, Form]) -> Command:
    """Reads one line against the commands that are known.

    Raises:
        CommandError: unknown command or option, or a word too many.
    """
    text = line.strip()
    name, *rest = text.split()
    if name not in forms:
        raise CommandError(f"{text!r}: no command {name!r}{nearest(name, forms)}")
    form = forms[name]
    options = dict(part.split("=", 1) for part in rest if "=" in part)
    words = [part for part in rest if "=" not in part]
    for key in options:
        if key not in form.options:
            raise CommandError(
                f"{text!r}: {name!r} takes no option {key!r}{nearest(key, form.options)}; "
                f"for example: {form.example}"
            )
    if len(words) > (1 if form.word else 0):
        raise CommandError(f"{text!r}: too many words behind {name!r}; for example: {form.example}")
    if not (form.bare or words or options):
        raise CommandError(f"{text!r} says too little; for example: {form.example}")
    return Command(text, name, words[0] if words else None, options)


def choose(command: Command, word: str, known: Mapping[str, V]) -> V:
    """What `word` stands for. Raises CommandError if it is not among the `known`."""
    if word not in known:
        raise CommandError(f"{command.text!r}: no {word!r} here{nearest(word, known)}")
    return known[word]


def nearest(word: str, known: Collection[str]) -> str:
    """A hint at the closest known word, or at all of them."""
    close = difflib.get_close_matches(word, known, n=1)
    if close:
        return f" (did you mean {close[0]!r}?)"
    return f" (known: {', '.join(sorted(known))})" if known else ""


def _number(text: str, line: str) -> float:
    try:
        number = float(text)
    except ValueError:
        raise CommandError(f"{line!r}: {text!r} is not a number") from None
    if not -1e9 < number < 1e9:
        raise CommandError(f"{line!r}: {text!r} is no sensible number")
    return number
