"""Repeatability and reproducibility between benches, after ASTM E691 and ISO 5725-2.

Each material (here: a kind of panel) is judged by itself. h says how far a bench's mean lies from the mean of
all, k how its scatter compares with that of all; a bench beyond the critical values deserves a look, not a
deletion.
"""

import math
from collections import defaultdict
from collections.abc import Iterable

from scipy.special import fdtri, stdtrit

from acquire.errors import SourceError
from acquire.model import Model
from acquire.studies.observed import Observed, balance

LEVEL = 0.005
"""Significance of the critical values of h and k, as both standards print them."""
LIMIT_FACTOR = 2.8
"""1.96 × sqrt(2), rounded as the standards do: 95 % of differences between two results lie within it."""


class BenchCell(Model):
    """One bench on one material."""

    bench: str
    mean: float
    sd: float
    h: float | None
    k: float | None
    """None where nothing varies."""
    h_beyond: bool
    k_beyond: bool


class Precision(Model):
    """One material over all benches, in the values' unit."""

    material: str
    benches_n: int
    repeats_n: int
    mean: float
    sd_of_means: float
    repeatability_sd: float
    reproducibility_sd: float
    repeatability_limit: float
    reproducibility_limit: float
    clamped: bool
    """The formula gave a reproducibility below the repeatability, to which it was set."""
    h_critical: float
    k_critical: float
    cells: tuple[BenchCell, ...]


def precision(observed: Iterable[Observed], *, level: float = LEVEL) -> tuple[Precision, ...]:
    """Judges every material, in order of their names; materials may differ in the number of repeats.

    Raises:
        SourceError: not balanced, fewer than three benches, or no repeats.
    """
    by_material: dict[str, list[Observed]] = defaultdict(list)
    observed = list(observed)
    for one in observed:
        by_material[one.what].append(one)
    benches = {one.who for one in observed}
    for material, own in by_material.items():
        lacking = sorted(benches - {one.who for one in own})
        if lacking:
            raise SourceError(
                f"not balanced: {', '.join(lacking)} did not measure {material}",
                hint="every bench must measure everything; add what is missing or leave names out",
            )
    return tuple(_precision(material, by_material[material], level) for material in sorted(by_material))


def _precision(material: str, own: Iterable[Observed], level: float) -> Precision:
    data = balance(own)
    values = data.values[:, 0, :]
    benches_n, repeats_n = values.shape
    if benches_n < 3 or repeats_n < 2:
        raise SourceError(
            f"{material}: {benches_n} bench(es) with {repeats_n} value(s) each",
            hint="three benches with two values each are needed at least",
        )
    means, sds = values.mean(axis=1), values.std(axis=1, ddof=1)
    centre, spread = float(means.mean()), float(means.std(ddof=1))
    repeatability = math.sqrt(float((sds**2).mean()))
    formula = math.sqrt(spread**2 + repeatability**2 * (repeats_n - 1) / repeats_n)
    reproducibility = max(formula, repeatability)
    h_limit, k_limit = h_critical(benches_n, level), k_critical(benches_n, repeats_n, level)
    cells = []
    for bench, mean, sd in zip(data.who, means, sds, strict=True):
        h = (float(mean) - centre) / spread if spread else None
        k = float(sd) / repeatability if repeatability else None
        cells.append(
            BenchCell(
                bench=bench,
                mean=float(mean),
                sd=float(sd),
                h=h,
                k=k,
                h_beyond=h is not None and abs(h) > h_limit,
                k_beyond=k is not None and k > k_limit,
            )
        )
    return Precision(
        material=material,
        benches_n=benches_n,
        repeats_n=repeats_n,
        mean=centre,
        sd_of_means=spread,
        repeatability_sd=repeatability,
        reproducibility_sd=reproducibility,
        repeatability_limit=LIMIT_FACTOR * repeatability,
        reproducibility_limit=LIMIT_FACTOR * reproducibility,
        clamped=formula < repeatability,
        h_critical=h_limit,
        k_critical=k_limit,
        cells=tuple(cells),
    )


def h_critical(benches_n: int, level: float = LEVEL) -> float:
    """What |h| stays below with probability 1 - `level`, of `benches_n` (3 or more) equal benches."""
    t = float(stdtrit(benches_n - 2, 1 - level / 2))
    return (benches_n - 1) * t / math.sqrt(benches_n * (t**2 + benches_n - 2))


def k_critical(benches_n: int, repeats_n: int, level: float = LEVEL) -> float:
    """What k stays below with probability 1 - `level`."""
    f = float(fdtri(repeats_n - 1, (benches_n - 1) * (repeats_n - 1), 1 - level))
    return math.sqrt(benches_n / (1 + (benches_n - 1) / f))
