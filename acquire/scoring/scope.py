"""Which panels of a trial each test looks at, by the protocol."""

from collections.abc import Iterable, Sequence

from acquire.model import Test

FIRST_PANEL_ONLY = (Test.HANDLING, Test.WASH)
"""The product goes on once, which one panel shows, and one panel is washed; the others are measured only."""


def panels_of(test: Test, panels: Sequence[str]) -> Sequence[str]:
    """The panels without which the test has no score."""
    return panels[:1] if test in FIRST_PANEL_ONLY else panels


def untouched(test: Test, panels: Sequence[str], seen: Iterable[str], word: str) -> list[str]:
    """One line for each panel of the trial that the test has not seen, such as "slip on B: not measured yet".

    Args:
        panels: all of the trial.
        seen: those the test has seen.
        word: what should have been done to them.
    """
    known = set(seen)
    return [
        f"{test.value} on {panel}: not {word} yet" for panel in panels_of(test, panels) if panel not in known
    ]
