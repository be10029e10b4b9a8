"""Electrical and air power."""

from math import sqrt

from service.errors import OutOfRange
from service.physics import domain


def air_power(flow: float, pressure_rise: float) -> float:
    """Power a blower gives to the air: the least electrical power it could draw.

    Parameters
    ----------
    flow : float, m3/s actual, 0 or more
    pressure_rise : float, Pa, 0 or more

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : outside these ranges

    Source: flow times pressure rise, compressibility neglected (below 1 % under 2.5 kPa).
    """
    domain.not_negative("flow", flow)
    domain.not_negative("pressure_rise", pressure_rise)
    return flow * pressure_rise


def overall_efficiency(flow: float, pressure_rise: float, power: float) -> float:
    """Air power over electrical power. More than 1 is returned as it is: the readings contradict each other.

    Parameters
    ----------
    flow : float, m3/s actual, 0 or more
    pressure_rise : float, Pa, 0 or more
    power : float, W electrical, above 0

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.positive("power", power)
    return air_power(flow, pressure_rise) / power


def specific_fan_power(power: float, flow: float) -> float:
    """Electrical power per airflow; 1 W per cubic foot per minute is 2118.88 W/(m3/s).

    Parameters
    ----------
    power : float, W electrical, 0 or more
    flow : float, m3/s actual, above 0

    Returns
    -------
    float, W/(m3/s)

    Raises
    ------
    OutOfRange : outside these ranges

    Source: definition.
    """
    domain.not_negative("power", power)
    domain.positive("flow", flow)
    return power / flow


def real_power(voltage: float, current: float, power_factor: float, phases: int) -> float:
    """Real power of a single-phase or balanced three-phase load.

    Parameters
    ----------
    voltage : float, V, across the load; between lines if three-phase; 0 or more
    current : float, A, in each line, 0 or more
    power_factor : float, 1, above 0 to 1; 1 for a resistance heater
    phases : int, 1 or 3

    Returns
    -------
    float, W

    Raises
    ------
    OutOfRange : outside these ranges

    Source: circuit theory; sqrt(3) V I cos(phi) for three phases.
    """
    domain.not_negative("voltage", voltage)
    domain.not_negative("current", current)
    domain.share("power_factor", power_factor)
    if phases == 1:
        return voltage * current * power_factor
    if phases == 3:
        return sqrt(3.0) * voltage * current * power_factor
    raise OutOfRange("phases", phases, 1, 3)
