"""Blind trials: products under code letters until all ratings are in.

Which letter is which product stands in a file outside the journal, `sealed/ID.json`. The journal holds a
commitment to it, the SHA-256 of a random salt and the mapping, so that nobody can say afterwards that the
letters were others. What this cannot do: whoever opens the file, fills the bottles or puts the product on may
know it again by its scent or colour, and is not blind. Rate with another pair of eyes where you can.
"""

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from random import Random, SystemRandom
from string import ascii_uppercase
from typing import Any

from acquire.answers import new_trial, protocol_to_keep
from acquire.chain import canonical_json
from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.home import Home
from acquire.journal import Draft, Journal
from acquire.progress import progress_of
from acquire.protocol import Protocol
from acquire.protocol_events import Sealed, Unsealed
from acquire.scoring.method import Method
from acquire.trials import trials_of
from drivers.keys import nearest


def seal(
    home: Home,
    journal: Journal,
    clock: Clock,
    name: str,
    *,
    products: Sequence[str],
    panels: Sequence[tuple[str, ...]],
    protocol: Protocol,
    product_class: str | None = None,
    draw: Random | None = None,
) -> Sealed:
    """Opens one trial for each product under a code letter drawn at random, all or none.

    Args:
        name: of the whole; its trials are called NAME-a, NAME-b and so on.
        products: what is tested, each once.
        panels: one set for each letter, in the order of the letters; they are no secret.
        draw: where chance comes from; the operating system's if left out.

    Raises:
        ConfigError: something about it cannot be; nothing was written.
    """
    draw = draw or SystemRandom()
    _must_be_blindable(home, name, products, panels)
    letters = ascii_uppercase[: len(products)]
    # Two draws: who is behind a letter must not follow from the order of work, which is seen.
    mapping = dict(zip(letters, draw.sample(list(products), len(products)), strict=True))
    order = draw.sample(letters, len(letters))
    salt = f"{draw.getrandbits(256):064x}"
    trials = [
        new_trial(
            journal,
            clock,
            f"{name}-{letter.lower()}",
            # Code A of one seal is not code A of another, and standings put alike names together.
            product=f"Code {letter} of {name}",
            panels=own,
            product_class=product_class,
            protocol=protocol,
        )
        for letter, own in zip(letters, panels, strict=True)
    ]
    sealed = Sealed(
        id=name,
        trials={letter: trial.id for letter, trial in zip(letters, trials, strict=True)},
        products=tuple(sorted(products)),
        order=tuple(order),
        commitment=commitment(mapping, salt),
        t_utc=clock.utc(),
    )
    # The file first: a seal that nobody can open again would be worse than a file without a seal.
    _write_file(sealed_file(home, name), {"id": name, "mapping": mapping, "salt": salt})
    drafts = [*protocol_to_keep(journal, protocol), *(Draft("trial", one) for one in trials)]
    drafts.append(Draft("sealed", sealed))
    journal.append_all(drafts, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return sealed


def unseal(
    home: Home, journal: Journal, clock: Clock, method: Method, name: str, *, early: str = ""
) -> Unsealed:
    """Writes into the journal which letter was which product, once all ratings are in.

    Args:
        early: why it is opened although ratings are missing; it is published as a deviation.

    Raises:
        ConfigError: there is no such seal or it is open, ratings are missing and no reason is given, or the
            file is not the one that was sealed.
    """
    sealed = sealed_named(journal, name)
    if any(one.id == name for _, one in facts(journal, "unsealed", Unsealed)):
        raise ConfigError(f"{name!r} was unsealed before", hint="panelwright trial list shows the products")
    missing = list(_unrated(journal, clock, method, sealed))
    if missing and not early.strip():
        raise ConfigError(
            f"ratings are missing: {', '.join(missing)}",
            hint="rate first; or say --early REASON, which is published with the trials",
        )
    mapping, salt = _read_file(sealed_file(home, name))
    unsealed = Unsealed(
        id=name, mapping=mapping, salt=salt, early=early if missing else "", t_utc=clock.utc()
    )
    if not fits(sealed, unsealed):
        raise ConfigError(
            f"{sealed_file(home, name)} is not what was sealed: its hash is another than the journal's",
            hint="it was altered; look for a copy of the file as it was",
        )
    journal.append("unsealed", unsealed, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())
    return unsealed


def commitment(mapping: dict[str, str], salt: str) -> str:
    """Hexadecimal SHA-256 of the canonical JSON of mapping and salt."""
    return hashlib.sha256(canonical_json({"mapping": mapping, "salt": salt}).encode()).hexdigest()


def fits(sealed: Sealed, unsealed: Unsealed) -> bool:
    """Whether what was opened is what was sealed."""
    return commitment(unsealed.mapping, unsealed.salt) == sealed.commitment


def broken_seals(journal: Journal) -> list[str]:
    """One line for each seal whose opening in the journal is not what was sealed.

    Raises:
        JournalError: the journal cannot be read.
    """
    known = {one.id: one for _, one in facts(journal, "sealed", Sealed)}
    return [
        f"event {event.seq} unseals {opened.id!r} as something that was not sealed"
        for event, opened in facts(journal, "unsealed", Unsealed)
        if opened.id not in known or not fits(known[opened.id], opened)
    ]


def sealed_named(journal: Journal, name: str) -> Sealed:
    """Raises ConfigError with the nearest known name."""
    known = {one.id: one for _, one in facts(journal, "sealed", Sealed)}
    if name not in known:
        there = nearest(name, list(known)) if known else "none was sealed yet"
        raise ConfigError(f"nothing is sealed as {name!r}; {there}")
    return known[name]


def sealed_file(home: Home, name: str) -> Path:
    return home.sealed / f"{name}.json"


def _unrated(journal: Journal, clock: Clock, method: Method, sealed: Sealed) -> Iterator[str]:
    trials = trials_of(journal)
    for id_ in sealed.trials.values():
        progress = progress_of(journal, trials[id_], method, clock.utc())
        for one in progress.steps if progress is not None else ():
            if one.planned.rule.kind == "rate" and not one.over:
                yield f"{id_} {one.planned.key}"


def _must_be_blindable(
    home: Home, name: str, products: Sequence[str], panels: Sequence[tuple[str, ...]]
) -> None:
    if not 2 <= len(products) <= len(ascii_uppercase):
        raise ConfigError(f"{len(products)} product(s) cannot be blinded", hint="name 2 to 26 products")
    if len(set(products)) != len(products):
        raise ConfigError("a product is named twice", hint="name each product once")
    if len(panels) != len(products):
        raise ConfigError(
            f"{len(products)} products and {len(panels)} sets of panels",
            hint="give each letter its panels: --on black-1,white-1 --on black-2,white-2",
        )
    named = [panel for own in panels for panel in own]
    if len(set(named)) != len(named):
        raise ConfigError("a panel is named twice", hint="give each letter panels of its own")
    if sealed_file(home, name).exists():
        raise ConfigError(f"there is a {sealed_file(home, name)} already", hint="choose another name")


def _write_file(path: Path, content: dict[str, Any]) -> None:
    path.parent.mkdir(mode=0o700, exist_ok=True)
    text = json.dumps(content, indent=2, ensure_ascii=False) + "\n"
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _read_file(path: Path) -> tuple[dict[str, str], str]:
    hint = "restore it from a copy; without it the products cannot be told apart"
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return {str(key): str(value) for key, value in content["mapping"].items()}, str(content["salt"])
    except OSError as error:
        raise ConfigError(f"{path} cannot be read: {error.strerror}", hint=hint) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise ConfigError(f"{path} is not a sealed mapping: {error}", hint=hint) from error
