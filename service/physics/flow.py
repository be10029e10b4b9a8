"""Volume flow and velocity of air, each at a stated density.

A volume flow means nothing without the state it is counted at: `actual` at a named density, or `standard`,
which is mass flow told as the volume it would fill at the rating density of 1.2014 kg/m3.
"""

from collections.abc import Sequence
from math import sqrt

from service.errors import OutOfRange
from service.physics import domain
from service.physics.air import STANDARD_AIR_DENSITY


def flow_at_density(flow: float, density: float, other_density: float) -> float:
    """The same mass flow counted at another density, as when supply flow is told at return conditions.

    Parameters
    ----------
    flow : float, m3/s at `density`, 0 or more
    density : float, kg/m3, above 0
    other_density : float, kg/m3, above 0

    Returns
    -------
    float, m3/s at `other_density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass. Holds for moist air while no water condenses or evaporates between.
    """
    domain.not_negative("flow", flow)
    domain.positive("density", density)
    domain.positive("other_density", other_density)
    return flow * density / other_density


def standard_from_actual(flow: float, density: float, standard_density: float = STANDARD_AIR_DENSITY) -> float:
    """Standard flow from actual flow.

    Parameters
    ----------
    flow : float, m3/s at `density`, 0 or more
    density : float, kg/m3, above 0
    standard_density : float, kg/m3, above 0

    Returns
    -------
    float, m3/s at `standard_density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass; 0.075 lb/ft3 as in fan and airflow ratings.
    """
    return flow_at_density(flow, density, standard_density)


def actual_from_standard(flow: float, density: float, standard_density: float = STANDARD_AIR_DENSITY) -> float:
    """Actual flow from standard flow.

    Parameters
    ----------
    flow : float, m3/s at `standard_density`, 0 or more
    density : float, kg/m3, above 0
    standard_density : float, kg/m3, above 0

    Returns
    -------
    float, m3/s at `density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of mass; 0.075 lb/ft3 as in fan and airflow ratings.
    """
    return flow_at_density(flow, standard_density, density)


def velocity_from_pressure(velocity_pressure: float, density: float) -> float:
    """Air velocity at a point from its velocity pressure.

    Parameters
    ----------
    velocity_pressure : float, Pa, 0 or more
    density : float, kg/m3, above 0

    Returns
    -------
    float, m/s

    Raises
    ------
    OutOfRange : outside these ranges; a negative velocity pressure is a fault of the reading

    Source: Bernoulli, v = sqrt(2 p / rho).
    """
    domain.not_negative("velocity_pressure", velocity_pressure)
    domain.positive("density", density)
    return sqrt(2.0 * velocity_pressure / density)


def velocity_pressure(velocity: float, density: float) -> float:
    """Velocity pressure of air at a point.

    Parameters
    ----------
    velocity : float, m/s, 0 or more
    density : float, kg/m3, above 0

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: Bernoulli, p = rho v^2 / 2.
    """
    domain.not_negative("velocity", velocity)
    domain.positive("density", density)
    return 0.5 * density * velocity * velocity


def mean_velocity(velocity_pressures: Sequence[float], density: float) -> float:
    """Mean velocity of a traverse: the mean of the velocities, not the velocity of the mean pressure.

    Parameters
    ----------
    velocity_pressures : Sequence[float], Pa, shape (n,), n at least 1, each 0 or more, equally weighted points
    density : float, kg/m3, above 0

    Returns
    -------
    float, m/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ISO 3966 (pitot-static traverse), in our own words; the velocity of the mean pressure reads high.
    """
    if not velocity_pressures:
        raise OutOfRange("number of velocity_pressures", 0, 1, float("inf"))
    return sum(velocity_from_pressure(each, density) for each in velocity_pressures) / len(velocity_pressures)


def face_velocity(flow: float, area: float) -> float:
    """Mean velocity towards a filter, coil or grille over its gross face.

    Parameters
    ----------
    flow : float, m3/s actual at the face, 0 or more
    area : float, m2, above 0

    Returns
    -------
    float, m/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of volume.
    """
    domain.not_negative("flow", flow)
    domain.positive("area", area)
    return flow / area
