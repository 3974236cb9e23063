"""A block on a panel, drawn by a spring: when it sticks, when it breaks away, how it slides.

    m dv/dt = F - N mu(v),   F = k (X - x) + c (V - v), never below 0: a string cannot push

X, V are the hand's position and speed, x, v the block's. While the block sticks, whole stretches of time are
computed at once; while it slips, step by step.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STANDARD_GRAVITY_M_PER_S2 = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A panel under the block.

    The static coefficient depends on the time t that block and panel have rested on each other:

        mu_kinetic + (mu_static - mu_kinetic) (1 - exp(-t / healing_s))
                   + ageing_per_decade log10(1 + t / ageing_s)
    """

    mu_static: float = 0.31
    mu_kinetic: float = 0.24
    healing_s: float = 0.3
    """How fast a fresh contact regains its static friction; 0 is at once (classical stick-slip)."""
    ageing_per_decade: float = 0.003
    ageing_s: float = 1.0
    weakening_m_per_s: float = 0.0005
    """Speed over which friction falls from the static to the kinetic value."""
    scatter: float = 0.02
    """Relative sd of both coefficients from pull to pull."""
    texture: float = 0.01
    """Relative sd of the kinetic coefficient along the way."""

    def __post_init__(self) -> None:
        if not 0 < self.mu_kinetic <= self.mu_static:
            raise ValueError(
                f"friction needs 0 < mu_kinetic <= mu_static, got mu_static={self.mu_static:g} and "
                f"mu_kinetic={self.mu_kinetic:g}"
            )
        for name in ("healing_s", "ageing_per_decade", "scatter", "texture"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} cannot be negative, got {getattr(self, name):g}")
        for name in ("ageing_s", "weakening_m_per_s"):
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} must be above zero, got {getattr(self, name):g}")

    @property
    def drops(self) -> bool:
        """Whether the force falls after the break (otherwise it just levels off)."""
        return self.mu_static > self.mu_kinetic

    def static_at(self, contact_s: Floats) -> Floats:
        """The static coefficient after each of these contact times, same shape."""
        healed = 1.0 if self.healing_s == 0 else -np.expm1(-contact_s / self.healing_s)
        aged = self.ageing_per_decade * np.log10(1.0 + contact_s / self.ageing_s)
        return np.asarray(self.mu_kinetic + (self.mu_static - self.mu_kinetic) * healed + aged)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Block, string and gauge. `damping` is the damping ratio of the block on its string."""

    mass_kg: float = 1.0
    spring_n_per_m: float = 3000.0
    damping: float = 0.35
    gravity_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2

    @property
    def weight_n(self) -> float:
        return self.mass_kg * self.gravity_m_per_s2

    @property
    def damper_n_s_per_m(self) -> float:
        return 2.0 * self.damping * math.sqrt(self.spring_n_per_m * self.mass_kg)


@dataclass(frozen=True, slots=True)
class Break:
    """The block began to slip `after` (0 to 1) of a step behind step `index` - 1."""

    index: int
    after: float
    force_n: float
    contact_s: float


@dataclass(slots=True)
class Block:
    """The moving state. `surface` may be replaced between pulls; `breaks` grows, indices count all steps."""

    rig: Rig
    surface: Surface
    step_s: float
    x_m: float = 0.0
    speed_m_per_s: float = 0.0
    sliding: bool = False
    contact_s: float = 0.0
    broke_at_mu: float = 0.0
    steps_n: int = 0
    breaks: list[Break] = field(default_factory=list)

    def rest(self, n: int) -> None:
        """Lets `n` steps pass with a slack string."""
        self.contact_s += n * self.step_s
        self.steps_n += n

    def follow(self, hand_m: Floats, hand_m_per_s: Floats, texture: Floats, *, stop: bool = False) -> Floats:
        """The string's force at each step of the hand's way, N, shape (n,).

        With `stop` it ends at the first break: the step of the break is not part of the result.
        """
        n = len(hand_m)
        force = np.zeros(n)
        i = 0
        while i < n:
            if self.sliding:
                j = self._slip(hand_m, hand_m_per_s, texture, force, i)
            else:
                j = self._stick(hand_m, hand_m_per_s, force, i)
            self.steps_n += j - i
            i = j
            if stop and self.sliding:
                break
        return force[:i]

    def _stick(self, hand_m: Floats, hand_m_per_s: Floats, force: Floats, start: int) -> int:
        """Holds until the force passes the static limit. Returns the index of the first step that slips."""
        rig, window_n = self.rig, 256
        i, n = start, len(hand_m)
        while i < n:
            stop = min(n, i + window_n)
            pull = rig.spring_n_per_m * (hand_m[i:stop] - self.x_m)
            np.maximum(0.0, pull + rig.damper_n_s_per_m * hand_m_per_s[i:stop], out=force[i:stop])
            force[i:stop][pull <= 0] = 0.0  # a slack string has no damping either
            contact_s = self.contact_s + self.step_s * np.arange(stop - i, dtype=np.float64)
            limit = rig.weight_n * self.surface.static_at(contact_s)
            over = force[i:stop] > limit
            if over.any():
                first = int(over.argmax())
                self._break(force, i + first, start, float(limit[first]), float(contact_s[first]))
                return i + first
            self.contact_s += self.step_s * (stop - i)
            i, window_n = stop, window_n * 2
        return n

    def _break(self, force: Floats, i: int, start: int, limit_n: float, contact_s: float) -> None:
        before_n = float(force[i - 1]) if i > start else limit_n
        rise_n = float(force[i]) - before_n
        after = (limit_n - before_n) / rise_n if rise_n > 0 else 1.0
        self.breaks.append(Break(self.steps_n + i - start, after, limit_n, contact_s))
        self.sliding = True
        self.speed_m_per_s = 0.0
        self.broke_at_mu = limit_n / self.rig.weight_n

    def _slip(self, hand_m: Floats, hand_m_per_s: Floats, texture: Floats, force: Floats, start: int) -> int:
        """Slides step by step (semi-implicit Euler) until the block stops. Returns the next index."""
        dt, k, c = self.step_s, self.rig.spring_n_per_m, self.rig.damper_n_s_per_m
        per_mass = dt / self.rig.mass_kg
        kinetic_n = self.surface.mu_kinetic * self.rig.weight_n
        extra_n = (self.broke_at_mu - self.surface.mu_kinetic) * self.rig.weight_n
        per_weakening = -1.0 / self.surface.weakening_m_per_s
        x, v, exp = self.x_m, self.speed_m_per_s, math.exp
        out: list[float] = []
        ways = zip(
            hand_m[start:].tolist(), hand_m_per_s[start:].tolist(), texture[start:].tolist(), strict=True
        )
        for hand_x, hand_v, rough in ways:
            stretch = hand_x - x
            pull = k * stretch + c * (hand_v - v) if stretch > 0.0 else 0.0
            if pull < 0.0:
                pull = 0.0
            out.append(pull)
            v += per_mass * (pull - kinetic_n * rough - extra_n * exp(v * per_weakening))
            if v <= 0.0:
                v = 0.0
                self.sliding = False
                self.contact_s = 0.0
                break
            x += v * dt
        self.x_m, self.speed_m_per_s = x, v
        force[start : start + len(out)] = out
        return start + len(out)
