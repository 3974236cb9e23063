"""Which trials pass a filter, and what is said if none does."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from acquire.errors import ConfigError
from acquire.filters import Filter, passing
from acquire.model import Trial

COLOURS = {"p-1": "black", "p-2": "white"}


def trial(name: str, when: datetime, *panels: str, kind: str | None = None, control: bool = False) -> Trial:
    return Trial(id=name, product=name, panels=panels, product_class=kind, control=control, t_utc=when)


TRIALS = (
    trial("alder", datetime(2031, 3, 5, 9, tzinfo=UTC), "p-1", kind="wax"),
    trial("birch", datetime(2031, 3, 5, 23, 30, tzinfo=UTC), "p-2", "p-1", kind="Spray sealant"),
    trial("cedar", datetime(2031, 4, 1, 9, tzinfo=UTC), "p-3"),
    trial("bare", datetime(2031, 4, 1, 9, tzinfo=UTC), "p-2", control=True),
)


def names(wanted: Filter) -> list[str]:
    return [one.id for one in passing(TRIALS, wanted, ZoneInfo("Europe/Berlin"), COLOURS)]


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        (Filter(), ["alder", "birch", "cedar", "bare"]),
        (Filter(product_class="spray sealant"), ["birch", "bare"]),
        (Filter(colour="White"), ["birch", "bare"]),
        (Filter(colour="black"), ["alder", "birch"]),
        # Half past eleven in the evening UTC is the next day where the bench stands.
        (Filter(since=date(2031, 3, 6)), ["birch", "cedar", "bare"]),
        (Filter(until=date(2031, 3, 5)), ["alder"]),
        (Filter(since=date(2031, 3, 6), until=date(2031, 3, 6)), ["birch"]),
        (Filter(product_class="wax", colour="black", until=date(2031, 12, 31)), ["alder"]),
    ],
)
def test_trials_that_pass(wanted: Filter, expected: list[str]) -> None:
    assert names(wanted) == expected


@pytest.mark.parametrize(
    ("wanted", "what", "hint"),
    [
        (Filter(product_class="waks"), "no trial has a product of class 'waks'", "did you mean 'wax'?"),
        (Filter(colour="blak"), "no trial has a panel of colour 'blak'", "did you mean 'black'?"),
        (
            Filter(since=date(2032, 1, 1)),
            "no trial was begun in that time",
            "the trials were begun from 2031-03-05 to 2031-04-01",
        ),
    ],
)
def test_none_passes(wanted: Filter, what: str, hint: str) -> None:
    with pytest.raises(ConfigError) as caught:
        names(wanted)
    assert (str(caught.value), caught.value.hint) == (what, hint)


def test_nothing_known_to_filter_by() -> None:
    cedar = TRIALS[2:3]
    with pytest.raises(ConfigError) as caught:
        passing(cedar, Filter(product_class="wax"), UTC, {})
    assert caught.value.hint == "no trial says the class of its product"
    with pytest.raises(ConfigError) as caught:
        passing(cedar, Filter(colour="black"), UTC, {})
    assert "is listed with its colour" in caught.value.hint
