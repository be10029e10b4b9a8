"""Trends over visits: a straight line that one odd visit does not move, and when it reaches a limit.

The slope is the median of the slopes between all pairs of visits (Theil and Sen). With three visits that is the slope
from the first to the last. Written out here because loading scipy for it would cost 0.6 s.
"""

import itertools
import math
import statistics
from collections import Counter
from collections.abc import Sequence

import msgspec

from service.errors import OutOfRange
from service.physics import domain

FEWEST = 2
"""Points that make a line."""


class RobustLine(msgspec.Struct, frozen=True):
    """A line through points: slope in U/s, value in U at time 0, and the interval of the slope in U/s.

    Attributes
    ----------
    slope : float, U/s, median of the slopes between pairs of points
    intercept : float, U, median value minus slope times median time
    low : float, U/s, lower end of the slope's confidence interval; the least slope where points are too few for one
    high : float, U/s, upper end

    Source: `robust_line`
    """

    slope: float
    intercept: float
    low: float
    high: float


def robust_line(times: Sequence[float], values: Sequence[float], level: float = 0.95) -> RobustLine:
    """Line through points by the median of their pairwise slopes, with an interval from the ranks of these slopes.

    Parameters
    ----------
    times : sequence of float, s, at least two different ones
    values : sequence of float, U, any unit U, as many as times
    level : float, 1, confidence of the interval, between 0 and 1

    Returns
    -------
    RobustLine, U/s, U, U/s, U/s

    Raises
    ------
    OutOfRange : fewer than two different times, another number of values, a level outside its range

    Source: Sen 1968, Journal of the American Statistical Association 63, eq. 2.6 for the interval, as scipy does it.
    """
    if len(values) != len(times):
        raise OutOfRange("values", len(values), len(times), len(times))
    if not 0.0 < level < 1.0:
        raise OutOfRange("level", level, 0.0, 1.0)
    slopes = sorted(
        (later - earlier) / (end - start) if end > start else (earlier - later) / (start - end)
        for (start, earlier), (end, later) in itertools.combinations(zip(times, values, strict=True), 2)
        if end != start
    )
    if not slopes:
        raise OutOfRange("different times", len(set(times)), FEWEST, math.inf)
    slope = statistics.median(slopes)
    intercept = statistics.median(values) - slope * statistics.median(times)
    pairs = len(slopes)
    squares = _ranked(len(values)) - _tied(times) - _tied(values)
    # Ties among few points leave no variance to go by: the outermost slopes are the interval then.
    reach = math.inf if squares <= 0.0 else statistics.NormalDist().inv_cdf(0.5 + 0.5 * level) * math.sqrt(squares / 18)
    if reach >= pairs:
        return RobustLine(slope, intercept, slopes[0], slopes[-1])
    upper = min(round((pairs + reach) / 2.0), pairs - 1)
    lower = min(max(round((pairs - reach) / 2.0) - 1, 0), pairs - 1)
    return RobustLine(slope, intercept, slopes[lower], slopes[upper])


def _ranked(count: int) -> float:
    return float(count * (count - 1) * (2 * count + 5))


def _tied(numbers: Sequence[float]) -> float:
    return sum(_ranked(count) for count in Counter(numbers).values() if count > 1)


def slope_weights(times: Sequence[float]) -> list[float]:
    """How far each value moves the robust slope, on average over small errors of all values.

    The median of pairwise slopes has corners: one value alone may move it not at all. Under normal errors it varies as
    the slope of least squares does, by sqrt(pi/3) more; with three values it is the slope from the first to the last.

    Parameters
    ----------
    times : sequence of float, s, at least two different ones, rising

    Returns
    -------
    list of float, 1/s, 1/s for each time; they add up to nothing

    Raises
    ------
    OutOfRange : fewer than two different times

    Source: asymptotic efficiency 3/pi of the median of pairwise slopes (Sen 1968, from memory); checked by sampling.
    """
    mean = statistics.fmean(times) if times else 0.0
    squares = sum((time - mean) ** 2 for time in times)
    if squares == 0.0:
        raise OutOfRange("different times", len(set(times)), FEWEST, math.inf)
    if len(times) == 3 and times[0] < times[1] < times[2]:
        step = times[2] - times[0]
        return [-1.0 / step, 0.0, 1.0 / step]
    loss = 1.0 if len(times) == FEWEST else math.sqrt(math.pi / 3.0)
    return [loss * (time - mean) / squares for time in times]


