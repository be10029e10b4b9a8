"""Whether a series of samples has settled, and what its mean is worth.

Samples taken quickly one after another repeat each other: n of them carry the information of fewer. With
lag-1 autocorrelation r above 0 the effective number is n (1 - r)/(1 + r) (a first-order autoregressive
process; Bayley and Hammersley 1946, used for trends by Santer et al. 2000, both from memory). A negative r,
common by chance in short series, is not taken as a bonus: the effective number never exceeds n. In a series of
few samples r itself reads low, by about (1 + 3 r)/n (from memory), and nothing is added for it: sample longer.

The mean's autocorrelation is taken about the mean, so a drift also shrinks the effective number and widens the
mean's uncertainty. The slope's is taken about the fitted line.
"""

from collections.abc import Sequence
from math import inf, sqrt
from typing import TYPE_CHECKING, Literal

import msgspec

from service.errors import OutOfRange
from service.physics import domain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Condition = Literal["steady", "drifting", "scattered"]


class Steadiness(msgspec.Struct, frozen=True, gc=False):
    """What a series of equally spaced samples says. U stands for the samples' unit.

    Parameters
    ----------
    count : int, number of samples
    interval : float, s between samples
    mean : float, U
    median : float, U; far from the mean when a few samples are off
    standard_deviation : float, U, of single samples, with n - 1
    robust_deviation : float, U, 1.4826 times the median absolute deviation; equals the above if normal
    autocorrelation : float, 1, lag 1, about the mean; 0 for constant samples
    effective_count : float, 1, number of independent samples the mean is worth, 1 to n
    standard_uncertainty : float, U, of the mean: standard_deviation / sqrt(effective_count)
    slope : float, U/s, by least squares
    slope_p_value : float, 1, chance of at least such a slope in a settled series
    slope_p_value_if_independent : float, 1, the same were the samples independent
    drift : float, U, slope times the time from first to last sample

    Source: `assess`.
    """

    count: int
    interval: float
    mean: float
    median: float
    standard_deviation: float
    robust_deviation: float
    autocorrelation: float
    effective_count: float
    standard_uncertainty: float
    slope: float
    slope_p_value: float
    slope_p_value_if_independent: float
    drift: float


def assess(values: Sequence[float], interval: float) -> Steadiness:
    """Mean, scatter, autocorrelation and drift of equally spaced samples.

    Parameters
    ----------
    values : Sequence[float], any unit U, shape (n,), n at least 4, finite, in order of time
    interval : float, s, above 0

    Returns
    -------
    Steadiness, U, s, U/s, 1

    Raises
    ------
    OutOfRange : too few samples, a sample not finite, interval not above 0

    Source: JCGM 100 clause 4.2 for mean and deviation; least squares with Student's t for the slope, its
    residual variance and degrees of freedom from the effective number less 2 (Santer et al. 2000, from
    memory). Where that leaves no degree of freedom the slope proves nothing and its p-value is 1.
    """
    import numpy as np  # 0.07 s to load, wanted only when samples are sent

    count = len(values)
    if count < 4:
        raise OutOfRange("number of values", count, 4, inf)
    for index, value in enumerate(values):
        domain.finite(f"values[{index}]", value)
    domain.positive("interval", interval)

    y = np.asarray(values, dtype=np.float64)
    mean, median = float(y.mean()), float(np.median(y))
    about_mean = y - mean
    deviation = sqrt(float(about_mean @ about_mean) / (count - 1))
    correlation = _lag_one(about_mean)
    effective = _effective_count(count, correlation)

    t = interval * (np.arange(count) - 0.5 * (count - 1))
    spread = float(t @ t)
    slope = float(t @ about_mean) / spread
    residual = about_mean - slope * t
    # Rounding leaves residuals of the order of the last bit on a perfect line: that is no scatter.
    squares = float(residual @ residual)
    if squares <= count * (np.finfo(np.float64).eps * float(np.abs(y).max())) ** 2:
        squares = 0.0
    slope_count = _effective_count(count, _lag_one(residual) if squares else 0.0)
    return Steadiness(
        count=count,
        interval=interval,
        mean=mean,
        median=median,
        standard_deviation=deviation,
        robust_deviation=1.4826 * float(np.median(np.abs(y - median))),
        autocorrelation=correlation,
        effective_count=effective,
        standard_uncertainty=deviation / sqrt(effective),
        slope=slope,
        slope_p_value=_slope_p_value(slope, squares, spread, slope_count - 2.0),
        slope_p_value_if_independent=_slope_p_value(slope, squares, spread, count - 2.0),
        drift=slope * interval * (count - 1),
    )


def condition(
    series: Steadiness, significance: float, drift_tolerance: float, uncertainty_tolerance: float
) -> Condition:
    """Whether the mean of a series may stand for a settled reading.

    `drifting`: the slope is real at the significance asked for and carries the reading further than the drift
    tolerance. `scattered`: no such drift, but the mean is not known well enough. Otherwise `steady`.

    Parameters
    ----------
    series : Steadiness, in the samples' unit U
    significance : float, 1, between 0 and 1, p-value at or below which a slope is real
    drift_tolerance : float, U over the whole series, 0 or more
    uncertainty_tolerance : float, U, largest standard uncertainty of the mean, 0 or more

    Returns
    -------
    Condition, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition; the numbers to compare with belong to the caller.
    """
    domain.within("significance", significance, 0.0, 1.0)
    domain.not_negative("drift_tolerance", drift_tolerance)
    domain.not_negative("uncertainty_tolerance", uncertainty_tolerance)
    if series.slope_p_value <= significance and abs(series.drift) > drift_tolerance:
        return "drifting"
    if series.standard_uncertainty > uncertainty_tolerance:
        return "scattered"
    return "steady"


def _lag_one(deviations: "NDArray[np.float64]") -> float:
    total = float(deviations @ deviations)
    return float(deviations[1:] @ deviations[:-1]) / total if total > 0.0 else 0.0


def _effective_count(count: int, correlation: float) -> float:
    if correlation <= 0.0:
        return float(count)
    return max(1.0, count * (1.0 - correlation) / (1.0 + correlation))


def _slope_p_value(slope: float, squares: float, spread: float, degrees_of_freedom: float) -> float:
    if slope == 0.0 or degrees_of_freedom <= 0.0:
        return 1.0
    deviation = sqrt(squares / degrees_of_freedom / spread)
    if deviation == 0.0:
        return 0.0
    from scipy.special import stdtr  # 0.3 s to load, wanted only when samples are sent

    statistic = abs(slope) / deviation
    return float(2.0 * stdtr(degrees_of_freedom, -statistic))
