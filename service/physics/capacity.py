"""Cooling capacity on the air side, from dry-air mass flow and the air before and after the coil.

The dry air is what passes through unchanged, so everything is counted per kg of it; no sea-level factor enters.
Two corrections at once are needed away from sea level, mass flow and enthalpy: to correct the enthalpies only
makes the shortcut "4.5" read 25 % high at 5000 ft.

What is measured depends on where. Across the coil alone it is the gross capacity; from return to
supply across the whole unit it is the net one, smaller by the blower's heat.
"""

import msgspec

from service.physics import domain
from service.physics.air import DRY_BULB_RANGE, AirState, enthalpy, from_dry_bulb_and_relative_humidity


class Capacity(msgspec.Struct, frozen=True, gc=False):
    """Heat taken from the air per time. Negative parts are returned as they are: the air was warmed or wetted.

    Parameters
    ----------
    sensible : float, W, by lowering temperature
    latent : float, W, by taking out water vapour

    Source: `capacity`.
    """

    sensible: float
    latent: float

    @property
    def total(self) -> float:
        """W, sensible and latent."""
        return self.sensible + self.latent

    @property
    def sensible_heat_ratio(self) -> float:
        """1, sensible over total. `OutOfRange` unless total is above 0."""
        domain.positive("total", self.total)
        return self.sensible / self.total


def dry_air_mass_flow(flow: float, state: AirState) -> float:
    """Mass flow of dry air from a volume flow, at the state it was counted at.

    Parameters
    ----------
    flow : float, m3/s actual at `state`, 0 or more
    state : AirState, K, kg/kg, Pa

    Returns
    -------
    float, kg/s of dry air

    Raises
    ------
    OutOfRange : negative flow

    Source: specific volume after HOF 2017 ch. 1 eq. 26.
    """
    domain.not_negative("flow", flow)
    return flow / state.specific_volume


def capacity(mass_flow: float, entering: AirState, leaving: AirState) -> Capacity:
    """Heat the air gave up between two states.

    Sensible is what cooling alone would take, at the entering humidity ratio down to the leaving dry bulb; latent is
    the enthalpy of the lost vapour at the leaving dry bulb. The other split (dry first, then cool) moves less than
    1 % of the total from one to the other. The small heat that the condensate carries off stays in the total.

    Parameters
    ----------
    mass_flow : float, kg/s of dry air, 0 or more
    entering : AirState, K, kg/kg, Pa
    leaving : AirState, K, kg/kg, Pa

    Returns
    -------
    Capacity, W, W

    Raises
    ------
    OutOfRange : negative mass flow

    Source: first law on an open system with enthalpy after HOF 2017 ch. 1 eq. 30.
    """
    domain.not_negative("mass_flow", mass_flow)
    corner = enthalpy(leaving.dry_bulb, entering.humidity_ratio)
    return Capacity(mass_flow * (entering.enthalpy - corner), mass_flow * (corner - leaving.enthalpy))


def condensate_rate(mass_flow: float, entering: AirState, leaving: AirState) -> float:
    """Water the coil takes from the air.

    Parameters
    ----------
    mass_flow : float, kg/s of dry air, 0 or more
    entering : AirState, K, kg/kg, Pa
    leaving : AirState, K, kg/kg, Pa

    Returns
    -------
    float, kg/s of water; negative if the air left wetter than it came

    Raises
    ------
    OutOfRange : negative mass flow

    Source: conservation of water.
    """
    domain.not_negative("mass_flow", mass_flow)
    return mass_flow * (entering.humidity_ratio - leaving.humidity_ratio)


def gross_from_net(net: Capacity, blower_heat: float) -> Capacity:
    """Capacity of the coil from that of the whole unit.

    Parameters
    ----------
    net : Capacity, W, W, with the blower between the two states
    blower_heat : float, W given to the air, 0 or more

    Returns
    -------
    Capacity, W, W

    Raises
    ------
    OutOfRange : negative blower heat

    Source: first law; blower heat is sensible.
    """
    domain.not_negative("blower_heat", blower_heat)
    return Capacity(net.sensible + blower_heat, net.latent)


