"""A long invented force trace at 1 kHz, pull after pull, and the description of the gauge it comes from."""

from functools import cache

import numpy as np
from numpy.typing import NDArray

import config
from drivers.description import GaugeDescription, parse_description
from simulators.force import HANDS, SURFACES, simulate_pulls
from simulators.front import GaugeFront

Floats = NDArray[np.float64]

RATE_HZ = 1000.0
NAME = "force-stream-n"


@cache
def pulls_at_1_khz(samples: int) -> tuple[Floats, Floats]:
    """Times in s and forces in N: twenty simulated pulls on a bare panel, over and over."""
    trace = simulate_pulls(SURFACES["bare"], HANDS["clean"], pulls=20, seed=1)
    _, shown = GaugeFront(rate_hz=RATE_HZ).sample(trace, seed=2)
    return np.arange(samples) / RATE_HZ, np.resize(shown, samples)


def gauge_at_1_khz() -> GaugeDescription:
    """The shipped streaming gauge, said to send a thousand lines a second."""
    text = (config.FOLDER / "gauges" / f"{NAME}.toml").read_text(encoding="utf-8")
    assert "rate_hz = 100.0" in text
    return parse_description(text.replace("rate_hz = 100.0", f"rate_hz = {RATE_HZ}").encode(), NAME)
