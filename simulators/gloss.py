"""A glossmeter on a panel or on its tile: texture scatter and drift over the day. Pure and seeded."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random

ANGLES_DEG = (20, 60, 85)


@dataclass(frozen=True, slots=True)
class Target:
    """What the meter stands on: the mean gloss in GU per angle, and its sd from spot to spot."""

    name: str
    mean_gu: Mapping[int, float]
    scatter_gu: float = 0.0

    def __post_init__(self) -> None:
        for angle_deg, mean_gu in self.mean_gu.items():
            if angle_deg not in ANGLES_DEG:
                raise ValueError(f"no angle of {angle_deg} degrees here; there are {ANGLES_DEG}")
            if not 0 <= mean_gu <= 2000:
                raise ValueError(f"gloss at {angle_deg} degrees must lie in 0 to 2000 GU, got {mean_gu:g}")
        if self.scatter_gu < 0:
            raise ValueError(f"scatter cannot be negative, got {self.scatter_gu:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Error of the meter in GU on a full-gloss surface; scaled with the gloss elsewhere."""

    gu_per_h: float = 0.0
    warm_up_gu: float = 0.0
    """Error at power-up, which dies away with `warm_up_s`."""
    warm_up_s: float = 600.0

    def at(self, t_s: float) -> float:
        return self.gu_per_h * t_s / 3600.0 + self.warm_up_gu * math.exp(-t_s / self.warm_up_s)


@dataclass(frozen=True, slots=True)
class GlossTruth:
    """One measurement: gloss of the very spot, the meter's error, and what it showed, all in GU."""

    t_s: float
    target: str
    angle_deg: int
    mean_gu: float
    spot_gu: float
    error_gu: float
    shown_gu: float


FULL_GLOSS_GU = 100.0


@dataclass(slots=True)
class Glossmeter:
    """A simulated meter. `step_gu` is a sudden error that stays (a knock, a dirty lens)."""

    rng: Random
    drift: Drift = field(default_factory=Drift)
    noise_gu: float = 0.05
    resolution_gu: float = 0.1
    step_gu: float = 0.0

    def measure(self, target: Target, angle_deg: int, t_s: float) -> GlossTruth:
        """Measures once at simulated time `t_s`.

        Raises:
            ValueError: the target has no gloss at that angle.
        """
        if angle_deg not in target.mean_gu:
            known = ", ".join(str(angle) for angle in target.mean_gu)
            raise ValueError(f"{target.name} has no gloss at {angle_deg} degrees; it has {known}")
        mean_gu = target.mean_gu[angle_deg]
        texture, noise = self.rng.gauss(), self.rng.gauss()
        spot_gu = max(0.0, mean_gu + target.scatter_gu * texture)
        error_gu = (self.drift.at(t_s) + self.step_gu) * spot_gu / FULL_GLOSS_GU + self.noise_gu * noise
        steps_n = round(max(0.0, spot_gu + error_gu) / self.resolution_gu)
        shown_gu = round(steps_n * self.resolution_gu, 6)  # 914 * 0.1 is not quite the number "91.4"
        return GlossTruth(t_s, target.name, angle_deg, mean_gu, spot_gu, error_gu, shown_gu)
