"""Whether a series of samples has settled, and what its mean is worth.

Samples taken quickly one after another repeat each other: n of them carry the information of fewer. With
lag-1 autocorrelation r above 0 the effective number is n (1 - r)/(1 + r) (a first-order autoregressive
process; Bayley and Hammersley 1946, used for trends by Santer et al. 2000, both from memory). A negative r,
common by chance in short series, is not taken as a bonus: the effective number never exceeds n. In a series of
few samples r itself reads low, by about (1 + 3 r)/n (from memory), and nothing is added for it: sample longer.
Slow gusts under fast flutter hide from the lag-1 value; in a series long enough to show them the autocorrelation is
summed over its lags as well, and the smaller effective number counts.

The mean's autocorrelation is taken about the mean, so a drift also shrinks the effective number and widens the
mean's uncertainty. The slope's is taken about the fitted line; where the series bends, as one that settles does,
about the line and the first-order lag that fit it best together, for the bend is no noise.
"""

from collections.abc import Sequence
from math import inf, log, sqrt
from typing import TYPE_CHECKING, Literal

import msgspec

from service.errors import OutOfRange
from service.physics import domain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Condition = Literal["steady", "drifting", "scattered"]

LONG_SERIES = 100
"""Samples from which the autocorrelation is summed over its lags; in fewer the sum is mostly chance."""
WINDOW = 5.0
"""Lags summed, in multiples of the sum itself (Sokal 1997, from memory)."""

