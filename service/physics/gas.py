"""Heat input of a gas appliance, clocked at the meter or derated from its nameplate.

Clock with every other appliance off, pilot lights included, after ten minutes or more of firing, over whole
revolutions of the dial.

The heating value must belong to the gas as the meter counts it. A supplier's figure holds at a stated pressure and
temperature; gas at a lower pressure carries less heat per volume (`volume_factor`). Suppliers at altitude often
state the value for their own district, and some meters correct by themselves: then the factor is 1.
"""

from service.errors import OutOfRange
from service.physics import domain

REFERENCE_PRESSURE = 101_559.8
"""Pa absolute: 14.73 lb/in2, which heating values in the United States usually refer to (from memory)."""
REFERENCE_TEMPERATURE = 288.7056
"""K: 60 degF, the same."""


def clocked_flow(volume_per_revolution: float, revolutions: float, seconds: float) -> float:
    """Gas volume flow from a dial of the meter.

    Parameters
    ----------
    volume_per_revolution : float, m3 that one turn of the dial counts, above 0
    revolutions : float, 1, turns timed, above 0
    seconds : float, s for these turns, above 0

    Returns
    -------
    float, m3/s as the meter counts

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition; appliance makers print it as a table of seconds per turn.
    """
    domain.positive("volume_per_revolution", volume_per_revolution)
    domain.positive("revolutions", revolutions)
    domain.positive("seconds", seconds)
    return volume_per_revolution * revolutions / seconds


def volume_factor(
    pressure: float,
    temperature: float,
    reference_pressure: float = REFERENCE_PRESSURE,
    reference_temperature: float = REFERENCE_TEMPERATURE,
) -> float:
    """Gas per metered volume over gas per volume at the conditions the heating value refers to.

    Parameters
    ----------
    pressure : float, Pa absolute in the meter: station pressure plus gauge pressure, above 0
    temperature : float, K of the gas in the meter, above 0
    reference_pressure : float, Pa absolute, above 0
    reference_temperature : float, K, above 0

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ideal gas; near room conditions natural gas departs by 0.2 % and propane by 2 % (from memory).
    """
    domain.positive("pressure", pressure)
    domain.positive("temperature", temperature)
    domain.positive("reference_pressure", reference_pressure)
    domain.positive("reference_temperature", reference_temperature)
    return pressure / reference_pressure * reference_temperature / temperature


def gas_input(flow: float, heating_value: float, factor: float = 1.0) -> float:
    """Heat input of an appliance.

    Parameters
    ----------
    flow : float, m3/s as the meter counts, 0 or more
    heating_value : float, J/m3, higher heating value, above 0
    factor : float, 1, from `volume_factor`; 1 if the heating value already holds for the gas in the meter; above 0

    Returns
    -------
    float, W on the higher heating value

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.not_negative("flow", flow)
    domain.positive("heating_value", heating_value)
    domain.positive("factor", factor)
    return flow * heating_value * factor


def altitude_derate(elevation: float, share_per_metre: float, starts_above: float) -> float:
    """Share by which the nameplate input is to be lowered at an elevation.

    Nothing up to the elevation where derating starts; above it the share counts from sea level, not from there.

    Parameters
    ----------
    elevation : float, m above sea level, any
    share_per_metre : float, 1 per metre of elevation, 0 or more; the maker's or the code's
    starts_above : float, m above sea level, 0 or more

    Returns
    -------
    float, 1, from 0 to below 1

    Raises
    ------
    OutOfRange : outside these ranges, or nothing would be left

    Source: National Fuel Gas Code (NFPA 54, ANSI Z223.1), 4 % per 1000 ft from sea level for elevations above 2000 ft,
    unless the maker says otherwise (from memory).
    """
    domain.finite("elevation", elevation)
    domain.not_negative("share_per_metre", share_per_metre)
    domain.not_negative("starts_above", starts_above)
    if elevation <= starts_above:
        return 0.0
    derate = share_per_metre * elevation
    if not derate < 1.0:
        raise OutOfRange("elevation", elevation, starts_above, 1.0 / share_per_metre)
    return derate


def derated_input(nameplate_input: float, derate: float) -> float:
    """Heat input that a derated appliance should have.

    Parameters
    ----------
    nameplate_input : float, W, 0 or more
    derate : float, 1, from 0 to below 1

    Returns
    -------
    float, W on the higher heating value

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.not_negative("nameplate_input", nameplate_input)
    if not 0.0 <= derate < 1.0:
        raise OutOfRange("derate", derate, 0.0, 1.0)
    return nameplate_input * (1.0 - derate)
