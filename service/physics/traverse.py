"""Velocity traverse of a duct with a pitot-static probe: where to read, and what the readings add up to.

A traverse rule places equally weighted points so that their plain mean is the mean velocity of a settled
turbulent profile. Rectangular ducts: log-Tchebycheff rule. Round ducts: log-linear rule. Five equal divisions
of a side instead read a seventh-power profile 1.7 % high.

Mean the velocities, never the velocity pressures: the velocity of the mean pressure reads high.

Where to stand (from memory, AMCA 203 and ASHRAE 111): 7.5 diameters or more behind a bend, branch or
damper and 2 to 3 before one.
"""

from collections.abc import Sequence
from math import exp, inf, pi, sqrt

import msgspec

from service.errors import OutOfRange
from service.physics import domain, flow

LEAST_LINES = 5
"""1, traverse lines along each side of a rectangular duct; 5 by 5 is the least of 25 points."""
LEAST_DIAMETERS = 2
"""1, diameters of a round duct at 90 degrees; three at 60 degrees are preferred (from memory, ASHRAE 111)."""
SIDE_FOR_SIX_LINES = 0.762
"""m, 30 in.: from here on six lines; ISO 3966 as a maker of flow instruments gives it in a manual."""
SIDE_FOR_SEVEN_LINES = 0.9144
"""m, 36 in.: above this seven lines; same source."""

# Share of the diameter from the wall; the other half mirrors them. ISO 3966, as two public pages print them.
_LOG_LINEAR = {
    6: (0.032, 0.135, 0.321),
    8: (0.021, 0.117, 0.184, 0.345),
    10: (0.019, 0.077, 0.153, 0.217, 0.361),
}
POINTS_PER_DIAMETER = tuple(_LOG_LINEAR)
"""1, points along a diameter for which the log-linear rule has positions."""
# Abscissas above 0 of the equal-weight (Tchebycheff) quadrature on -1 to 1 with 3, 4 and 5 nodes.
_TCHEBYCHEFF = {
    5: (sqrt(0.5), 0.0),
    6: (sqrt((sqrt(5.0) + 2.0) / (3.0 * sqrt(5.0))), sqrt((sqrt(5.0) - 2.0) / (3.0 * sqrt(5.0)))),
    7: (sqrt((5.0 + sqrt(11.0)) / 12.0), sqrt((5.0 - sqrt(11.0)) / 12.0), 0.0),
}


class TraversePoint(msgspec.Struct, frozen=True, gc=False):
    """Where the probe's tip goes in a rectangular duct.

    Parameters
    ----------
    across : float, m from the inner left wall
    up : float, m from the inner bottom wall

    Source: `rectangular_points`.
    """

    across: float
    up: float


class TraverseFlow(msgspec.Struct, frozen=True, gc=False):
    """Airflow found by a traverse.

    Parameters
    ----------
    velocity : float, m/s, mean over the section
    flow : float, m3/s actual at `density`
    density : float, kg/m3, of the air in the duct at the traverse
    points : int, 1, how many were read

    Source: `rectangular_flow`, `round_flow`.
    """

    velocity: float
    flow: float
    density: float
    points: int


def lines_for_side(side: float) -> int:
    """Traverse lines a side of a rectangular duct needs.

    Parameters
    ----------
    side : float, m inside, above 0

    Returns
    -------
    int, 1: 5 below 30 in., 6 from 30 to 36 in., 7 above

    Raises
    ------
    OutOfRange : side not above 0

    Source: log-Tchebycheff rule of ISO 3966 as printed in the manual of a maker of flow instruments.
    """
    domain.positive("side", side)
    if side < SIDE_FOR_SIX_LINES:
        return LEAST_LINES
    return 6 if side <= SIDE_FOR_SEVEN_LINES else 7


