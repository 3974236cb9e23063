"""Lives between two inspections, against published estimates; how far each source was read stands there."""

import math

import pytest

from acquire.scoring.lifetime import Life, LifeMass, median, median_interval, turnbull

RADIOTHERAPY = """
45- 6,10 0,7 46- 46- 7,16 17- 7,14 37,44 0,8 4,11 15- 11,15 22- 46- 46- 25,37 46- 26,40 46- 27,34 36,44
46- 36,48 37- 40- 17,25 46- 11,18 38- 5,12 37- 0,5 18- 24- 36- 5,11 19,35 17,25 24- 32- 33- 19,26 37- 34- 36-
"""
WITH_CHEMOTHERAPY = """
8,12 0,22 24,31 17,27 17,23 24,30 16,24 13- 11,13 16,20 18,25 17,26 32- 23- 44,48 14,17 0,5 5,8 12,20 11-
33,40 31- 13,39 19,32 34- 13- 16,24 35- 15,22 11,17 22,32 10,35 30,34 13- 10,17 8,21 4,9 11- 14,19 4,8
34- 30,36 18,24 16,60 35,39 21- 11,20 48-
"""


def lives(text: str) -> list[Life]:
    """ "6,10" is a life in (6, 10], "45-" one beyond 45, "6" one of exactly 6."""
    found = []
    for word in text.split():
        if word.endswith("-"):
            found.append(Life(float(word[:-1]), None))
        else:
            after, _, by = word.partition(",")
            found.append(Life(float(after), float(by or after)))
    return found


def rows(masses: tuple[LifeMass, ...]) -> list[tuple[float, float | None]]:
    return [(one.after, one.by) for one in masses]


def log_likelihood(data: list[Life], masses: tuple[LifeMass, ...]) -> float:
    def inside(life: Life, one: LifeMass) -> bool:
        by = math.inf if one.by is None else one.by
        return life.after <= one.after and by <= (math.inf if life.by is None else life.by)

    return sum(math.log(sum(one.mass for one in masses if inside(life, one))) for life in data)


# Finkelstein and Wolfe, Biometrics 41 (1985) 933: data and masses to four decimals as a public statistics
# package distributes them, read there; the paper itself was not. Log-likelihoods recomputed, not printed.
@pytest.mark.parametrize(
    ("text", "count", "at", "printed", "likelihood"),
    [
        (
            RADIOTHERAPY,
            46,
            [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)],
            [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656],
            -58.060022,
        ),
        (
            WITH_CHEMOTHERAPY,
            48,
            [
                (4, 5),
                (5, 8),
                (11, 12),
                (16, 17),
                (18, 19),
                (19, 20),
                (24, 25),
                (30, 31),
                (35, 36),
                (44, 48),
                (48, 60),
            ],
            [0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608, 0.0552, 0.0552],
            -65.636965,
        ),
    ],
)
def test_breast_cosmesis(
    text: str, count: int, at: list[tuple[float, float]], printed: list[float], likelihood: float
) -> None:
    data = lives(text)
    assert len(data) == count
    masses = turnbull(data)
    assert rows(masses) == at
    assert [one.mass for one in masses] == pytest.approx(printed, abs=5.1e-5)
    assert log_likelihood(data, masses) == pytest.approx(likelihood, abs=2e-6)
    assert sum(one.mass for one in masses) == pytest.approx(1)
    assert masses[-1].surviving == pytest.approx(0, abs=1e-9)


def test_medians_of_breast_cosmesis() -> None:
    """Follows from the printed masses: they pass one half in these intervals."""
    assert median(turnbull(lives(RADIOTHERAPY))) == (38, 40)
    assert median(turnbull(lives(WITH_CHEMOTHERAPY))) == (19, 20)


def test_a_small_case_worked_out_exactly() -> None:
    """By hand: two groups of lives that do not touch, 4 of 7 and 3 of 7, each shared evenly."""
    masses = turnbull(lives("2,3 5,6 1,7 1,7 9,12 8,10 10,13"))
    assert rows(masses) == [(2, 3), (5, 6), (9, 10), (10, 12)]
    assert [one.mass for one in masses] == pytest.approx([2 / 7, 2 / 7, 3 / 14, 3 / 14], abs=1e-9)


def test_with_exact_and_open_lives_it_is_the_kaplan_meier_estimate() -> None:
    """Remission in weeks, Freireich and others 1963, as textbooks print it; second-hand, recomputed."""
    drug = "6 6 6 6- 7 9- 10 10- 11- 13 16 17- 19- 20- 22 23 25- 32- 32- 34- 35-"
    masses = turnbull(lives(drug))
    steps = [(one.by, one.surviving) for one in masses if one.by is not None]
    printed = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    assert [at for at, _ in steps] == [6, 7, 10, 13, 16, 22, 23]
    assert [left for _, left in steps] == pytest.approx(printed, abs=6e-7)
    assert masses[-1].by is None
    assert masses[-1].mass == pytest.approx(0.448179, abs=6e-7)
    assert median(masses) == (23, 23)
    placebo = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
    assert median(turnbull(lives(placebo))) == (8, 8)


@pytest.mark.parametrize(
    ("count", "rank", "reached"),
    [(6, 1, 0.96875), (8, 1, 0.9921875), (9, 2, 0.9609375), (10, 2, 0.978515625)],
)
def test_ranks_of_the_interval_of_a_median(count: int, rank: int, reached: float) -> None:
    """Binomial sums, as tables of the sign test have them; from memory, recomputed."""
    exact = [Life(i, i) for i in range(1, count + 1)]
    low, high, covers = median_interval(exact, 0.95)
    assert (low, high) == (rank, count + 1 - rank)
    assert covers == pytest.approx(reached, abs=1e-12)
