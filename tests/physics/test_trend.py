"""Robust lines against scipy, and what they are used for against sums by hand."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.stats import theilslopes

from service.errors import OutOfRange
from service.physics.resistance import drop_at_flow, drop_carried
from service.physics.trend import limit_reached, robust_level, robust_line, same_density, time_until


@pytest.mark.parametrize("count", [3, 4, 5, 8, 24])
@pytest.mark.parametrize("level", [0.68, 0.95])
@pytest.mark.parametrize("tied", [False, True])
def test_line_and_interval_are_those_of_scipy(count: int, level: float, tied: bool) -> None:
    chance = random.Random(f"{count}/{level}/{tied}")
    for _ in range(20):
        times = sorted(chance.uniform(0.0, 1e8) for _ in range(count))
        values = [chance.gauss(3e-8 * time, 0.5) for time in times]
        if tied and count > 3:
            times[1] = times[0]
            values[-1] = values[-2]
        theirs = theilslopes(values, times, level)
        ours = robust_line(times, values, level)
        assert ours.slope == pytest.approx(theirs.slope, rel=1e-9, abs=1e-20)
        assert ours.intercept == pytest.approx(theirs.intercept, rel=1e-9, abs=1e-9)
        assert ours.low == pytest.approx(theirs.low_slope, rel=1e-9, abs=1e-20)
        assert ours.high == pytest.approx(theirs.high_slope, rel=1e-9, abs=1e-20)


def test_one_odd_visit_does_not_move_the_line() -> None:
    times = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    values = [2.0 + 0.5 * time for time in times]
    values[3] = 40.0
    line = robust_line(times, values)
    assert line.slope == pytest.approx(0.5)
    assert line.low <= 0.5 <= line.high


def test_ties_that_leave_no_variance_leave_the_outermost_slopes() -> None:
    line = robust_line([0.0, 0.0, 0.0, 1.0], [1.0, 2.0, 3.0, 3.0])
    assert (line.low, line.slope, line.high) == (0.0, 1.0, 2.0)


def test_three_visits_go_by_the_first_and_the_last() -> None:
    """The slope over both steps lies between those of the steps, whatever the steps."""
    assert robust_line([0.0, 1.0, 5.0], [1.0, 9.0, 3.0]).slope == pytest.approx((3.0 - 1.0) / 5.0)


def test_order_of_the_visits_does_not_matter() -> None:
    forward = robust_line([0.0, 1.0, 3.0, 4.0], [1.0, 2.5, 3.0, 5.5])
    assert robust_line([4.0, 0.0, 3.0, 1.0], [5.5, 1.0, 3.0, 2.5]) == forward


@pytest.mark.parametrize(
    ("times", "values", "level"),
    [([1.0, 1.0], [1.0, 2.0], 0.9), ([1.0], [1.0], 0.9), ([1.0, 2.0], [1.0], 0.9), ([1.0, 2.0], [1.0, 2.0], 1.0)],
)
def test_no_line_is_refused(times: list[float], values: list[float], level: float) -> None:
    with pytest.raises(OutOfRange):
        robust_line(times, values, level)


def test_time_until_a_limit() -> None:
    assert time_until(1.5, 0.25, 2.0) == pytest.approx(2.0)
    assert time_until(2.5, 0.25, 2.0) == pytest.approx(-2.0)
    with pytest.raises(OutOfRange):
        time_until(1.0, 0.0, 2.0)


def test_fan_pressure_at_another_density() -> None:
    """AMCA fan laws: pressure and power in proportion to density. 0.5 in. at 0.0618 lb/ft3 is 0.6068 at 0.075."""
    assert same_density(0.5, 0.0618, 0.075) == pytest.approx(0.6068, abs=5e-5)
    with pytest.raises(OutOfRange):
        same_density(0.5, 0.0, 1.2)


def test_carried_drop_agrees_with_the_rated_one() -> None:
    drop = drop_at_flow(20.0, 0.5, 0.4, 1.4, 1.0, 1.2)
    assert drop_carried(drop, 0.4, 0.5, 1.4, 1.0, 1.2) == pytest.approx(20.0)
    assert drop_carried(-drop, 0.4, 0.5, 1.4, 1.0, 1.2) == pytest.approx(-20.0)
    assert math.isclose(drop_carried(10.0, 1.0, 2.0, 2.0, 1.2, 1.2), 40.0)
    with pytest.raises(OutOfRange):
        drop_carried(10.0, 0.0, 2.0, 2.0, 1.2, 1.2)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 21])
def test_level_is_the_median_of_all_pair_means(count: int) -> None:
    """Against numpy over the same pairs."""
    chance = random.Random(count)
    values = [chance.gauss(3.0, 2.0) for _ in range(count)]
    array = np.array(values)
    means = (array[:, None] + array[None, :])[np.triu_indices(count)] / 2.0
    assert robust_level(values) == pytest.approx(float(np.median(means)), rel=1e-12)


def test_one_odd_value_does_not_move_the_level() -> None:
    assert robust_level([2.0, 2.0, 2.0, 2.0, 2.0, 900.0]) == 2.0
    with pytest.raises(OutOfRange):
        robust_level([])


@pytest.mark.parametrize(
    ("slope", "slope_uncertainty", "distance"),
    [
        (1.0, 0.1, 10.0), (1.0, 0.1, 0.5), (1.0, 0.1, -10.0), (-1.0, 0.1, -10.0), (-1.0, 0.1, 10.0), (1.0, 0.1, 0.0),
        (0.1, 1.0, 10.0), (0.0, 1.0, 10.0), (0.1, 1.0, 0.5), (-0.1, 1.0, 10.0), (0.1, 1.0, -10.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("covariance", [0.0, 0.02, -0.02])
def test_times_at_which_a_limit_may_be_reached_are_those_of_a_search(
    slope: float, slope_uncertainty: float, distance: float, covariance: float
) -> None:
    """Against going through the time in small steps and asking each moment."""
    factor, spread = 1.96, 0.8
    times = np.linspace(0.0, 60.0, 600_001)
    uncertainty = np.sqrt(spread**2 + 2.0 * covariance * times + (slope_uncertainty * times) ** 2)
    within = times[np.abs(slope * times - distance) <= factor * uncertainty]
    reached = limit_reached(distance, slope, spread, slope_uncertainty, covariance, factor)
    if within.size == 0:
        assert reached is None
        return
    assert reached is not None
    assert reached.earliest == pytest.approx(within[0], abs=2e-4)
    if math.isinf(reached.latest):
        assert within[-1] == times[-1]
    else:
        assert reached.latest == pytest.approx(within[-1], abs=2e-4)


def test_a_line_without_doubt_reaches_a_limit_at_one_moment() -> None:
    reached = limit_reached(6.0, 2.0, 0.0, 0.0, 0.0, 1.96)
    assert reached is not None
    assert (reached.earliest, reached.latest) == pytest.approx((3.0, 3.0))
    assert limit_reached(-6.0, 2.0, 0.0, 0.0, 0.0, 1.96) is None
    assert limit_reached(6.0, 0.0, 0.0, 0.0, 0.0, 1.96) is None
    for spreads in ((-0.1, 0.1, 1.96), (0.1, -0.1, 1.96), (0.1, 0.1, -1.0)):
        with pytest.raises(OutOfRange):
            limit_reached(1.0, 1.0, spreads[0], spreads[1], 0.0, spreads[2])
