"""Whole-house ventilation after ASHRAE 62.2.

Rates per area and per person differ between editions and between codes, so they are arguments.
"""

from math import sqrt

from service.physics import domain

ANNUAL_INFILTRATION = 0.3048 / 60.0 / 7.3
"""m/s, flow per floor area at normalized leakage 1 and weather and shielding factor 1: 1/7.3 cfm per ft2."""


def total_rate(floor_area: float, bedrooms: int, rate_per_area: float, rate_per_person: float) -> float:
    """Ventilation rate that a dwelling requires in all, infiltration included. Persons are bedrooms plus one.

    Parameters
    ----------
    floor_area : float, m2, above 0
    bedrooms : int, 0 or more
    rate_per_area : float, m/s (m3/s per m2), 0 or more
    rate_per_person : float, m3/s, 0 or more

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE 62.2 section 4, total required ventilation rate, in our own words.
    """
    domain.positive("floor_area", floor_area)
    domain.not_negative("bedrooms", bedrooms)
    domain.not_negative("rate_per_area", rate_per_area)
    domain.not_negative("rate_per_person", rate_per_person)
    return rate_per_area * floor_area + rate_per_person * (bedrooms + 1)


def annual_infiltration(normalized_leakage: float, weather_factor: float, floor_area: float) -> float:
    """Effective yearly mean infiltration, the flow that is credited.

    Parameters
    ----------
    normalized_leakage : float, 1, 0 or more
    weather_factor : float, 1 per h, weather and shielding factor of the place, 0 or more
    floor_area : float, m2, above 0

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE 62.2 section 4 (infiltration credit), as coded in the open residential simulation workflow of NREL.
    """
    domain.not_negative("normalized_leakage", normalized_leakage)
    domain.not_negative("weather_factor", weather_factor)
    domain.positive("floor_area", floor_area)
    return ANNUAL_INFILTRATION * normalized_leakage * weather_factor * floor_area


def required_fan_flow(total: float, infiltration: float, balanced: bool, exterior_share: float = 1.0) -> float:
    """Fan flow still required when infiltration is credited.

    A balanced fan adds to infiltration. An unbalanced one partly replaces it, so only the share
    infiltration / total is credited. Zero or less: infiltration alone meets the total rate.

    Parameters
    ----------
    total : float, m3/s, above 0
    infiltration : float, m3/s, 0 or more
    balanced : bool, whether supply and exhaust fans move the same
    exterior_share : float, 1, share of the dwelling's envelope that is not shared with neighbours, above 0 to 1

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE 62.2 section 4 (2016 and later), as coded in the open residential simulation workflow of NREL.
    """
    domain.positive("total", total)
    domain.not_negative("infiltration", infiltration)
    domain.share("exterior_share", exterior_share)
    credited = 1.0 if balanced else infiltration / total
    return total - credited * infiltration * exterior_share


def combined_flow(infiltration: float, supply: float, exhaust: float) -> float:
    """Outdoor air flow of a house with infiltration and fans running together.

    Parameters
    ----------
    infiltration : float, m3/s with fans off, 0 or more
    supply : float, m3/s of outdoor air brought in by fans, 0 or more
    exhaust : float, m3/s sent out by fans, 0 or more

    Returns
    -------
    float, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE Handbook - Fundamentals 2017 ch. 16 (balanced flow adds, unbalanced adds in quadrature; from memory).
    """
    domain.not_negative("infiltration", infiltration)
    domain.not_negative("supply", supply)
    domain.not_negative("exhaust", exhaust)
    unbalanced = supply - exhaust
    return min(supply, exhaust) + sqrt(infiltration * infiltration + unbalanced * unbalanced)


def unbalanced_flow(supply: float, exhaust: float) -> float:
    """Net flow that fans force through the envelope; positive brings the house to overpressure.

    Parameters
    ----------
    supply : float, m3/s of outdoor air brought in by fans, 0 or more
    exhaust : float, m3/s sent out by fans, 0 or more

    Returns
    -------
    float, m3/s, signed

    Raises
    ------
    OutOfRange : outside these ranges

    Source: conservation of volume, densities taken as equal.
    """
    domain.not_negative("supply", supply)
    domain.not_negative("exhaust", exhaust)
    return supply - exhaust
