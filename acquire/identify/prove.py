"""Holds a description against the bytes it was written from."""

from dataclasses import dataclass

from acquire.identify.heard import Heard
from drivers.base import FrameError, Sample
from drivers.description import GaugeDescription
from drivers.registry import make_driver

DAMAGED_SHARE = 0.05
"""So many lines may have been damaged on the way; more, and the description is wrong."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What a description makes of what was heard."""

    samples: tuple[Sample, ...]
    damaged: tuple[FrameError, ...]

    @property
    def holds(self) -> bool:
        """At least one value was read, and hardly a line was damaged."""
        total = len(self.samples) + len(self.damaged)
        return bool(self.samples) and len(self.damaged) <= DAMAGED_SHARE * total


def prove(description: GaugeDescription, heard: Heard) -> Proof:
    """Decodes what was heard as the service would."""
    driver = make_driver(description)
    samples: list[Sample] = []
    damaged: list[FrameError] = []
    for _, data in heard.chunks:
        batch = driver.feed(data)
        samples += batch
        damaged += batch.errors
    return Proof(tuple(samples), tuple(damaged))
