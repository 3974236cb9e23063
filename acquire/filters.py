"""Which trials standings are made of: by class of product, by date, by the colour of their panels."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo

from acquire.errors import ConfigError
from acquire.model import Trial
from drivers.keys import nearest


@dataclass(frozen=True, slots=True)
class Filter:
    """What a trial must be to be shown; None lets all pass."""

    product_class: str | None = None
    """Untreated controls are of no class and pass any."""
    since: date | None = None
    """Begun on this day of the bench's time zone or later."""
    until: date | None = None
    """Begun on this day or earlier."""
    colour: str | None = None
    """At least one of its panels has this colour. Its points still speak of all its panels."""


def passing(
    trials: Sequence[Trial], wanted: Filter, zone: tzinfo, colours: Mapping[str, str]
) -> tuple[Trial, ...]:
    """The trials that pass, in their order.

    Args:
        zone: the bench's time zone, in which a day begins and ends.
        colours: of the listed panels, by name.

    Raises:
        ConfigError: no trial passes; the hint says what there is.
    """
    left = tuple(trials)
    if wanted.product_class is not None:
        left = _of_class(left, wanted.product_class)
    if wanted.colour is not None:
        left = _on_colour(left, wanted.colour, colours)
    days = {trial.id: trial.t_utc.astimezone(zone).date() for trial in left}
    found = tuple(
        trial
        for trial in left
        if (wanted.since is None or days[trial.id] >= wanted.since)
        and (wanted.until is None or days[trial.id] <= wanted.until)
    )
    if left and not found:
        raise ConfigError(
            "no trial was begun in that time",
            hint=f"the trials were begun from {min(days.values())} to {max(days.values())}",
        )
    return found


def _of_class(trials: tuple[Trial, ...], wanted: str) -> tuple[Trial, ...]:
    classes = sorted({trial.product_class for trial in trials if trial.product_class is not None})
    if wanted.casefold() not in [name.casefold() for name in classes]:
        raise ConfigError(
            f"no trial has a product of class {wanted!r}",
            hint=nearest(wanted, classes) if classes else "no trial says the class of its product",
        )
    return tuple(
        trial
        for trial in trials
        if trial.control or (trial.product_class or "").casefold() == wanted.casefold()
    )


def _on_colour(trials: tuple[Trial, ...], wanted: str, colours: Mapping[str, str]) -> tuple[Trial, ...]:
    found = tuple(
        trial
        for trial in trials
        if any(colours.get(panel, "").casefold() == wanted.casefold() for panel in trial.panels)
    )
    if trials and not found:
        known = sorted({colours[panel] for trial in trials for panel in trial.panels if panel in colours})
        raise ConfigError(
            f"no trial has a panel of colour {wanted!r}",
            hint=nearest(wanted, known)
            if known
            else "no panel of these trials is listed with its colour; see: panelwright panel --help",
        )
    return found
