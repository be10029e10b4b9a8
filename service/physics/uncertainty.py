"""Statistics of measured values: conformance with limits, agreement and combination of methods.

Values are taken as normal about their estimate. Nothing here knows a threshold.
"""

from collections.abc import Sequence
from math import erfc, exp, inf, lgamma, log, sqrt
from statistics import NormalDist

import msgspec

from service.errors import OutOfRange
from service.physics import domain

_SQRT_HALF = sqrt(0.5)


def conformance_probability(
    value: float, standard_uncertainty: float, lower: float = -inf, upper: float = inf
) -> float:
    """Probability that the true value lies from `lower` to `upper`.

    Parameters
    ----------
    value : float, any unit U, finite
    standard_uncertainty : float, U, 0 or more; 0 makes the answer 0 or 1, limits included
    lower : float, U, below `upper`; minus infinity for an upper limit alone
    upper : float, U; infinity for a lower limit alone

    Returns
    -------
    float, 1, 0 to 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: JCGM 106:2012 clause 7 (one-sided and two-sided tolerance interval, normal).
    """
    domain.finite("value", value)
    domain.not_negative("standard_uncertainty", standard_uncertainty)
    if not lower < upper:
        raise OutOfRange("upper", upper, lower, inf)
    if standard_uncertainty == 0.0:
        return 1.0 if lower <= value <= upper else 0.0
    scale = _SQRT_HALF / standard_uncertainty
    # Each tail is small exactly where its precision matters.
    below = (lower - value) * scale
    above = (upper - value) * scale
    if below > 0.0:
        return 0.5 * (erfc(below) - erfc(above))
    if above < 0.0:
        return 0.5 * (erfc(-above) - erfc(-below))
    return 1.0 - 0.5 * (erfc(-below) + erfc(above))


def chi_square_survival(chi_square: float, degrees_of_freedom: int) -> float:
    """Probability that agreeing methods scatter at least this much.

    Parameters
    ----------
    chi_square : float, 1, sum of squared normalised differences, 0 or more
    degrees_of_freedom : int, 1 or more, number of methods less 1

    Returns
    -------
    float, 1, 0 to 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: chi-square distribution; recurrence Q(a+1, x) = Q(a, x) + x^a exp(-x) / Gamma(a+1) from
    Q(1/2, x) = erfc(sqrt x) or Q(1, x) = exp(-x) (NIST Digital Library of Mathematical Functions 8.8.6).
    A closed form, since loading scipy for it would cost 0.3 s.
    """
    domain.not_negative("chi_square", chi_square)
    domain.within("degrees_of_freedom", degrees_of_freedom, 1, inf)
    x = 0.5 * chi_square
    if x == 0.0:
        return 1.0
    if degrees_of_freedom % 2:
        order, survival = 0.5, erfc(sqrt(x))
    else:
        order, survival = 1.0, exp(-x)
    while order < 0.5 * degrees_of_freedom:
        survival += exp(order * log(x) - x - lgamma(order + 1.0))
        order += 1.0
    return min(survival, 1.0)  # the sum may end a last bit above


class WeightedMean(msgspec.Struct, frozen=True, gc=False):
    """Several measurements of one quantity combined. U stands for their unit.

    Parameters
    ----------
    value : float, U
    standard_uncertainty : float, U
    weights : tuple[float, ...], 1, shape (n,), sum 1; one below 0 means the result may lie outside the values
    chi_square : float, 1, disagreement given the covariance
    degrees_of_freedom : int, n - 1; 0 for a single value

    Source: `weighted_mean`.
    """

    value: float
    standard_uncertainty: float
    weights: tuple[float, ...]
    chi_square: float
    degrees_of_freedom: int


def weighted_mean(values: Sequence[float], covariance: Sequence[Sequence[float]]) -> WeightedMean:
    """Best linear unbiased estimate of one quantity from correlated measurements.

    Strong correlation between values of unequal uncertainty makes weights negative, and the result then leans
    on the correlation being right. Look at the weights before trusting it.

    Parameters
    ----------
    values : Sequence[float], any unit U, shape (n,), n at least 1, finite
    covariance : Sequence[Sequence[float]], U squared, shape (n, n), symmetric, positive definite

    Returns
    -------
    WeightedMean, U, 1

    Raises
    ------
    OutOfRange : no value, a shape that does not fit, not symmetric, or not positive definite (one error source
        shared in full by two methods: leave one of them out)

    Source: generalised least squares (Aitken); JCGM 102 covers the covariance.
    """
    count = len(values)
    domain.within("number of values", count, 1, inf)
    domain.within("number of covariance rows", len(covariance), count, count)
    for row_index, row in enumerate(covariance):
        domain.within(f"length of covariance[{row_index}]", len(row), count, count)
        for column_index in range(row_index):
            other = covariance[column_index][row_index]
            slack = 1e-9 * sqrt(abs(covariance[row_index][row_index] * covariance[column_index][column_index]))
            domain.within(f"covariance[{row_index}][{column_index}]", row[column_index], other - slack, other + slack)
    for index, value in enumerate(values):
        domain.finite(f"values[{index}]", value)

    factor = _cholesky(covariance)
    # With covariance = L L', the whitened values L^-1 y are independent with variance 1.
    white_ones = _forward(factor, [1.0] * count)
    white_values = _forward(factor, values)
    information = sum(one * one for one in white_ones)
    mean = sum(one * each for one, each in zip(white_ones, white_values, strict=True)) / information
    weights = tuple(each / information for each in _backward(factor, white_ones))
    chi_square = sum((each - mean * one) ** 2 for one, each in zip(white_ones, white_values, strict=True))
    return WeightedMean(mean, 1.0 / sqrt(information), weights, chi_square, count - 1)


