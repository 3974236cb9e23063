"""Pulls in a whole trace: what `panelwright pulls` lists."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull
from acquire.capture.finder import PullFinder
from acquire.capture.survey import Survey, settings_for, survey

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TracePulls:
    """The pulls of one trace, with what was read off it. Forces in N."""

    survey: Survey
    samples: int
    pulls: list[tuple[str, Pull]]
    """Direction ("tension" or "compression") and pull, in order of time within each run."""


def pulls_in(
    t: Floats,
    f: Floats,
    *,
    directions: tuple[str, ...],
    breaks: tuple[int, ...] = (),
    **chosen: float | None,
) -> TracePulls:
    """Finds the pulls of a trace.

    Args:
        t: times in s, shape (n,), n >= 2.
        f: forces in N with tension positive, shape (n,).
        directions: "tension", "compression" or both; pushes are reported with positive forces.
        breaks: indices where a new run starts; no pull spans them.
        chosen: fields of `PullSettings` that go before what is read off the trace; None does not.
    """
    given = {key: value for key, value in chosen.items() if value is not None}
    found: list[tuple[str, Pull]] = []
    for start, stop in zip((0, *breaks), (*breaks, len(t)), strict=True):
        run: list[tuple[str, Pull]] = []
        for direction in directions:
            g = f[start:stop] if direction == "tension" else -f[start:stop]
            if len(g) < 2:
                continue
            finder = PullFinder(replace(settings_for(t[start:stop], g), **given))
            run += [(direction, pull) for pull in (*finder.feed(t[start:stop], g), *finder.finish())]
        found += sorted(run, key=lambda item: item[1].t_start_s)
    return TracePulls(survey(t, f), len(t), found)
