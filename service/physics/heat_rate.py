"""Heat rate of a source from a flow and a temperature difference: hot-water coils, heat pumps, any heater.

The balances of `heating`, read the other way round: there the heat is known and the airflow sought.
"""

from math import inf

from service.errors import OutOfRange
from service.physics import domain
from service.physics.air import enthalpy


def hydronic_heat_rate(flow: float, temperature_difference: float, density: float, specific_heat: float) -> float:
    """Heat a liquid gives up in a coil.

    Parameters
    ----------
    flow : float, m3/s of liquid, 0 or more
    temperature_difference : float, K entering less leaving, any
    density : float, kg/m3 of the liquid where its flow is counted, above 0
    specific_heat : float, J/(kg K) of the liquid, above 0; antifreeze lowers it

    Returns
    -------
    float, W; negative if the liquid was warmed

    Raises
    ------
    OutOfRange : outside these ranges

    Source: first law on an open system.
    """
    domain.not_negative("flow", flow)
    domain.finite("temperature_difference", temperature_difference)
    domain.positive("density", density)
    domain.positive("specific_heat", specific_heat)
    return flow * density * specific_heat * temperature_difference


def heat_from_rise(dry_air_mass_flow: float, inlet: float, outlet: float, humidity_ratio: float) -> float:
    """Heat given to an airflow that was warmed, as by a heat pump; inverse of `heating.mass_flow_from_heat`.

    Parameters
    ----------
    dry_air_mass_flow : float, kg/s of dry air, 0 or more
    inlet : float, K dry bulb, 173.15 to 473.15
    outlet : float, K dry bulb, from inlet to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1

    Returns
    -------
    float, W, blower heat included if the blower sits between the two sensors

    Raises
    ------
    OutOfRange : outside these ranges, so also if the air was cooled

    Source: first law on an open system, with enthalpy after HOF 2017 ch. 1 eq. 30.
    """
    domain.not_negative("dry_air_mass_flow", dry_air_mass_flow)
    rise = enthalpy(outlet, humidity_ratio) - enthalpy(inlet, humidity_ratio)
    if not rise >= 0.0:
        raise OutOfRange("outlet", outlet, inlet, inf)
    return dry_air_mass_flow * rise
