"""What scoring hands out: scorecards, written as JSON and read back years later.

Every figure comes twice: `value` (with `text`, as printed) went through the method's rounding stages,
`unrounded` did not. Uncertainties belong to the unrounded one.
"""

from typing import Literal

from acquire.model import CalibrationState, Model, Phase, Test

ScoreStatus = Literal["given", "at least", "not given"]
TotalStatus = Literal["complete", "at least", "incomplete"]


class LeftOut(Model):
    """Something that does not count, and why."""

    id: str
    why: str


class Flag(Model):
    """A value that stands out by Grubbs' test; `counted` says what became of it."""

    id: str
    why: str
    counted: bool


class Mark(Model):
    """A reading that counts although its gauge was not in tolerance."""

    id: str
    gauge: str
    state: CalibrationState
    reason: str


class Figure(Model):
    """One number on its way to the points."""

    value: float
    text: str
    unrounded: float
    standard_uncertainty: float
    unit: str


class BudgetLine(Model):
    """One source of uncertainty: its own size, and what it makes of the figure (both k = 1)."""

    source: str
    key: str = ""
    """The same in two scorecards where the error is the same one (a block, a gauge, a reference)."""
    value: float = 0.0
    """Best estimate of the source itself, in `unit`."""
    distribution: Literal["normal", "rectangular"] = "normal"
    sensitivity: float = 0.0
    """Change of the figure for a unit change of the source, with its sign."""
    standard_uncertainty: float
    unit: str
    degrees_of_freedom: float | None
    """None: infinite, or not stated."""
    contribution: float
    """In the figure's unit, without sign."""


class Points(Figure):
    """Points with their uncertainty, about the unrounded value."""

    effective_degrees_of_freedom: float | None
    """None: infinite."""
    coverage: float
    coverage_factor: float
    expanded_uncertainty: float
    budget: tuple[BudgetLine, ...]
    """Largest contribution first."""


class SetResult(Model):
    """The readings of one panel before or after the product."""

    panel: str
    phase: Phase
    zone: str | None = None
    """None: the treated area."""
    asked: int
    taken: int
    """How many readings were taken, extras included."""
    used: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    flags: tuple[Flag, ...]
    marks: tuple[Mark, ...]
    notes: tuple[str, ...]
    problem: str | None
    """Why there is no mean, if there is none."""
    mean: Figure | None
    sd: float | None
    """Of the readings used, in their unit."""
    sd_known_to: float | None
    """Relative standard deviation of `sd` itself, from so few readings."""
    result: Figure | None
    """What the mean stands for: a friction coefficient, a gloss."""


class PanelResult(Model):
    """One panel's part: the change against bare, the mean rating, or the points of its wash stage."""

    panel: str
    figure: Figure | None
    sets: tuple[SetResult, ...] = ()
    highest_passed: int | None = None
    first_failed: int | None = None
    passed_strokes: int | None = None
    """Strokes counted at the inspection of `highest_passed`."""
    failed_strokes: int | None = None
    """Strokes counted at the inspection of `first_failed`."""
    cut_through: bool = False
    """At `first_failed` the finish itself was cut through."""


class Screening(Model):
    """What UV screening can tell: an effect, or none at its sensitivity. In percent of the irradiance."""

    detected: bool
    words: str
    """The only way to say it: seeing no effect is not having none."""
    effect: float
    """Less UV with the product than without; negative: more."""
    standard_uncertainty: float
    expanded_uncertainty: float
    coverage: float
    critical: float
    """What `effect` must exceed to be detected."""
    smallest_detectable: float
    alpha: float
    beta: float
    effective_degrees_of_freedom: float | None
    """Of the decision; None: infinite."""
    budget: tuple[BudgetLine, ...]


class Score(Model):
    """Points of one test. `used` and `left_out` name every reading, rating or inspection it looked at.

    In wash endurance, stroke readings behind an inspection are named only where they are left out or marked.
    """

    test: Test
    status: ScoreStatus
    reasons: tuple[str, ...]
    """Why it is not given, or only a lower limit."""
    points: Points | None
    panels: tuple[PanelResult, ...]
    used: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    flags: tuple[Flag, ...] = ()
    marks: tuple[Mark, ...] = ()
    notes: tuple[str, ...] = ()
    screening: Screening | None = None
    """Of UV screening alone."""


class Total(Model):
    """Sum over the tests whose points are given; sources shared between tests stay correlated.

    Handling is not missing from the total of an untreated control.
    """

    status: TotalStatus
    points: Points | None
    missing: tuple[Test, ...]


class Scorecard(Model):
    """Everything one trial earned under one method."""

    format: Literal["panelwright-scorecard 1"] = "panelwright-scorecard 1"
    trial: str
    control: bool = False
    """The trial is an untreated control: shown beside the others, and not ranked among them."""
    method_title: str
    method_sha256: str
    scores: tuple[Score, ...]
    total: Total
    assumptions: tuple[str, ...]
    """What the figures rest on besides the readings, in words."""

    def score(self, test: Test) -> Score | None:
        """The score of one test; None if the method does not use that test."""
        return next((score for score in self.scores if score.test is test), None)