LONGEST_WAIT = 1e9
"""s, some thirty years: no waiting time."""
CURVED = 0.5
"""Share of the scatter about the fitted line that a first-order lag must explain for the series to count as curved."""
FURTHEST = 10.0
"""Lengths of a series that its slowing down is followed into the future; beyond, it says nothing."""


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
    noise_uncertainty : float, U, of the mean, from the scatter about the fitted line or bend alone
    autocorrelation : float, 1, lag 1, about the mean; 0 for constant samples
    effective_count : float, 1, number of independent samples the mean is worth, 1 to n
    standard_uncertainty : float, U, of the mean: standard_deviation / sqrt(effective_count)
    slope : float, U/s, by least squares
    first_slope : float, U/s, of the first half of the series
    second_slope : float, U/s, of the second half
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
    noise_uncertainty: float
    autocorrelation: float
    effective_count: float
    standard_uncertainty: float
    slope: float
    first_slope: float
    second_slope: float
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
    effective = _effective_count(about_mean)

    t, spread, slope = _line(about_mean, interval)
    half = count // 2
    residual = about_mean - slope * t
    # Rounding leaves residuals of the order of the last bit on a perfect line: that is no scatter.
    squares = float(residual @ residual)
    if squares <= count * (np.finfo(np.float64).eps * float(np.abs(y).max())) ** 2:
        squares = 0.0
    noise, noise_squares, freedom = residual, squares, 2.0
    if squares:
        bent = _without_bend(residual, t, spread)
        if float(bent @ bent) < (1.0 - CURVED) * squares and count > 5:
            noise, noise_squares, freedom = bent, float(bent @ bent), 4.0
    independent = _slope_p_value(slope, squares, spread, count - 2.0)
    slope_count = _effective_count(noise) if squares else float(count)
    degrees = slope_count - freedom
    if noise is not residual:
        # What little a smooth bend leaves is smooth itself and worth few samples; one degree is left to it.
        degrees = max(1.0, degrees)
    return Steadiness(
        count=count,
        interval=interval,
        mean=mean,
        median=median,
        standard_deviation=deviation,
        robust_deviation=1.4826 * float(np.median(np.abs(y - median))),
        noise_uncertainty=sqrt(noise_squares / (count - freedom) / slope_count),
        autocorrelation=correlation,
        effective_count=effective,
        standard_uncertainty=deviation / sqrt(effective),
        slope=slope,
        first_slope=_line(y[:half] - y[:half].mean(), interval)[2],
        second_slope=_line(y[-half:] - y[-half:].mean(), interval)[2],
        slope_p_value=max(_slope_p_value(slope, noise_squares, spread, degrees), independent),
        slope_p_value_if_independent=independent,
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


def outliers(values: Sequence[float], cutoff: float, least_deviation: float = 0.0) -> tuple[int, ...]:
    """Places of the samples that stand apart from the rest of a series.

    A sample stands apart if it lies further from the median than `cutoff` times the robust deviation (1.4826 times
    the median absolute deviation). In a series that drifts the robust deviation holds the drift, so that little
    stands apart; one that hardly ever changes has none, and `least_deviation` keeps its steps from standing apart.

    Parameters
    ----------
    values : Sequence[float], any unit U, shape (n,), n at least 4, finite
    cutoff : float, 1, above 0; 3.5 is usual
    least_deviation : float, U, 0 or more, such as the instrument's resolution

    Returns
    -------
    tuple[int, ...], 1, rising

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Iglewicz and Hoaglin 1993, modified z-score (from memory).
    """
    import numpy as np

    if len(values) < 4:
        raise OutOfRange("number of values", len(values), 4, inf)
    for index, value in enumerate(values):
        domain.finite(f"values[{index}]", value)
    domain.positive("cutoff", cutoff)
    domain.not_negative("least_deviation", least_deviation)
    y = np.asarray(values, dtype=np.float64)
    apart = np.abs(y - np.median(y))
    deviation = max(1.4826 * float(np.median(apart)), least_deviation)
    return tuple(int(place) for place in np.nonzero(apart > cutoff * deviation)[0])


def further_seconds(
    series: Steadiness, found: Condition, drift_tolerance: float, uncertainty_tolerance: float
) -> float | None:
    """How many more seconds until a reading of this length, or longer, would be settled; None where none are enough.

    A drift that dies away as a first-order lag has slopes in the two halves of a series whose ratio tells its time
    constant; a window of the same length, moved on by s, drifts less by exp(-s / time constant). A drift that does
    not die away has no end in sight. Scatter is averaged: the mean's uncertainty falls with the root of the time.

    Parameters
    ----------
    series : Steadiness, in the samples' unit U
    found : Condition, 1, of the series under these tolerances
    drift_tolerance : float, U over the whole series, above 0
    uncertainty_tolerance : float, U, largest standard uncertainty of the mean, above 0

    Returns
    -------
    float | None, s, 0 where nothing is left to wait for

    Raises
    ------
    OutOfRange : outside these ranges

    Source: first-order lag; JCGM 100 clause 4.2.3 for the mean.
    """
    domain.positive("drift_tolerance", drift_tolerance)
    domain.positive("uncertainty_tolerance", uncertainty_tolerance)
    if found == "steady":
        return 0.0
    length = series.interval * series.count
    settling = 0.0
    if found == "drifting":
        between = series.interval * (series.count - series.count // 2)
        left = abs(series.second_slope) * series.interval * (series.count - 1)
        if left <= drift_tolerance:  # it moved in the first half only: leave that behind
            settling = between
        elif series.second_slope * series.first_slope > 0.0 and series.second_slope / series.first_slope < 1.0:
            constant = between / log(series.first_slope / series.second_slope)
            settling = constant * log(abs(series.drift) / drift_tolerance)
            if settling > FURTHEST * length:
                return None
        else:
            return None
        scatter = series.noise_uncertainty
    else:
        scatter = series.standard_uncertainty
    times = scatter / uncertainty_tolerance
    wait = max(settling, max(0.0, times * times - 1.0) * length)
    return wait if wait <= LONGEST_WAIT else None


def _lag_one(deviations: "NDArray[np.float64]") -> float:
    total = float(deviations @ deviations)
    return float(deviations[1:] @ deviations[:-1]) / total if total > 0.0 else 0.0


def _line(about_mean: "NDArray[np.float64]", interval: float) -> tuple["NDArray[np.float64]", float, float]:
    """Times about their mean, the sum of their squares, and the slope by least squares."""
    import numpy as np

    count = len(about_mean)
    t = interval * (np.arange(count, dtype=np.float64) - 0.5 * (count - 1))
    spread = float(t @ t)
    return t, spread, float(t @ about_mean) / spread


def _without_bend(residual: "NDArray[np.float64]", t: "NDArray[np.float64]", spread: float) -> "NDArray[np.float64]":
    """What a line leaves, without the first-order lag that explains most of it; time constants from a twentieth of
    the series to four times its length."""
    import numpy as np

    length = float(t[-1] - t[0])
    best, explained = residual, 0.0
    for constant in np.geomspace(0.05 * length, 4.0 * length, 16):
        lag = np.exp(-(t - t[0]) / constant)
        lag -= lag.mean()
        lag -= float(lag @ t) / spread * t
        share = float(residual @ lag)
        size = float(lag @ lag)
        if share * share > explained * size:
            best, explained = residual - share / size * lag, share * share / size
    return best


def _effective_count(deviations: "NDArray[np.float64]") -> float:
    count = len(deviations)
    correlation = _lag_one(deviations)
    effective = float(count)
    if correlation > 0.0:
        effective = max(1.0, count * (1.0 - correlation) / (1.0 + correlation))
    if count >= LONG_SERIES:
        effective = min(effective, max(1.0, count / _summed_autocorrelation(deviations)))
    return effective


def _summed_autocorrelation(deviations: "NDArray[np.float64]") -> float:
    """1 + 2 times the sum of the autocorrelations up to the first lag that is WINDOW times that sum, at least 1."""
    import numpy as np

    count = len(deviations)
    total = float(deviations @ deviations)
    if total == 0.0:
        return 1.0
    size = 1 << (2 * count - 1).bit_length()
    spectrum = np.fft.rfft(deviations, size)
    correlations = np.fft.irfft(spectrum * np.conj(spectrum), size)[:count] / total
    sums = 2.0 * np.cumsum(correlations) - 1.0
    enough = np.nonzero(np.arange(count) >= WINDOW * sums)[0]
    return max(1.0, float(sums[enough[0]] if len(enough) else sums.max()))


def _slope_p_value(slope: float, squares: float, spread: float, degrees_of_freedom: float) -> float:
    if slope == 0.0 or degrees_of_freedom <= 0.0:
        return 1.0
    deviation = sqrt(squares / degrees_of_freedom / spread)
    if deviation == 0.0:
        return 0.0
    from scipy.special import stdtr  # 0.3 s to load, wanted only when samples are sent

    statistic = abs(slope) / deviation
    return float(2.0 * stdtr(degrees_of_freedom, -statistic))
