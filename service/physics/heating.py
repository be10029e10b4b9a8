"""Airflow from the temperature rise across a heat source, by heat balance on dry air.

Heat = dry-air mass flow x (enthalpy out - enthalpy in), humidity ratio unchanged. The mass flow is the
same everywhere; the volume flow is not, so it is given at a named state. No sea-level factor enters.
"""

from math import inf

import msgspec

from service.errors import OutOfRange
from service.physics import domain
from service.physics.air import AirState, enthalpy, from_dry_bulb_and_humidity_ratio, specific_heat


class RiseFlow(msgspec.Struct, frozen=True, gc=False):
    """Airflow found from a temperature rise.

    Parameters
    ----------
    dry_air_mass_flow : float, kg/s of dry air
    return_flow : float, m3/s actual at the return state
    supply_flow : float, m3/s actual at the supply state

    Source: `flow_from_temperature_rise`.
    """

    dry_air_mass_flow: float
    return_flow: float
    supply_flow: float


def mass_flow_from_heat(heat: float, inlet: float, outlet: float, humidity_ratio: float) -> float:
    """Dry-air mass flow that carries a heat rate from one temperature to a higher one.

    Parameters
    ----------
    heat : float, W given to the air, above 0
    inlet : float, K dry bulb, 173.15 to 473.15
    outlet : float, K dry bulb, above inlet, to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1

    Returns
    -------
    float, kg/s of dry air

    Raises
    ------
    OutOfRange : outside these ranges

    Source: first law on an open system, with enthalpy after HOF 2017 ch. 1 eq. 30.
    """
    domain.positive("heat", heat)
    rise = enthalpy(outlet, humidity_ratio) - enthalpy(inlet, humidity_ratio)
    if not rise > 0.0:
        raise OutOfRange("outlet", outlet, inlet, inf)
    return heat / rise


def volume_flow(dry_air_mass_flow: float, state: AirState) -> float:
    """Volume flow of a dry-air mass flow, counted at a state.

    Parameters
    ----------
    dry_air_mass_flow : float, kg/s of dry air, 0 or more
    state : AirState, K, kg/kg, Pa

    Returns
    -------
    float, m3/s actual at `state`

    Raises
    ------
    OutOfRange : negative mass flow

    Source: specific volume after HOF 2017 ch. 1 eq. 26.
    """
    domain.not_negative("dry_air_mass_flow", dry_air_mass_flow)
    return dry_air_mass_flow * state.specific_volume


def flow_from_temperature_rise(heat: float, return_air: AirState, supply_temperature: float) -> RiseFlow:
    """Airflow over a heat source, from its heat rate and the temperatures before and after it.

    Parameters
    ----------
    heat : float, W given to the air between the two sensors, blower heat included, above 0
    return_air : AirState, K, kg/kg, Pa, before the source
    supply_temperature : float, K dry bulb, above the return's, to 473.15

    Returns
    -------
    RiseFlow, kg/s, m3/s, m3/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: `mass_flow_from_heat`; pressure taken as that of the return (1 in. of water is 0.25 %).
    """
    mass_flow = mass_flow_from_heat(heat, return_air.dry_bulb, supply_temperature, return_air.humidity_ratio)
    supply_air = from_dry_bulb_and_humidity_ratio(supply_temperature, return_air.humidity_ratio, return_air.pressure)
    return RiseFlow(mass_flow, volume_flow(mass_flow, return_air), volume_flow(mass_flow, supply_air))


def temperature_rise(heat: float, dry_air_mass_flow: float, humidity_ratio: float) -> float:
    """Temperature rise that a heat rate gives to an airflow.

    Parameters
    ----------
    heat : float, W given to the air, 0 or more
    dry_air_mass_flow : float, kg/s of dry air, above 0
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1

    Returns
    -------
    float, K difference

    Raises
    ------
    OutOfRange : outside these ranges

    Source: inverse of `mass_flow_from_heat`.
    """
    domain.not_negative("heat", heat)
    domain.positive("dry_air_mass_flow", dry_air_mass_flow)
    return heat / (dry_air_mass_flow * specific_heat(humidity_ratio))


def gas_output(gas_input: float, steady_state_efficiency: float) -> float:
    """Heat a gas furnace gives to the air, without its blower's.

    Parameters
    ----------
    gas_input : float, W on the higher heating value, clocked at the meter rather than read off the nameplate,
        0 or more
    steady_state_efficiency : float, 1, above 0 to 1; not the annual (AFUE) figure

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.not_negative("gas_input", gas_input)
    domain.share("steady_state_efficiency", steady_state_efficiency)
    return gas_input * steady_state_efficiency


def blower_heat(power: float, share_in_airstream: float = 1.0) -> float:
    """Heat a blower adds to the air it moves.

    Parameters
    ----------
    power : float, W electrical, 0 or more
    share_in_airstream : float, 1, above 0 to 1; 1 if the motor sits in the air stream

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : outside these ranges

    Source: first law; the air power too ends as heat in the ducts.
    """
    domain.not_negative("power", power)
    domain.share("share_in_airstream", share_in_airstream)
    return power * share_in_airstream