def log_tchebycheff_positions(lines: int) -> tuple[float, ...]:
    """Positions along a side of a rectangular duct.

    The outermost point stands for the n-th part of the side next to the wall, where velocity goes with the logarithm
    of the distance: the mean of the logarithm over that part lies at 1/(e n). The others are the equal-weight
    (Tchebycheff) quadrature over what remains.

    Parameters
    ----------
    lines : int, 1, one of 5, 6, 7

    Returns
    -------
    tuple[float, ...], 1, share of the side from one wall, shape (lines,), rising

    Raises
    ------
    OutOfRange : another number of lines

    Source: ISO 3966, log-Tchebycheff rule; built here from its premises, agrees with the printed three decimals.
    """
    if lines not in _TCHEBYCHEFF:
        raise OutOfRange("lines", lines, min(_TCHEBYCHEFF), max(_TCHEBYCHEFF))
    half = 0.5 - 1.0 / lines
    near = [exp(-1.0) / lines] + [0.5 - half * abscissa for abscissa in _TCHEBYCHEFF[lines]]
    return _mirrored(near)


def log_linear_positions(points: int) -> tuple[float, ...]:
    """Positions along a diameter of a round duct.

    Parameters
    ----------
    points : int, 1, per diameter, one of 6, 8, 10

    Returns
    -------
    tuple[float, ...], 1, share of the diameter from one wall, shape (points,), rising

    Raises
    ------
    OutOfRange : another number of points

    Source: ISO 3966, log-linear rule, to the three decimals in print.
    """
    if points not in _LOG_LINEAR:
        raise OutOfRange("points", points, min(_LOG_LINEAR), max(_LOG_LINEAR))
    return _mirrored(list(_LOG_LINEAR[points]))


def rectangular_points(width: float, height: float) -> tuple[TraversePoint, ...]:
    """Where to read in a rectangular duct, line by line from the bottom.

    Parameters
    ----------
    width : float, m inside, above 0
    height : float, m inside, above 0

    Returns
    -------
    tuple[TraversePoint, ...], m and m, shape (lines across times lines up,), at least 25

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ISO 3966, log-Tchebycheff rule.
    """
    across = log_tchebycheff_positions(lines_for_side(width))
    up = log_tchebycheff_positions(lines_for_side(height))
    return tuple(TraversePoint(x * width, y * height) for y in up for x in across)


def round_depths(diameter: float, points: int) -> tuple[float, ...]:
    """How deep to push the probe along each diameter of a round duct.

    Parameters
    ----------
    diameter : float, m inside, above 0
    points : int, 1, per diameter, one of 6, 8, 10

    Returns
    -------
    tuple[float, ...], m from the inner wall, shape (points,), rising

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ISO 3966, log-linear rule.
    """
    domain.positive("diameter", diameter)
    return tuple(position * diameter for position in log_linear_positions(points))


def rectangular_area(width: float, height: float) -> float:
    """Section of a rectangular duct.

    Parameters
    ----------
    width : float, m inside, above 0
    height : float, m inside, above 0

    Returns
    -------
    float, m2

    Raises
    ------
    OutOfRange : outside these ranges

    Source: geometry; inside of any liner.
    """
    domain.positive("width", width)
    domain.positive("height", height)
    return width * height


def round_area(diameter: float) -> float:
    """Section of a round duct.

    Parameters
    ----------
    diameter : float, m inside, above 0

    Returns
    -------
    float, m2

    Raises
    ------
    OutOfRange : outside this range

    Source: geometry; inside of any liner.
    """
    domain.positive("diameter", diameter)
    return 0.25 * pi * diameter * diameter


def rectangular_flow(velocity_pressures: Sequence[float], width: float, height: float, density: float) -> TraverseFlow:
    """Airflow in a rectangular duct from a traverse.

    Parameters
    ----------
    velocity_pressures : Sequence[float], Pa, shape (n,), each 0 or more, at the points of `rectangular_points`
        or of more lines; n at least the number of those points
    width : float, m inside, above 0
    height : float, m inside, above 0
    density : float, kg/m3 of the air in the duct, above 0

    Returns
    -------
    TraverseFlow, m/s, m3/s, kg/m3

    Raises
    ------
    OutOfRange : too few points, or a negative velocity pressure: the probe sits in air that turns back

    Source: ISO 3966; mean of velocities times area.
    """
    area = rectangular_area(width, height)
    least = lines_for_side(width) * lines_for_side(height)
    return _flow(velocity_pressures, least, area, density)


