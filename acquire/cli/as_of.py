"""Options that say as of when something is asked, and the journal as it was then."""

from datetime import datetime
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acquire.home import Home
    from acquire.journal import Journal

stamped_option = click.option(
    "--as-stamped", is_flag=True, help="Readings as first logged, without doubts, flags and rulings since."
)
as_of_option = click.option(
    "--as-of",
    metavar="EVENT|TIME",
    help="As known when the journal ended with this event (its number), or at this time on the bench's "
    "clock, such as 2031-05-04T17:30.",
)


def journal_as_of(place: "Home", opened: "Journal", said: str | None) -> "Journal":
    """The journal as it was at what a person said behind --as-of; as it is now for None.

    Raises:
        ConfigError: that is neither the number of an event nor a time.
    """
    from acquire.errors import ConfigError

    if said is None:
        return opened
    if said.isdecimal():
        return opened.as_of(int(said))
    try:
        moment = datetime.fromisoformat(said)
    except ValueError as error:
        raise ConfigError(
            f"--as-of {said!r} is neither the number of an event nor a time",
            hint="panelwright journal lists the numbers; a time is written like 2031-05-04T17:30",
        ) from error
    return opened.as_of(opened.seq_at(moment if moment.tzinfo else moment.replace(tzinfo=place.bench().zone)))
