"""A wash machine's stroke counter: uneven pace, and a count that starts anew at power-up. Pure and seeded."""

from dataclasses import dataclass
from random import Random


@dataclass(slots=True)
class StrokeCounter:
    """`strokes_n` is the truth since the machine was built, `shown_n` what the counter shows."""

    rng: Random
    strokes_per_min: float = 37.0
    jitter: float = 0.02
    """Relative sd of the time between two strokes."""
    strokes_n: int = 0
    shown_n: int = 0

    def __post_init__(self) -> None:
        self.set_pace(self.strokes_per_min)

    def set_pace(self, strokes_per_min: float) -> None:
        """Changes the pace. Raises ValueError for one that no machine has."""
        if not 1 <= strokes_per_min <= 600:
            raise ValueError(f"the pace must lie in 1 to 600 strokes a minute, got {strokes_per_min:g}")
        self.strokes_per_min = strokes_per_min

    def next_interval_s(self) -> float:
        """Time to the next stroke, drawn anew at each call, s."""
        factor = max(0.2, 1.0 + self.jitter * self.rng.gauss())
        return 60.0 / self.strokes_per_min * factor

    def stroke(self) -> int:
        """One stroke is done. Returns the count shown."""
        self.strokes_n += 1
        self.shown_n += 1
        return self.shown_n

    def power_up(self) -> None:
        """The counter forgets; the truth does not."""
        self.shown_n = 0
