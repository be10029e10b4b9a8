"""Conformance, consistency and combination, against scipy.stats, numpy and worked values."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import uncertainty


@pytest.mark.parametrize(
    ("z", "probability"), [(0.8416, 0.80), (1.2816, 0.90), (1.6449, 0.95), (2.3263, 0.99), (3.0902, 0.999)]
)
def test_one_sided_conformance_jcgm_106_table_1(z: float, probability: float) -> None:
    """JCGM 106:2012 table 1: conformance probability of z = (upper limit - value)/u; numbers computed with scipy."""
    assert uncertainty.conformance_probability(0.0, 1.0, upper=z) == pytest.approx(probability, abs=1e-5)
    assert uncertainty.conformance_probability(0.0, 1.0, lower=-z) == pytest.approx(probability, abs=1e-5)


def test_fan_power_inside_its_uncertainty_is_neither_met_nor_exceeded() -> None:
    """Limit .45, value .46, u .02: probability of conformance .3085; guard band 1.645 u gives .4171 and .4829."""
    assert uncertainty.conformance_probability(0.46, 0.02, upper=0.45) == pytest.approx(0.3085, abs=5e-5)
    assert uncertainty.conformance_probability(0.4171, 0.02, upper=0.45) == pytest.approx(0.95, abs=2e-4)
    assert uncertainty.conformance_probability(0.4829, 0.02, upper=0.45) == pytest.approx(0.05, abs=2e-4)


def test_house_pressure_example() -> None:
    """Mean -3.5 Pa, u 2.49/sqrt(10): about .74 (normal; .73 with Student's t) that it is below -3 Pa: undecided."""
    assert uncertainty.conformance_probability(-3.5, 2.49 / math.sqrt(10), upper=-3.0) == pytest.approx(0.737, abs=2e-3)


values = st.floats(-50.0, 50.0)
deviations = st.floats(0.01, 50.0)


@given(values, deviations, values, st.floats(0.01, 100.0))
def test_conformance_against_scipy(value: float, u: float, lower: float, width: float) -> None:
    upper = lower + width
    normal = scipy.stats.norm(value, u)
    two_sided = uncertainty.conformance_probability(value, u, lower, upper)
    assert two_sided == pytest.approx(normal.cdf(upper) - normal.cdf(lower), abs=1e-12)
    assert uncertainty.conformance_probability(value, u, upper=upper) == pytest.approx(normal.cdf(upper), rel=1e-9)
    assert uncertainty.conformance_probability(value, u, lower=lower) == pytest.approx(normal.sf(lower), rel=1e-9)


@given(values, deviations, values, st.floats(0.01, 100.0))
def test_sides_add_up_to_one(value: float, u: float, lower: float, width: float) -> None:
    below = uncertainty.conformance_probability(value, u, upper=lower)
    inside = uncertainty.conformance_probability(value, u, lower, lower + width)
    above = uncertainty.conformance_probability(value, u, lower=lower + width)
    assert below + inside + above == pytest.approx(1.0, abs=1e-12)


def test_far_tails_keep_their_precision() -> None:
    """scipy.stats.norm.sf(10) = 7.62e-24, which 1 - cdf would lose."""
    assert uncertainty.conformance_probability(10.0, 1.0, upper=0.0) == pytest.approx(scipy.stats.norm.sf(10), rel=1e-9)
    assert uncertainty.conformance_probability(-10.0, 1.0, 0.0, 1.0) == pytest.approx(
        scipy.stats.norm.sf(10) - scipy.stats.norm.sf(11), rel=1e-9
    )
    assert uncertainty.conformance_probability(10.0, 1.0, -1.0, 0.0) == pytest.approx(
        scipy.stats.norm.sf(10) - scipy.stats.norm.sf(11), rel=1e-9
    )


def test_certain_values_are_decided() -> None:
    assert uncertainty.conformance_probability(0.5, 0.0, upper=0.5) == 1.0
    assert uncertainty.conformance_probability(math.nextafter(0.5, 1.0), 0.0, upper=0.5) == 0.0
    assert uncertainty.conformance_probability(0.5, 0.0, lower=0.5) == 1.0
    assert uncertainty.conformance_probability(math.nextafter(0.5, 0.0), 0.0, lower=0.5) == 0.0


@given(st.floats(0.0, 500.0), st.integers(1, 30))
def test_chi_square_against_scipy(x: float, dof: int) -> None:
    assert uncertainty.chi_square_survival(x, dof) == pytest.approx(float(scipy.stats.chi2.sf(x, dof)), rel=1e-9)


@pytest.mark.parametrize(("x", "dof"), [(3.841, 1), (5.991, 2), (7.815, 3), (9.488, 4)])
def test_chi_square_table(x: float, dof: int) -> None:
    """Upper 5 % points of chi-square, printed in any statistics table (NIST/SEMATECH e-Handbook 1.3.6.7.4)."""
    assert uncertainty.chi_square_survival(x, dof) == pytest.approx(0.05, abs=2e-5)


def test_independent_methods_weigh_by_inverse_variance() -> None:
    """10 +- 1 and 12 +- 2: (10 + 12/4)/(1 + 1/4) = 10.4, u = 1/sqrt(1.25), chi-square 4/5 (textbook formula)."""
    found = uncertainty.weighted_mean([10.0, 12.0], [[1.0, 0.0], [0.0, 4.0]])
    assert found.value == pytest.approx(10.4)
    assert found.standard_uncertainty == pytest.approx(1.0 / math.sqrt(1.25))
    assert found.weights == pytest.approx((0.8, 0.2))
    assert found.chi_square == pytest.approx(0.8)
    assert found.degrees_of_freedom == 1


def test_one_method_is_returned_as_it_is() -> None:
    found = uncertainty.weighted_mean([0.5], [[0.04]])
    assert (found.value, found.weights, found.chi_square, found.degrees_of_freedom) == (0.5, (1.0,), 0.0, 0)
    assert found.standard_uncertainty == pytest.approx(0.2)


def test_peelle_puzzle() -> None:
    """Peelle's puzzle: 1.5 and 1.0 with 10 % each and 20 % common of their own values give 0.88 +- 0.22.

    Known result (R. W. Peelle 1987, from memory): the estimate lies below both values, by a negative weight.
    """
    a, b = 1.5, 1.0
    covariance = [[(0.1 * a) ** 2 + (0.2 * a) ** 2, 0.04 * a * b], [0.04 * a * b, (0.1 * b) ** 2 + (0.2 * b) ** 2]]
    found = uncertainty.weighted_mean([a, b], covariance)
    assert found.value == pytest.approx(0.88, abs=5e-3)
    assert found.standard_uncertainty == pytest.approx(0.22, abs=5e-3)
    assert min(found.weights) < 0.0


@given(st.integers(1, 6), st.integers(0, 10_000))
def test_weighted_mean_against_numpy(count: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    root = random.normal(size=(count, count))
    covariance = root @ root.T + 0.1 * np.eye(count)
    y = random.normal(size=count)
    found = uncertainty.weighted_mean(y.tolist(), covariance.tolist())

    inverse, ones = np.linalg.inv(covariance), np.ones(count)
    information = ones @ inverse @ ones
    mean = ones @ inverse @ y / information
    assert found.value == pytest.approx(mean, rel=1e-6, abs=1e-9)
    assert found.standard_uncertainty == pytest.approx(information**-0.5, rel=1e-6)
    assert found.weights == pytest.approx(inverse @ ones / information, rel=1e-6, abs=1e-8)
    assert found.chi_square == pytest.approx((y - mean) @ inverse @ (y - mean), rel=1e-5, abs=1e-8)
    assert sum(found.weights) == pytest.approx(1.0)
    assert found.value == pytest.approx(float(np.dot(found.weights, y)), rel=1e-6, abs=1e-9)
    # Never worse than the best single method.
    assert found.standard_uncertainty <= math.sqrt(min(covariance.diagonal())) * (1 + 1e-9)


def test_welch_satterthwaite_and_coverage_factor() -> None:
    """u_A .004 from 6 readings, u_B .003 known: u_c .005, 12.2 degrees of freedom, t95 2.175 (JCGM 100 G.4)."""
    dof = uncertainty.effective_degrees_of_freedom([(0.004, 5), (0.003, math.inf)])
    assert dof == pytest.approx(12.2, abs=0.05)
    assert uncertainty.coverage_factor(0.95, dof) == pytest.approx(2.175, abs=5e-4)


@pytest.mark.parametrize(("level", "dof", "factor"), [(0.95, 10, 2.23), (0.95, 5, 2.57), (0.9545, 50, 2.05)])
def test_coverage_factor_jcgm_100_table_g2(level: float, dof: float, factor: float) -> None:
    """JCGM 100:2008 table G.2, Student's t, two places (cells from memory, agreeing with scipy)."""
    assert uncertainty.coverage_factor(level, dof) == pytest.approx(factor, abs=6e-3)


def test_normal_coverage_factors() -> None:
    """1.960 for 95 %, 1.645 for 90 % (JCGM 100 table G.1, from memory); 2 for 95.45 %."""
    assert uncertainty.coverage_factor(0.95) == pytest.approx(1.960, abs=5e-4)
    assert uncertainty.coverage_factor(0.90) == pytest.approx(1.645, abs=5e-4)
    assert uncertainty.coverage_factor(0.9545) == pytest.approx(2.0, abs=5e-4)


@given(st.lists(st.tuples(st.floats(0.001, 10.0), st.integers(1, 200)), min_size=1, max_size=6))
def test_effective_degrees_lie_between_the_least_and_the_sum(components: list[tuple[float, int]]) -> None:
    dof = uncertainty.effective_degrees_of_freedom(components)
    assert min(n for _, n in components) * (1 - 1e-9) <= dof <= sum(n for _, n in components) * (1 + 1e-9)


def test_all_known_exactly_means_infinite_degrees() -> None:
    assert uncertainty.effective_degrees_of_freedom([(0.1, math.inf), (0.2, math.inf)]) == math.inf


EYE = [[1.0, 0.0], [0.0, 1.0]]
REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: uncertainty.conformance_probability(math.nan, 1.0, upper=0.0), "value"),
    (lambda: uncertainty.conformance_probability(math.inf, 1.0, upper=0.0), "value"),
    (lambda: uncertainty.conformance_probability(0.0, -1e-9, upper=0.0), "standard_uncertainty"),
    (lambda: uncertainty.conformance_probability(0.0, math.inf, upper=0.0), "standard_uncertainty"),
    (lambda: uncertainty.conformance_probability(0.0, 1.0, 1.0, 1.0), "upper"),
    (lambda: uncertainty.conformance_probability(0.0, 1.0, 2.0, 1.0), "upper"),
    (lambda: uncertainty.conformance_probability(0.0, 1.0, upper=math.nan), "upper"),
    (lambda: uncertainty.chi_square_survival(-1e-9, 1), "chi_square"),
    (lambda: uncertainty.chi_square_survival(math.inf, 1), "chi_square"),
    (lambda: uncertainty.chi_square_survival(1.0, 0), "degrees_of_freedom"),
    (lambda: uncertainty.weighted_mean([], []), "number of values"),
    (lambda: uncertainty.weighted_mean([1.0], EYE), "number of covariance rows"),
    (lambda: uncertainty.weighted_mean([1.0, 2.0], [[1.0, 0.0], [0.0]]), "length of covariance[1]"),
    (lambda: uncertainty.weighted_mean([1.0, 2.0], [[1.0, 0.5], [0.4, 1.0]]), "covariance[1][0]"),
    (lambda: uncertainty.weighted_mean([1.0, math.nan], EYE), "values[1]"),
    (lambda: uncertainty.weighted_mean([1.0], [[0.0]]), "covariance[0][0] left by the rows before"),
    (lambda: uncertainty.weighted_mean([1.0], [[math.nan]]), "covariance[0][0] left by the rows before"),
    (
        lambda: uncertainty.weighted_mean([1.0, 2.0], [[1.0, 1.0], [1.0, 1.0]]),
        "covariance[1][1] left by the rows before",
    ),
    (
        lambda: uncertainty.weighted_mean([1.0, 2.0], [[1.0, 2.0], [2.0, 1.0]]),
        "covariance[1][1] left by the rows before",
    ),
    (lambda: uncertainty.effective_degrees_of_freedom([]), "combined variance"),
    (lambda: uncertainty.effective_degrees_of_freedom([(0.0, 5)]), "combined variance"),
    (lambda: uncertainty.effective_degrees_of_freedom([(-0.1, 5)]), "components[0] uncertainty"),
    (lambda: uncertainty.effective_degrees_of_freedom([(0.1, 5), (0.1, 0)]), "components[1] degrees_of_freedom"),
    (lambda: uncertainty.coverage_factor(0.0), "level"),
    (lambda: uncertainty.coverage_factor(1.0), "level"),
    (lambda: uncertainty.coverage_factor(0.95, 0.0), "degrees_of_freedom"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name


@pytest.mark.parametrize(("count", "total"), [(0, 1), (1, 1), (3, 7), (0, 30), (30, 30), (11, 12), (940, 1000)])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
def test_the_interval_of_a_share_is_wilsons(count: int, total: int, confidence: float) -> None:
    """By scipy.stats.binomtest, `proportion_ci(method="wilson")`."""
    ends = scipy.stats.binomtest(count, total).proportion_ci(confidence, method="wilson")
    assert uncertainty.share_interval(count, total, confidence) == pytest.approx((ends.low, ends.high), abs=1e-12)


@pytest.mark.parametrize("wrong", [(0, 0, 0.95), (-1, 3, 0.95), (4, 3, 0.95), (1, 3, 0.0), (1, 3, 1.0)])
def test_no_share_of_nothing(wrong: tuple[int, int, float]) -> None:
    with pytest.raises(OutOfRange):
        uncertainty.share_interval(*wrong)
