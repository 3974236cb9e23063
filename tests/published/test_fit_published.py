"""Least squares against published values; how far each source was read stands beside it."""

from math import sqrt

import pytest
from scipy.stats import f as fisher

from acquire.calibration.components import between_and_within
from acquire.calibration.fit import CURVATURE_LEVEL, curvature_p, fit_curve, fit_polynomial

NORRIS = """
0.1/0.2 338.8/337.4 118.1/118.2 888.0/884.6 9.2/10.1 228.1/226.5 668.5/666.3 998.5/996.3 449.1/448.6
778.9/777.0 559.2/558.2 0.3/0.4 0.1/0.6 778.1/775.5 668.8/666.9 339.3/338.0 448.9/447.5 10.8/11.6
557.7/556.0 228.3/228.1 998.0/995.8 888.8/887.6 119.6/120.2 0.3/0.3 0.6/0.3 557.6/556.8 339.3/339.1
888.0/887.2 998.5/999.0 778.9/779.0 10.2/11.1 117.6/118.3 228.9/229.2 668.4/669.1 449.2/448.9 0.2/0.5
"""
"""NIST StRD, Norris (calibration of an ozone monitor), y/x: read in the file NIST ships."""

PONTIUS = """
.11019/150000 .21956/300000 .32949/450000 .43899/600000 .54803/750000 .65694/900000 .76562/1050000
.87487/1200000 .98292/1350000 1.09146/1500000 1.20001/1650000 1.30822/1800000 1.41599/1950000 1.52399/2100000
1.63194/2250000 1.73947/2400000 1.84646/2550000 1.95392/2700000 2.06128/2850000 2.16844/3000000 .11052/150000
.22018/300000 .32939/450000 .43886/600000 .54798/750000 .65739/900000 .76596/1050000 .87474/1200000
.98300/1350000 1.09150/1500000 1.20004/1650000 1.30818/1800000 1.41613/1950000 1.52408/2100000 1.63159/2250000
1.73965/2400000 1.84696/2550000 1.95445/2700000 2.06177/2850000 2.16829/3000000
"""
"""NIST StRD, Pontius (load cell), deflection/load: data read in NIST's own files."""

LOADCELL = """
2 0.20024 0.20016 0.20024 4 0.40056 0.40045 0.40054 6 0.60087 0.60075 0.60086 8 0.80130 0.80122 0.80127
10 1.00173 1.00164 1.00173 12 1.20227 1.20218 1.20227 14 1.40282 1.40278 1.40279 16 1.60344 1.60339 1.60341
18 1.80412 1.80409 1.80411 20 2.00485 2.00481 2.00483 21 2.10526 2.10524 2.10524
"""
"""NIST/SEMATECH e-Handbook 2.3.6.5, load and three readings: data read in NIST's own files."""

THERMOMETER_DEGC = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
CORRECTIONS = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def pairs(text: str) -> tuple[list[float], list[float]]:
    """x and y of "y/x" words."""
    found = [tuple(map(float, word.split("/"))) for word in text.split()]
    return [x for _, x in found], [y for y, _ in found]


def load_cell() -> tuple[list[float], list[float]]:
    words = [float(word) for word in LOADCELL.split()]
    rows = [words[first : first + 4] for first in range(0, len(words), 4)]
    return [row[0] for row in rows for _ in range(3)], [value for row in rows for value in row[1:]]


