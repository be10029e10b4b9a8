"""Pressure drop of a filter, coil, duct or grille against the airflow through it, as a power law.

Drop is taken as proportional to flow^n, with n between 1 (creeping flow through a medium, drop set by
viscosity) and 2 (orifice, drop set by density). If one power law holds in Reynolds number, dimensions leave
only drop ~ density^(n-1) viscosity^(2-n) flow^n. So thin air lowers the drop of an opening in full and
that of a fine filter hardly at all. ASTM E779 corrects leakage for density the same way. Viscosity
is taken as unchanged; it does not depend on pressure and rises 0.24 % per kelvin (from memory).
"""

from service.physics import domain
from service.physics.air import STANDARD_AIR_DENSITY

EXPONENT_RANGE = (1.0, 2.0)
"""1: from laminar to fully turbulent."""


def drop_at_flow(
    rated_drop: float,
    rated_flow: float,
    flow: float,
    exponent: float,
    density: float = STANDARD_AIR_DENSITY,
    rated_density: float = STANDARD_AIR_DENSITY,
) -> float:
    """Pressure drop at a flow, from the drop at another flow.

    Parameters
    ----------
    rated_drop : float, Pa, above 0
    rated_flow : float, m3/s actual at `rated_density`, above 0
    flow : float, m3/s actual at `density`, 0 or more
    exponent : float, 1, from 1 to 2
    density : float, kg/m3, above 0
    rated_density : float, kg/m3, above 0

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: dimensional analysis of a power law, see the module's text.
    """
    domain.positive("rated_drop", rated_drop)
    domain.positive("rated_flow", rated_flow)
    domain.not_negative("flow", flow)
    scale = _density_scale(exponent, density, rated_density)
    return rated_drop * scale * float((flow / rated_flow) ** exponent)


def flow_at_drop(
    rated_drop: float,
    rated_flow: float,
    drop: float,
    exponent: float,
    density: float = STANDARD_AIR_DENSITY,
    rated_density: float = STANDARD_AIR_DENSITY,
) -> float:
    """Flow that makes a pressure drop, from the flow at another drop; inverse of `drop_at_flow`.

    Parameters
    ----------
    rated_drop : float, Pa, above 0
    rated_flow : float, m3/s actual at `rated_density`, above 0
    drop : float, Pa, 0 or more
    exponent : float, 1, from 1 to 2
    density : float, kg/m3, above 0
    rated_density : float, kg/m3, above 0

    Returns
    -------
    float, m3/s actual at `density`

    Raises
    ------
    OutOfRange : outside these ranges

    Source: dimensional analysis of a power law, see the module's text.
    """
    domain.positive("rated_drop", rated_drop)
    domain.positive("rated_flow", rated_flow)
    domain.not_negative("drop", drop)
    scale = _density_scale(exponent, density, rated_density)
    return rated_flow * float((drop / (rated_drop * scale)) ** (1.0 / exponent))


def drop_carried(
    drop: float, flow: float, other_flow: float, exponent: float, density: float, other_density: float
) -> float:
    """Pressure drop that an element showing a drop at one flow would show at another: its resistance as a pressure.

    Parameters
    ----------
    drop : float, Pa, of either sign as read
    flow : float, m3/s actual at `density`, above 0
    other_flow : float, m3/s actual at `other_density`, above 0
    exponent : float, 1, from 1 to 2
    density : float, kg/m3, above 0
    other_density : float, kg/m3, above 0

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: dimensional analysis of a power law, see the module's text.
    """
    domain.positive("flow", flow)
    domain.positive("other_flow", other_flow)
    return drop * _density_scale(exponent, other_density, density) * float((other_flow / flow) ** exponent)


def _density_scale(exponent: float, density: float, rated_density: float) -> float:
    domain.within("exponent", exponent, *EXPONENT_RANGE)
    domain.positive("density", density)
    domain.positive("rated_density", rated_density)
    return float((density / rated_density) ** (exponent - 1.0))
