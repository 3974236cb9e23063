"""What a gauge's own errors add to a mean: as the stamps of its readings state them, part by part.

Parts with one key are one error: readings under one check err together in what that check left unknown,
readings under two checks only in what both had in common, such as the reference.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from acquire.model import AppliedCorrection, Reading, UncertaintyPart
from acquire.scoring.method import GaugeError
from acquire.scoring.selection import Candidate
from acquire.scoring.uncertainty import Source, Sources


class GaugeErrors:
    """The gauges of one test in one trial.

    "scale": a stamp's uncertainty holds at the value that was checked, and grows and shrinks in proportion to
    the reading. "offset": it shifts all readings alike, and cancels between bare and treated.
    """

    def __init__(self, how: GaugeError, unit: str, used: Iterable[Candidate], sources: Sources) -> None:
        self._scale = how == "scale"
        self._unit = unit
        self._sources = sources
        self._known: dict[str, Source] = {}
        self._largest: dict[str, float] = defaultdict(float)
        # A stamp of before parts were told may stand for several: the least certain of a check rules.
        self._whole: dict[tuple[str, str | None], float] = defaultdict(float)
        used = list(used)
        for candidate in used:
            gauge = candidate.reading.gauge
            self._largest[gauge] = max(self._largest[gauge], abs(candidate.value))
        for candidate in used:
            stamp = candidate.reading.stamp
            if not stamp.parts:
                group = candidate.reading.gauge, stamp.check
                self._whole[group] = max(
                    self._whole[group], self._size(candidate.reading, stamp.standard_uncertainty)
                )

    def of_mean(self, used: Sequence[Candidate]) -> dict[Source, float]:
        """How much the mean of these readings changes with each source that lies in their gauges."""
        slopes: dict[Source, float] = defaultdict(float)
        for candidate in used:
            reading, stamp = candidate.reading, candidate.reading.stamp
            weight = (candidate.value if self._scale else 1.0) / len(used)
            if stamp.parts:
                by = self._size(reading, 1.0)
                for part in stamp.parts:
                    if size := by * part.standard_uncertainty:
                        source = self._known.get(part.key) or self._part(part, size)
                        slopes[source] += weight * size / source.standard_uncertainty
            elif size := self._whole[reading.gauge, stamp.check]:
                source = self._stamp(reading, size)
                slopes[source] += weight * size / source.standard_uncertainty
            if reading.correction is not None and (size := reading.correction.standard_uncertainty):
                source = self._correction(reading.correction)
                slopes[source] += size / source.standard_uncertainty / len(used)
        return slopes

    def _size(self, reading: Reading, uncertainty: float) -> float:
        """In the reading's unit, or relative to the value it was found at.

        A stamp without a check states a bound that holds at every reading alike, so the largest one says how
        steep an error it leaves room for.
        """
        if not self._scale:
            return uncertainty
        at = abs(reading.stamp.at_value or self._largest[reading.gauge])
        return uncertainty / at if at else 0.0

    def _part(self, part: UncertaintyPart, size: float) -> Source:
        source = self._sources.source(
            0.0,
            size,
            name=part.source,
            unit="1" if self._scale else self._unit,
            key=part.key,
            freedom=part.degrees_of_freedom,
            distribution=part.distribution,
        )
        self._known[part.key] = source
        return source

    def _stamp(self, reading: Reading, size: float) -> Source:
        name = f"gauge {reading.gauge}"
        # Without a check, nothing says that the error of another trial was the same.
        key = None if reading.stamp.check is None else f"{name} by {reading.stamp.check}"
        return self._sources.source(
            0.0,
            size,
            name=f"scale of {name}" if self._scale else name,
            unit="1" if self._scale else self._unit,
            key=key or self._sources.own_key(f"{name} unchecked"),
        )

    def _correction(self, correction: AppliedCorrection) -> Source:
        """The fit's error moves all that it corrected the same way, each by its own amount."""
        return self._sources.source(
            0.0,
            correction.standard_uncertainty,
            name=f"fitted correction {correction.id}",
            unit=self._unit,
            key=f"correction {correction.id}",
        )


def silent_gauges(used: Iterable[Candidate]) -> Iterator[str]:
    """One line for each gauge that states no uncertainty at all."""
    stated: dict[str, float] = defaultdict(float)
    for candidate in used:
        stated[candidate.reading.gauge] += candidate.reading.stamp.standard_uncertainty
    for gauge in sorted(stated):
        if stated[gauge] == 0:
            yield f"gauge {gauge} has no stated uncertainty, so none is counted for it"