def test_norris() -> None:
    """Certified values, 15 digits; nine are asked for."""
    x, y = pairs(NORRIS)
    fit = fit_polynomial(x, y, about=0.0)
    assert fit.coefficients == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-9)
    assert fit.standard_uncertainties == pytest.approx((0.232818234301152, 0.429796848199937e-3), rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.degrees_of_freedom == 34


def test_pontius_needs_a_parabola() -> None:
    """Certified values; the square term and the uncertainties from memory, recomputed to 15 digits."""
    x, y = pairs(PONTIUS)
    fit = fit_polynomial(x, y, degree=2, about=0.0)
    expected = (0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14)
    uncertain = (0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16)
    assert fit.coefficients == pytest.approx(expected, rel=1e-9)
    assert fit.standard_uncertainties == pytest.approx(uncertain, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-3, rel=1e-9)
    assert curvature_p(x, y) < 1e-12
    assert len(fit_curve(x, y, levels_n=len(set(x))).coefficients) == 3


def test_load_cell() -> None:
    """Exact arithmetic on the data; the figures printed on the page agree to 5 parts in 10 000 only."""
    x, y = load_cell()
    fit = fit_polynomial(x, y, degree=2, about=0.0)
    assert fit.coefficients == pytest.approx((-1.839804673e-05, 0.100102485397, 7.031865115e-06), rel=1e-8)
    assert fit.coefficients == pytest.approx((-1.83971535e-05, 1.00102485e-01, 7.03187162e-06), rel=5e-4)
    assert fit.residual_sd == pytest.approx(3.76402942e-05, rel=1e-8)
    assert fit.standard_uncertainties == pytest.approx((2.450722e-05, 4.838699e-06, 2.013613e-07), rel=1e-6)
    printed = ((6.0046261e-10, -1.0757028e-10, 4.0166052e-12), (2.34010372e-11, -9.49970127e-13))
    assert fit.covariance[0] == pytest.approx(printed[0], rel=5e-4)
    assert fit.covariance[1][1:] == pytest.approx(printed[1], rel=5e-4)
    # Lack of fit of the line, F of 112 (exact arithmetic): curvature beyond doubt.
    assert len(fit_curve(x, y, levels_n=len(set(x))).coefficients) == 3


def test_gum_h3_with_the_correlation_of_its_coefficients() -> None:
    """GUM H.3: data and results read second-hand, recomputed to 12 digits."""
    fit = fit_polynomial(THERMOMETER_DEGC, CORRECTIONS, about=20.0)
    assert fit.coefficients == pytest.approx((-0.171203790131, 0.002182697739887), rel=1e-9)
    assert fit.standard_uncertainties == pytest.approx((0.002877597835, 0.000667938773228), rel=1e-9)
    assert fit.correlation(0, 1) == pytest.approx(-0.930429603, abs=1e-9)
    assert fit.residual_sd == pytest.approx(0.003497563964, rel=1e-9)
    assert fit.degrees_of_freedom == 9
    value, uncertainty = fit.at(30.0)
    assert (round(value, 4), round(uncertainty, 4)) == (-0.1494, 0.0041)
    assert uncertainty == pytest.approx(0.004138595753, rel=1e-9)
    apart = sqrt(fit.covariance[0][0] + 100 * fit.covariance[1][1])
    assert apart == pytest.approx(0.007273, abs=5e-7)  # what leaving the correlation out would give


def test_where_a_fit_is_written_from_does_not_matter() -> None:
    """The prediction is the same from any reference point; only the correlation differs."""
    here, there = (fit_polynomial(THERMOMETER_DEGC, CORRECTIONS, about=about) for about in (None, 20.0))
    assert here.at(30.0) == pytest.approx(there.at(30.0), rel=1e-9)
    assert abs(here.correlation(0, 1)) < 1e-9


def test_a_line_is_kept_where_nothing_is_bent() -> None:
    x, y = pairs(NORRIS)
    assert curvature_p(x, y) > CURVATURE_LEVEL
    assert len(fit_curve(x, y, levels_n=len(set(x))).coefficients) == 2


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(ValueError, match="more than 2 points"):
        fit_polynomial([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="at different places"):
        fit_polynomial([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])


def test_points_that_agree_to_the_last_digit_still_have_a_display_step() -> None:
    fit = fit_polynomial([1.0, 2.0, 3.0], [0.0, 0.0, 0.0], least_sd=0.1)
    assert fit.residual_sd == 0.0
    assert fit.at(2.0)[1] == pytest.approx(0.1 / sqrt(3))


H5_MEANS_V = [10 + micro * 1e-6 for micro in (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)]
H5_SDS_V = [micro * 1e-6 for micro in (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)]


def test_gum_h5_between_and_within_days() -> None:
    """GUM H.5: data, 57, 85, F and the mean read second-hand; 43, 18 and the limits of F from memory."""
    days = [(mean, sd, 5) for mean, sd in zip(H5_MEANS_V, H5_SDS_V, strict=True)]
    found = between_and_within(days)
    assert found.mean == pytest.approx(10.000097, abs=5e-7)
    assert found.within_sd == pytest.approx(84.8870e-6, rel=1e-5)
    assert found.f == pytest.approx(2.25, abs=0.02)
    assert found.f == pytest.approx(2.26152, rel=1e-5)
    assert found.between_sd == pytest.approx(42.6386e-6, rel=1e-5)
    assert found.standard_uncertainty == pytest.approx(18.0533e-6, rel=1e-5)
    assert (found.groups_n, found.within_freedom) == (10, 40)
    assert 0.025 < found.p < 0.05  # significant at 5 %, not at 2.5 %
    assert float(fisher.ppf(0.95, 9, 40)) == pytest.approx(2.12, abs=0.005)


def test_groups_that_differ_by_less_than_their_scatter_have_no_component_between() -> None:
    found = between_and_within([(1.0, 0.5, 5), (1.01, 0.5, 5), (0.99, 0.5, 5)])
    assert found.clamped
    assert found.between_sd == 0.0
    with pytest.raises(ValueError, match="two groups"):
        between_and_within([(1.0, 0.5, 5)])
