"""Decisions with a guard band against published figures; how far each source was read stands beside it."""

from math import inf, sqrt

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from acquire.calibration.guard import acceptance_limit, conformance_probability, decide

U = 1.0
TOLERANCE = 10.0


@pytest.mark.parametrize(
    ("guard", "wrong"), [(0.0, 0.5), (0.83, 0.0484572), (1.0, 0.0227501), (1.5, 0.0013499), (3.0, 9.87e-10)]
)
def test_worst_chance_of_a_wrong_pass(guard: float, wrong: float) -> None:
    """ILAC-G8:09/2019, normal, U at k = 2: w = 0 and w = U read second-hand, the others from memory; all
    recomputed. At the acceptance limit, a pass is as wrong as it can be."""
    limit = acceptance_limit(TOLERANCE, U, guard)
    assert decide(limit, U, TOLERANCE, guard) == "pass"
    assert 1 - conformance_probability(limit, U / 2, upper=TOLERANCE) == pytest.approx(wrong, rel=5e-4)


def test_exactly_one_in_twenty() -> None:
    """w = 0.822427 U gives 5 %: derived."""
    limit = acceptance_limit(TOLERANCE, U, 0.822427)
    assert 1 - conformance_probability(limit, U / 2, upper=TOLERANCE) == pytest.approx(0.05, abs=1e-7)


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "full"),
    [
        (-5.47, 0.05, -inf, -5.40, 0.919243),
        (509.7, 8.6, 490.0, inf, 0.989010),
        (13.6, 1.8, 12.5, 16.3, 0.662630),
    ],
)
def test_probability_of_conformity(value: float, u: float, lower: float, upper: float, full: float) -> None:
    """Examples of JCGM 106:2012 (0.92, 0.99, 0.66): from memory, recomputed to the digits given."""
    assert conformance_probability(value, u, lower=lower, upper=upper) == pytest.approx(full, abs=1e-6)


@pytest.mark.parametrize(
    ("ratio", "guard", "accepted", "rejected"),
    [(4, 0.0, 0.00858, 0.01554), (2, 0.0, 0.01337, 0.04178), (4, 4 * (1 - sqrt(15 / 16)), 0.00627, 0.02157)],
)
def test_global_risk(ratio: float, guard: float, accepted: float, rejected: float) -> None:
    """Items 95 % in tolerance, normal; wrong passes and rejections of a process: derived by integration.

    The limits and probabilities are the module's, the process is integrated over here.
    """
    tolerance, expanded = 1.0, 1.0 / ratio
    limit = acceptance_limit(tolerance, expanded, guard)
    process = norm(scale=tolerance / norm.ppf(0.975))

    def passes(true: float) -> float:
        return conformance_probability(true, expanded / 2, lower=-limit, upper=limit)

    wrong_pass = 2 * quad(lambda true: process.pdf(true) * passes(true), tolerance, 3 * tolerance)[0]
    wrong_fail = 2 * quad(lambda true: process.pdf(true) * (1 - passes(true)), 0, tolerance)[0]
    assert wrong_pass == pytest.approx(accepted, abs=6e-6)
    assert wrong_fail == pytest.approx(rejected, abs=6e-6)


@pytest.mark.parametrize("side", [1, -1])
def test_between_the_limits_nothing_is_decided(side: int) -> None:
    for share, verdict in (
        (0.0, "pass"),
        (0.9, "pass"),
        (0.91, "undecided"),
        (1.0, "undecided"),
        (1.01, "fail"),
    ):
        assert decide(side * share * TOLERANCE, U, TOLERANCE, 1.0) == verdict


def test_an_uncertainty_beyond_the_tolerance_passes_nothing_by_any_rule() -> None:
    for guard in (0.0, 0.5, 1.0):
        assert decide(0.0, 10.1, TOLERANCE, guard) == "undecided"
        assert decide(10.1, 10.1, TOLERANCE, guard) == "fail"


def test_what_is_known_exactly_conforms_or_does_not() -> None:
    assert conformance_probability(0.5, 0.0, lower=-0.5, upper=0.5) == 1.0
    assert conformance_probability(0.6, 0.0, lower=-0.5, upper=0.5) == 0.0


def test_few_values_leave_more_doubt() -> None:
    """Student's factor for 2 degrees of freedom at 95 % is 4.303 (tables, from memory)."""
    assert conformance_probability(0.0, 1.0, lower=-4.3027, upper=4.3027, freedom=2) == pytest.approx(
        0.95, abs=1e-5
    )
