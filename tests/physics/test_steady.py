"""Steadiness of sample series, against scipy.stats and worked values computed with scipy 1.17.1."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import steady

STEADY = [0.512, 0.509, 0.511, 0.510, 0.513, 0.508, 0.511, 0.510, 0.512, 0.509]
DRIFT = [0.48, 0.486, 0.491, 0.497, 0.503, 0.507, 0.514, 0.519, 0.526, 0.531]
GUSTY = [-3.1, -5.9, -1.2, -7.4, -2.0, -4.4, 0.3, -6.1, -3.9, -1.3]


def judged(values: list[float], interval: float = 1.0) -> steady.Condition:
    """With tolerances of this test only: 1 %, 2 % of the mean, 1 % of the mean."""
    series = steady.assess(values, interval)
    return steady.condition(series, 0.01, 0.02 * abs(series.mean), 0.01 * abs(series.mean))


def test_steady_series() -> None:
    """Mean .5105, deviation .00158, slope p .68."""
    series = steady.assess(STEADY, 1.0)
    assert series.mean == pytest.approx(0.5105, abs=5e-5)
    assert series.standard_deviation == pytest.approx(0.00158, abs=5e-6)
    assert series.slope_p_value == pytest.approx(0.68, abs=5e-3)
    assert judged(STEADY) == "steady"


def test_drifting_series() -> None:
    """Slope .00566 per sample, p 4e-13, while the mean still looks fine."""
    series = steady.assess(DRIFT, 1.0)
    assert series.slope == pytest.approx(0.00566, abs=5e-6)
    assert series.slope_p_value_if_independent == pytest.approx(4e-13, rel=0.05)
    assert series.drift == pytest.approx(0.00566 * 9, abs=5e-5)
    assert judged(DRIFT) == "drifting"
    # The mean is worth fewer than two independent samples.
    assert series.effective_count < 2.0


def test_gusty_series() -> None:
    """Pa: mean -3.5, deviation 2.49, 95 % interval 1.78 either way (Student's t, 9 degrees of freedom)."""
    series = steady.assess(GUSTY, 1.0)
    assert series.mean == pytest.approx(-3.5, abs=1e-9)
    assert series.standard_deviation == pytest.approx(2.49, abs=5e-3)
    assert series.standard_uncertainty * scipy.stats.t.ppf(0.975, 9) == pytest.approx(1.78, abs=5e-3)
    assert scipy.stats.t.cdf((-3.0 - series.mean) / series.standard_uncertainty, 9) == pytest.approx(0.73, abs=5e-3)
    assert judged(GUSTY) == "scattered"


@given(st.lists(st.floats(-100.0, 100.0), min_size=4, max_size=40), st.floats(0.1, 60.0))
def test_against_scipy_and_numpy(values: list[float], interval: float) -> None:
    # Rounded so that no two samples differ by less than the arithmetic resolves.
    values = [round(v, 3) for v in values]
    series = steady.assess(values, interval)
    assert series.mean == pytest.approx(np.mean(values), abs=1e-9)
    assert series.median == pytest.approx(np.median(values), abs=1e-12)
    assert series.standard_deviation == pytest.approx(np.std(values, ddof=1), rel=1e-9, abs=1e-9)
    if len(set(values)) > 1:
        line = scipy.stats.linregress(np.arange(len(values)) * interval, values)
        assert series.slope == pytest.approx(line.slope, rel=1e-6, abs=1e-9)
        if line.rvalue**2 < 1.0 - 1e-9:
            assert series.slope_p_value_if_independent == pytest.approx(line.pvalue, rel=1e-5, abs=1e-9)
        assert series.robust_deviation == pytest.approx(
            1.4826 * scipy.stats.median_abs_deviation(values), rel=1e-9, abs=1e-9
        )


@given(st.lists(st.floats(-10.0, 10.0), min_size=4, max_size=30), st.floats(0.1, 60.0))
def test_bounds(values: list[float], interval: float) -> None:
    series = steady.assess(values, interval)
    assert 1.0 <= series.effective_count <= len(values)
    assert -1.0 <= series.autocorrelation <= 1.0
    assert 0.0 <= series.slope_p_value <= 1.0
    assert series.slope_p_value >= series.slope_p_value_if_independent - 1e-12
    assert series.standard_uncertainty >= series.standard_deviation / math.sqrt(len(values)) * (1 - 1e-12)


def test_uncertainty_covers_correlated_samples_where_the_usual_formula_does_not() -> None:
    """Monte Carlo: 500 first-order autoregressive series of 400 samples, r = 0.8, fixed seed.

    The true deviation of the mean is sigma/sqrt(n) x sqrt((1 + r)/(1 - r)) = 3 sigma/sqrt(n) for long series.
    """
    random = np.random.default_rng(20240617)
    count, r = 400, 0.8
    means, told, naive = [], [], []
    for _ in range(500):
        noise = random.normal(size=count) * math.sqrt(1 - r * r)
        series = [float(random.normal())]
        for each in noise[1:]:
            series.append(r * series[-1] + float(each))
        result = steady.assess(series, 1.0)
        means.append(result.mean)
        told.append(result.standard_uncertainty)
        naive.append(result.standard_deviation / math.sqrt(count))
    actual = float(np.std(means))
    assert float(np.mean(told)) == pytest.approx(actual, rel=0.10)
    assert float(np.mean(naive)) < 0.4 * actual


def test_a_slow_swing_is_not_taken_for_a_proven_drift() -> None:
    """Half a sine about its own line: independent samples would prove a slope, correlated ones do not."""
    values = [math.sin(2 * math.pi * i / 24) + 0.01 * i for i in range(20)]
    series = steady.assess(values, 1.0)
    assert series.slope_p_value_if_independent < 0.01 < series.slope_p_value


def test_constant_samples_and_a_perfect_line() -> None:
    flat = steady.assess([0.3] * 8, 1.0)
    assert (flat.standard_deviation, flat.slope, flat.slope_p_value, flat.effective_count) == (0.0, 0.0, 1.0, 8.0)
    assert steady.condition(flat, 0.05, 0.0, 0.0) == "steady"
    line = steady.assess([0.1 * i for i in range(8)], 2.0)
    assert line.slope == pytest.approx(0.05)
    assert line.slope_p_value == 0.0
    assert steady.condition(line, 0.05, 0.1, 1.0) == "drifting"


def test_samples_too_small_to_square_do_not_break_the_slope() -> None:
    tiny = steady.assess([0.0, 0.0, 1e-161, 0.0, 0.0, 3e-162], 60.0)
    assert 0.0 <= tiny.slope_p_value <= 1.0


def test_one_wild_sample_moves_mean_and_deviation_but_not_their_robust_partners() -> None:
    clean, spoiled = steady.assess(STEADY, 1.0), steady.assess([*STEADY[:-1], 5.0], 1.0)
    assert spoiled.median == pytest.approx(clean.median, abs=0.002)
    assert spoiled.robust_deviation == pytest.approx(clean.robust_deviation, abs=0.002)
    assert spoiled.mean > 0.9
    assert spoiled.standard_deviation > 1.0


def test_slope_is_per_second() -> None:
    assert steady.assess(DRIFT, 5.0).slope == pytest.approx(steady.assess(DRIFT, 1.0).slope / 5.0)
    assert steady.assess(DRIFT, 5.0).drift == pytest.approx(steady.assess(DRIFT, 1.0).drift)


def test_condition_on_both_sides_of_each_threshold() -> None:
    series = steady.assess(DRIFT, 1.0)
    drift, u, p = abs(series.drift), series.standard_uncertainty, series.slope_p_value
    assert steady.condition(series, p, drift * 0.999, 1.0) == "drifting"
    assert steady.condition(series, p * 0.999, drift * 0.999, 1.0) == "steady"
    assert steady.condition(series, 0.05, drift * 1.001, u * 1.001) == "steady"
    assert steady.condition(series, 0.05, drift * 1.001, u * 0.999) == "scattered"


SERIES = steady.assess(STEADY, 1.0)
REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: steady.assess([], 1.0), "number of values"),
    (lambda: steady.assess([1.0, 2.0, 3.0], 1.0), "number of values"),
    (lambda: steady.assess([1.0, 2.0, math.nan, 4.0], 1.0), "values[2]"),
    (lambda: steady.assess([1.0, 2.0, 3.0, math.inf], 1.0), "values[3]"),
    (lambda: steady.assess([-math.inf, 2.0, 3.0, 1.0], 1.0), "values[0]"),
    (lambda: steady.assess(STEADY, 0.0), "interval"),
    (lambda: steady.assess(STEADY, math.inf), "interval"),
    (lambda: steady.condition(SERIES, -1e-9, 0.1, 0.1), "significance"),
    (lambda: steady.condition(SERIES, 1.000001, 0.1, 0.1), "significance"),
    (lambda: steady.condition(SERIES, 0.05, -1e-9, 0.1), "drift_tolerance"),
    (lambda: steady.condition(SERIES, 0.05, 0.1, -1e-9), "uncertainty_tolerance"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name


def test_four_samples_are_accepted() -> None:
    assert steady.assess([1.0, 1.1, 0.9, 1.0], 1.0).count == 4


# Outliers, long series, waiting ------------------------------------------------------------------------------------


def noise(count: int, correlation: float, seed: int) -> list[float]:
    """A first-order autoregressive series of deviation 1."""
    chance = np.random.default_rng(seed)
    shocks = chance.standard_normal(count) * math.sqrt(1.0 - correlation**2)
    series = [float(chance.standard_normal())]
    for shock in shocks[1:]:
        series.append(correlation * series[-1] + float(shock))
    return series


def test_outliers_of_a_worked_example() -> None:
    """By hand: median 5.02, distances .02 .01 .02 .01 .98 .02 .00, their median .02, 1.4826 x .02 = .02965;
    .98 / .02965 = 33.05."""
    series = [5.00, 5.03, 5.04, 5.01, 6.00, 5.00, 5.02]
    assert steady.outliers(series, 3.5) == (4,)
    assert steady.outliers(series, 33.0) == (4,)
    assert steady.outliers(series, 33.1) == ()


@given(st.lists(st.floats(-100.0, 100.0), min_size=4, max_size=40), st.floats(-1e3, 1e3), st.floats(0.1, 10.0))
def test_outliers_do_not_depend_on_zero_and_unit(values: list[float], zero: float, unit: float) -> None:
    values = [round(v, 2) for v in values]
    moved = [zero + unit * v for v in values]
    assert set(steady.outliers(moved, 3.5, 1e-6)) == set(steady.outliers(values, 3.5, 1e-6 / unit))


def test_steps_of_a_display_do_not_stand_apart() -> None:
    assert steady.outliers([0.1] * 9 + [0.101], 3.5) == (9,)
    assert steady.outliers([0.1] * 9 + [0.101], 3.5, 0.001) == ()


@pytest.mark.parametrize("correlation", [0.5, 0.9, 0.97])
def test_long_series_of_red_noise_are_worth_what_theory_says(correlation: float) -> None:
    """n (1 - r)/(1 + r) independent samples for a first-order autoregressive process; two hours, a sample a second."""
    found = [steady.assess(noise(7200, correlation, seed), 1.0).effective_count for seed in range(8)]
    assert np.mean(found) == pytest.approx(7200 * (1 - correlation) / (1 + correlation), rel=0.2)


def test_slow_gusts_under_fast_flutter_are_not_missed() -> None:
    """The scatter of 200 means, drawn anew each time, is what one series says of its own mean, within a third.

    The lag-1 value alone says less than half of it.
    """
    means, said, by_lag_one = [], [], []
    for seed in range(200):
        slow, fast = noise(1200, 0.97, seed), noise(1200, 0.0, 10_000 + seed)
        series = steady.assess([s + 2.0 * f for s, f in zip(slow, fast, strict=True)], 1.0)
        means.append(series.mean)
        said.append(series.standard_uncertainty)
        r = series.autocorrelation
        by_lag_one.append(series.standard_deviation / math.sqrt(1200 * (1 - r) / (1 + r)))
    assert np.mean(said) == pytest.approx(np.std(means), rel=1 / 3)
    assert np.mean(by_lag_one) < 0.5 * np.std(means)


@pytest.mark.parametrize("constant", [20.0, 60.0, 150.0])
def test_a_first_order_lag_is_told_when_it_will_have_settled(constant: float) -> None:
    """Exact for a lag without noise: a series of the same length begun that much later drifts by the tolerance."""

    def lag(start: float) -> list[float]:
        return [10.0 + 5.0 * math.exp(-(start + second) / constant) for second in range(60)]

    series = steady.assess(lag(0.0), 1.0)
    assert steady.condition(series, 0.01, 0.2, 10.0) == "drifting"
    wait = steady.further_seconds(series, "drifting", 0.2, 10.0)
    assert wait is not None
    assert abs(steady.assess(lag(wait), 1.0).drift) == pytest.approx(0.2, rel=1e-6)


def test_a_lag_is_a_drift_although_its_bend_looks_like_noise_about_a_line() -> None:
    """Air that settles with a time constant of ten samples, rounded as a display does."""
    series = steady.assess([round(100.0 - 12.0 * math.exp(-place / 10.0), 1) for place in range(20)], 1.0)
    assert series.slope_p_value < 0.01


def test_a_steady_drift_has_no_end_in_sight() -> None:
    series = steady.assess([0.01 * place for place in range(40)], 1.0)
    assert steady.further_seconds(series, "drifting", 0.05, 0.05) is None


def test_scatter_is_averaged_as_the_root_of_the_time() -> None:
    """Four times the tolerance takes sixteen times the samples: fifteen more lengths (JCGM 100, 4.2.3)."""
    series = steady.assess(GUSTY, 1.0)
    tolerance = series.standard_uncertainty / 4.0
    assert steady.further_seconds(series, "scattered", 1.0, tolerance) == pytest.approx(15.0 * 10.0)
    assert steady.further_seconds(series, "steady", 1.0, 1.0) == 0.0


def test_scatter_beyond_all_measure_has_no_end_in_sight() -> None:
    series = steady.assess(GUSTY, 1.0)
    assert steady.further_seconds(series, "scattered", 1e-300, 1e-300) is None