def time_until(value: float, slope: float, limit: float) -> float:
    """Time until a value that moves along a line reaches a limit; negative where it passed it before.

    Parameters
    ----------
    value : float, U, now
    slope : float, U/s, not 0
    limit : float, U

    Returns
    -------
    float, s

    Raises
    ------
    OutOfRange : the slope is zero

    Source: a straight line.
    """
    if slope == 0.0:
        raise OutOfRange("slope", slope, -math.inf, math.inf)
    return (limit - value) / slope


def robust_level(values: Sequence[float]) -> float:
    """Level of values that one odd value does not move: the median of the means of all pairs, each value also with
    itself. It is to a level what the median of pairwise slopes is to a slope, and as efficient.

    Parameters
    ----------
    values : sequence of float, U, at least one

    Returns
    -------
    float, U

    Raises
    ------
    OutOfRange : no values

    Source: Hodges and Lehmann 1963, Annals of Mathematical Statistics 34, 598 (from memory); checked by sampling.
    """
    if not values:
        raise OutOfRange("values", 0, 1, math.inf)
    return statistics.median(0.5 * (one + other) for one, other in itertools.combinations_with_replacement(values, 2))


class Reached(msgspec.Struct, frozen=True):
    """When an uncertain line may reach a limit, s from now; `latest` is infinite where it need not ever.

    Attributes
    ----------
    earliest : float, s, 0 where it may have been reached already
    latest : float, s

    Source: `limit_reached`
    """

    earliest: float
    latest: float


def limit_reached(
    distance: float,
    slope: float,
    distance_uncertainty: float,
    slope_uncertainty: float,
    covariance: float,
    factor: float,
) -> Reached | None:
    """The times from now on at which an uncertain line cannot be told from a limit.

    Parameters
    ----------
    distance : float, U, of the line now from the limit: limit less value
    slope : float, U/s
    distance_uncertainty : float, U, standard uncertainty of the line now
    slope_uncertainty : float, U/s, standard uncertainty
    covariance : float, U U/s, of the line now and its slope
    factor : float, 1, coverage factor of the interval

    Returns
    -------
    Reached or None, s; None where the line cannot reach the limit any more

    Raises
    ------
    OutOfRange : an uncertainty or the factor is below zero

    Source: Fieller 1954, Journal of the Royal Statistical Society B 16, 175 (from memory): all times at which the
    distance of the line is within `factor` of its standard uncertainties; checked by simulation.
    """
    domain.not_negative("distance_uncertainty", distance_uncertainty)
    domain.not_negative("slope_uncertainty", slope_uncertainty)
    domain.not_negative("factor", factor)
    # |slope t - distance| <= factor u(t) as a t2 + b t + c <= 0
    a = slope**2 - (factor * slope_uncertainty) ** 2
    b = -2.0 * (distance * slope + factor**2 * covariance)
    c = distance**2 - (factor * distance_uncertainty) ** 2
    inside = b * b - 4.0 * a * c
    if a > 0.0:
        inside = max(inside, 0.0)  # below zero by rounding only: where the line meets the limit, it is within
        # The root with the larger magnitude first, the other by their product: neither loses digits.
        larger = -0.5 * (b + math.copysign(math.sqrt(inside), b))
        first, last = sorted((larger / a, c / larger if larger != 0.0 else 0.0))
        return None if last < 0.0 else Reached(max(first, 0.0), last)
    if c <= 0.0 or inside < 0.0:
        return Reached(0.0, math.inf)
    if a == 0.0:
        return Reached(c / -b, math.inf) if b < 0.0 else None
    larger = -0.5 * (b + math.copysign(math.sqrt(inside), b))
    after = [root for root in (larger / a, c / larger if larger != 0.0 else 0.0) if root > 0.0]
    return Reached(min(after), math.inf) if after else Reached(0.0, math.inf)


def same_density(value: float, density: float, reference: float) -> float:
    """Pressure or power of a fan at a reference density: both are proportional to density at equal flow and speed.

    Parameters
    ----------
    value : float, U, Pa or W of a fan in air of `density`
    density : float, kg/m3, above 0
    reference : float, kg/m3, above 0

    Returns
    -------
    float, U

    Raises
    ------
    OutOfRange : a density that is not above zero

    Source: fan laws.
    """
    domain.positive("density", density)
    domain.positive("reference", reference)
    return value * reference / density