def effective_degrees_of_freedom(components: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a combined standard uncertainty (Welch-Satterthwaite).

    Parameters
    ----------
    components : Sequence[tuple[float, float]], shape (n, 2), n at least 1: standard uncertainty already times
        its sensitivity, any one unit U, 0 or more; and its degrees of freedom, above 0, infinity if known exactly

    Returns
    -------
    float, 1, infinity if every component's is

    Raises
    ------
    OutOfRange : outside these ranges, or all uncertainties 0

    Source: JCGM 100:2008 G.4.1. For independent components only.
    """
    variance = fourth = 0.0
    for index, (uncertainty, degrees_of_freedom) in enumerate(components):
        domain.not_negative(f"components[{index}] uncertainty", uncertainty)
        if not degrees_of_freedom > 0.0:
            raise OutOfRange(f"components[{index}] degrees_of_freedom", degrees_of_freedom, 0.0, inf)
        variance += uncertainty**2
        fourth += uncertainty**4 / degrees_of_freedom
    domain.positive("combined variance", variance)
    return variance**2 / fourth if fourth > 0.0 else inf


def coverage_factor(level: float, degrees_of_freedom: float = inf) -> float:
    """Factor that makes a standard uncertainty a two-sided interval at a level of confidence.

    Parameters
    ----------
    level : float, 1, above 0 and below 1
    degrees_of_freedom : float, 1, above 0, infinity for the normal distribution

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: JCGM 100:2008 G.3 and table G.2 (Student's t).
    """
    if not 0.0 < level < 1.0:
        raise OutOfRange("level", level, 0.0, 1.0)
    if not degrees_of_freedom > 0.0:
        raise OutOfRange("degrees_of_freedom", degrees_of_freedom, 0.0, inf)
    from scipy.special import ndtri, stdtrit  # 0.3 s to load, not wanted by every visit

    tail = 0.5 * (1.0 + level)
    return float(ndtri(tail) if degrees_of_freedom == inf else stdtrit(degrees_of_freedom, tail))


def _cholesky(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """Lower factor of a symmetric positive definite matrix of a few rows, in a few microseconds."""
    factor: list[list[float]] = []
    for i, row in enumerate(matrix):
        new: list[float] = []
        for j in range(i):
            inner = sum(new[k] * factor[j][k] for k in range(j))
            new.append((row[j] - inner) / factor[j][j])
        pivot = row[i] - sum(each * each for each in new)
        if not 1e-12 * row[i] < pivot < inf:
            raise OutOfRange(f"covariance[{i}][{i}] left by the rows before", pivot, 1e-12 * row[i], inf)
        new.append(sqrt(pivot))
        factor.append(new)
    return factor


def _forward(factor: list[list[float]], right: Sequence[float]) -> list[float]:
    """Solve L x = right."""
    solution: list[float] = []
    for row, target in zip(factor, right, strict=True):
        inner = sum(a * b for a, b in zip(row, solution, strict=False))
        solution.append((target - inner) / row[-1])
    return solution


def _backward(factor: list[list[float]], right: Sequence[float]) -> list[float]:
    """Solve L' x = right."""
    solution = list(right)
    for i in range(len(factor) - 1, -1, -1):
        solution[i] /= factor[i][i]
        for j in range(i):
            solution[j] -= factor[i][j] * solution[i]
    return solution


def share_interval(count: int, total: int, confidence: float) -> tuple[float, float]:
    """Wilson's score interval for the share of a kind among independent trials of which `count` were of it.

    Parameters
    ----------
    count : int, 1, 0 to `total`
    total : int, 1, 1 or more
    confidence : float, 1, above 0 and below 1, both sides together

    Returns
    -------
    (float, float), 1, lower and upper end, 0 to 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: E. B. Wilson, Journal of the American Statistical Association 22 (1927), 209-212; from memory.
    """
    if not total >= 1:
        raise OutOfRange("total", total, 1, inf)
    if not 0 <= count <= total:
        raise OutOfRange("count", count, 0, total)
    if not 0.0 < confidence < 1.0:
        raise OutOfRange("confidence", confidence, 0.0, 1.0)
    squared = NormalDist().inv_cdf(0.5 + confidence / 2.0) ** 2
    middle = count + squared / 2.0
    half = sqrt(squared * (count * (total - count) / total + squared / 4.0))
    # The ends at none and at all are exact, and not left to rounding.
    low = 0.0 if count == 0 else (middle - half) / (total + squared)
    high = 1.0 if count == total else (middle + half) / (total + squared)
    return low, high