def net_from_gross(gross: Capacity, blower_heat: float) -> Capacity:
    """Capacity of the whole unit from that of its coil; inverse of `gross_from_net`.

    Parameters
    ----------
    gross : Capacity, W, W, across the coil alone
    blower_heat : float, W given to the air, 0 or more

    Returns
    -------
    Capacity, W, W

    Raises
    ------
    OutOfRange : negative blower heat

    Source: first law; blower heat is sensible.
    """
    domain.not_negative("blower_heat", blower_heat)
    return Capacity(gross.sensible - blower_heat, gross.latent)


def temperature_split(entering: AirState, leaving: AirState) -> float:
    """Fall of dry bulb across the coil. Falls with entering humidity at the same capacity; no proof of airflow.

    Parameters
    ----------
    entering : AirState, K, kg/kg, Pa
    leaving : AirState, K, kg/kg, Pa

    Returns
    -------
    float, K difference; negative if the air was warmed

    Raises
    ------
    OutOfRange : never, the states were checked when made

    Source: definition.
    """
    return entering.dry_bulb - leaving.dry_bulb


def apparatus_dew_point(entering: AirState, leaving: AirState) -> float:
    """Temperature at which the line from entering through leaving air meets saturation: a wet coil's mean surface.

    Parameters
    ----------
    entering : AirState, K, kg/kg, Pa
    leaving : AirState, K, kg/kg, Pa, cooler than `entering` and not wetter

    Returns
    -------
    float, K

    Raises
    ------
    OutOfRange : the air was warmed or wetted, or the line misses saturation: one of the four readings is wrong, or
        more water left than cooling alone can take out

    Source: HOF Systems and Equipment, air-cooling and dehumidifying coils (from memory); solved by Brent's method.
    """
    split = temperature_split(entering, leaving)
    domain.positive("temperature split", split)
    domain.within("leaving humidity_ratio", leaving.humidity_ratio, 0.0, entering.humidity_ratio)
    slope = (entering.humidity_ratio - leaving.humidity_ratio) / split

    def shortfall(temperature: float) -> float:
        saturated = from_dry_bulb_and_relative_humidity(temperature, 1.0, leaving.pressure).humidity_ratio
        return saturated - leaving.humidity_ratio - slope * (temperature - leaving.dry_bulb)

    def fall(temperature: float) -> float:
        """How steeply a line from the entering air reaches saturation there, with its sign turned."""
        saturated = from_dry_bulb_and_relative_humidity(temperature, 1.0, leaving.pressure).humidity_ratio
        return (saturated - entering.humidity_ratio) / (entering.dry_bulb - temperature)

    if shortfall(leaving.dry_bulb) <= 1e-12:  # saturated already, to the last bits
        return leaving.dry_bulb
    from scipy.optimize import brentq, minimize_scalar

    # Of all lines from the entering air the steepest one that still meets the saturation curve only touches it.
    bounds = (DRY_BULB_RANGE[0], leaving.dry_bulb)
    touching = float(minimize_scalar(fall, bounds=bounds, method="bounded", options={"xatol": 1e-6}).x)
    least = entering.humidity_ratio + fall(touching) * split
    domain.within("leaving humidity_ratio", leaving.humidity_ratio, least, entering.humidity_ratio)
    return float(brentq(shortfall, touching, leaving.dry_bulb, xtol=1e-9))


def bypass_factor(entering: AirState, leaving: AirState) -> float:
    """Share of the air that passes a wet coil as if untouched.

    Parameters
    ----------
    entering : AirState, K, kg/kg, Pa
    leaving : AirState, K, kg/kg, Pa, cooler than `entering` and not wetter

    Returns
    -------
    float, 1

    Raises
    ------
    OutOfRange : as `apparatus_dew_point`

    Source: leaving less apparatus dew point over entering less apparatus dew point (from memory).
    """
    surface = apparatus_dew_point(entering, leaving)
    return (leaving.dry_bulb - surface) / (entering.dry_bulb - surface)