def round_flow(velocity_pressures: Sequence[float], diameter: float, density: float, points: int) -> TraverseFlow:
    """Airflow in a round duct from a traverse.

    Parameters
    ----------
    velocity_pressures : Sequence[float], Pa, shape (n,), each 0 or more, at the depths of `round_depths` along two or
        more whole diameters
    diameter : float, m inside, above 0
    density : float, kg/m3 of the air in the duct, above 0
    points : int, 1, per diameter, one of 6, 8, 10

    Returns
    -------
    TraverseFlow, m/s, m3/s, kg/m3

    Raises
    ------
    OutOfRange : fewer than two diameters, a diameter not read to its end, or a negative velocity pressure

    Source: ISO 3966; mean of velocities times area.
    """
    area = round_area(diameter)
    log_linear_positions(points)
    missing = -len(velocity_pressures) % points
    if missing:
        whole = len(velocity_pressures) + missing
        raise OutOfRange("number of velocity_pressures", len(velocity_pressures), whole, whole)
    return _flow(velocity_pressures, LEAST_DIAMETERS * points, area, density)


def change_by_zero_error(velocity_pressures: Sequence[float], zero_error: float) -> float:
    """How far a gauge that does not rest at zero shifts the mean velocity of a traverse.

    Parameters
    ----------
    velocity_pressures : Sequence[float], Pa, true, shape (n,), n at least 1, each 0 or more, not all 0
    zero_error : float, Pa, added by the gauge to each, so that none becomes negative

    Returns
    -------
    float, 1: mean velocity read over the true one, less 1; half of zero_error over velocity pressure if small

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Bernoulli, v ~ sqrt(p).
    """
    unshifted = flow.mean_velocity(velocity_pressures, 1.0)
    domain.positive("mean velocity", unshifted)
    domain.within("zero_error", zero_error, -min(velocity_pressures), inf)
    return flow.mean_velocity([each + zero_error for each in velocity_pressures], 1.0) / unshifted - 1.0


def least_velocity_pressure(zero_error: float, change: float) -> float:
    """Velocity pressure below which a zero error shifts the velocity by more than a given share.

    Parameters
    ----------
    zero_error : float, Pa, size, 0 or more
    change : float, 1, share of velocity by which it may read high, above 0

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: inverse of `change_by_zero_error` for one point.
    """
    domain.not_negative("zero_error", zero_error)
    domain.positive("change", change)
    return zero_error / ((1.0 + change) ** 2 - 1.0)


def share_above_tenth_of_largest(velocity_pressures: Sequence[float]) -> float:
    """How even the flow is: the share of points with more than a tenth of the largest velocity pressure.

    Parameters
    ----------
    velocity_pressures : Sequence[float], Pa, shape (n,), n at least 1, each 0 or more, not all 0

    Returns
    -------
    float, 1; a place for a traverse is held good from 0.75 on

    Raises
    ------
    OutOfRange : outside these ranges

    Source: AMCA 203, from memory.
    """
    count = len(velocity_pressures)
    if not count:
        raise OutOfRange("number of velocity_pressures", 0, 1, inf)
    for each in velocity_pressures:
        domain.not_negative("velocity_pressure", each)
    largest = max(velocity_pressures)
    domain.positive("largest velocity_pressure", largest)
    return sum(each > 0.1 * largest for each in velocity_pressures) / count


def _mirrored(near: list[float]) -> tuple[float, ...]:
    far = [1.0 - position for position in reversed(near) if position != 0.5]
    return (*near, *far)


def _flow(velocity_pressures: Sequence[float], least: int, area: float, density: float) -> TraverseFlow:
    count = len(velocity_pressures)
    if count < least:
        raise OutOfRange("number of velocity_pressures", count, least, inf)
    velocity = flow.mean_velocity(velocity_pressures, density)
    return TraverseFlow(velocity, velocity * area, density, count)
