"""Outdoor air from a weather report: station pressure at the site, vapour content, local wind.

A report never holds the pressure at the site. Its altimeter setting is reduced to sea level along the standard
atmosphere, its sea-level pressure along the day's own temperature; the two differ and neither is a local
pressure (`air.station_pressure_from_altimeter_setting` undoes the first, this module the second).

Dew point in a report is over water at any temperature, also below freezing; `air` takes a dew point below
0.01 degC as a frost point over ice. So a reported dew point enters by its vapour pressure, here.
Supercooled fog then holds more vapour than saturation over ice, and `air.AirState` refuses it; `air.density`
takes the humidity ratio as it is.
"""

from math import exp, log

from service.errors import OutOfRange
from service.physics import domain
from service.physics.air import (
    ALTIMETER_SETTING_RANGE,
    CELSIUS_ZERO,
    ELEVATION_RANGE,
    MOLAR_MASS_RATIO,
    PRESSURE_RANGE,
    STANDARD_PRESSURE,
    station_pressure_from_altimeter_setting,
)

OVER_WATER_RANGE = (228.15, 333.15)
"""K: -45 to 60 degC, the range of the saturation formula over water."""
SEA_LEVEL_PRESSURE_RANGE = ALTIMETER_SETTING_RANGE
"""Pa."""
REDUCTION_ELEVATION_RANGE = (-500.0, 4_000.0)
"""m; the formula is meant for stations below 750 m (from memory) and loses accuracy above, see the function."""

NEAR_SEA_LEVEL = 15.0
"""m, about 180 Pa of air: nearer to sea level a local pressure and a reduced one look alike, the more so since
the published forms of the altimeter-setting formula differ by up to 60 Pa."""

# WMO-No. 8: e = 611.2 Pa exp(17.62 t / (243.12 + t)), t in degC.
_A = 17.62
_B = 243.12
_E0 = 611.2

# WMO-No. 8: log10(p0 / p) = 0.0148275 h / (T + 0.0065 h / 2 + 0.12 e), e in hPa.
_HYPSOMETRIC = 0.0148275 * log(10.0)
_LAPSE_RATE = 0.0065
_VAPOUR_CORRECTION = 0.12 / 100.0


def station_pressure_from_sea_level_pressure(
    sea_level_pressure: float, elevation: float, temperature: float, vapour_pressure: float = 0.0
) -> float:
    """Air pressure at a site from the sea-level pressure of a nearby weather report.

    The reduction is along an air column that does not exist, at the temperature of the station plus 3.25 K per km
    for half its height. An error of 1 K in that temperature moves the result by g h / (R T^2): 0.02 % at 500 m,
    0.07 % at 1600 m. Reports from high stations are reduced with a mean of the last 12 hours and local
    corrections that a report does not carry, so above about 750 m take the altimeter setting if there is one.

    Parameters
    ----------
    sea_level_pressure : float, Pa, 85 000 to 110 000
    elevation : float, m above sea level, of the site, -500 to 4 000
    temperature : float, K outdoor, 228.15 to 333.15; a 12 h mean is better than the present one
    vapour_pressure : float, Pa of water vapour, 0 to 20 000

    Returns
    -------
    float, Pa absolute

    Raises
    ------
    OutOfRange : outside these ranges

    Source: WMO-No. 8 (Guide to Instruments and Methods of Observation) part I ch. 3, reduction of pressure
    for low-level stations, solved for station pressure; constants from memory, checked against the US
    Standard Atmosphere and psychrolib in the tests.
    """
    domain.within("sea_level_pressure", sea_level_pressure, *SEA_LEVEL_PRESSURE_RANGE)
    domain.within("elevation", elevation, *REDUCTION_ELEVATION_RANGE)
    domain.within("temperature", temperature, *OVER_WATER_RANGE)
    domain.within("vapour_pressure", vapour_pressure, 0.0, 20_000.0)
    column = temperature + 0.5 * _LAPSE_RATE * elevation + _VAPOUR_CORRECTION * vapour_pressure
    return sea_level_pressure * exp(-_HYPSOMETRIC * elevation / column)


def saturation_pressure_over_water(temperature: float) -> float:
    """Pressure of water vapour saturated over liquid water, supercooled below 0 degC.

    Of a reported dew point this is the vapour pressure of the air.

    Parameters
    ----------
    temperature : float, K, 228.15 to 333.15

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside this range

    Source: WMO-No. 8 (Guide to Instruments and Methods of Observation) annex 4.B, Magnus form, pure phase
    (constants from memory; agrees within 0.6 % with the Goff-Gratch values of the Smithsonian tables).
    """
    domain.within("temperature", temperature, *OVER_WATER_RANGE)
    celsius = temperature - CELSIUS_ZERO
    return _E0 * exp(_A * celsius / (_B + celsius))


def dew_point_over_water(vapour_pressure: float) -> float:
    """Dew point as a weather report gives it, over water; inverse of `saturation_pressure_over_water`.

    Parameters
    ----------
    vapour_pressure : float, Pa, that of saturation from 228.15 to 333.15 K (11.1 to 19 900)

    Returns
    -------
    float, K

    Raises
    ------
    OutOfRange : outside this range

    Source: WMO-No. 8 annex 4.B, solved for temperature.
    """
    low, high = (saturation_pressure_over_water(end) for end in OVER_WATER_RANGE)
    domain.within("vapour_pressure", vapour_pressure, low, high)
    x = log(vapour_pressure / _E0)
    return _B * x / (_A - x) + CELSIUS_ZERO


def relative_humidity_over_water(temperature: float, dew_point: float) -> float:
    """Relative humidity as a weather service tells it, over water at any temperature.

    Parameters
    ----------
    temperature : float, K, 228.15 to 333.15
    dew_point : float, K, 228.15 to `temperature`, over water

    Returns
    -------
    float, 1, 0 to 1

    Raises
    ------
    OutOfRange : outside these ranges, so also for a dew point above the temperature

    Source: WMO-No. 8 ch. 4 (relative humidity with respect to water).
    """
    domain.within("temperature", temperature, *OVER_WATER_RANGE)
    domain.within("dew_point", dew_point, OVER_WATER_RANGE[0], temperature)
    return saturation_pressure_over_water(dew_point) / saturation_pressure_over_water(temperature)


def humidity_ratio_from_reported_dew_point(dew_point: float, pressure: float) -> float:
    """Humidity ratio of outdoor air from the dew point of a weather report.

    Parameters
    ----------
    dew_point : float, K, 228.15 to 333.15, over water
    pressure : float, Pa absolute at the site, 20 000 to 180 000, and at least 1.7 times the vapour pressure

    Returns
    -------
    float, kg/kg (water per dry air)

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 1 eq. 20, vapour pressure after WMO-No. 8 annex 4.B.
    """
    vapour_pressure = saturation_pressure_over_water(dew_point)
    least = max(PRESSURE_RANGE[0], 1.7 * vapour_pressure)
    domain.within("pressure", pressure, least, PRESSURE_RANGE[1])
    return MOLAR_MASS_RATIO * vapour_pressure / (pressure - vapour_pressure)


def sea_level_reduction_in_reading(
    reading: float, elevation: float, altimeter_setting: float = STANDARD_PRESSURE
) -> float:
    """How far a pressure typed as local looks reduced to sea level: 0 not at all, 1 wholly.

    Near 1 it was copied from a weather report, or the barometer is set to show sea-level pressure. Near
    sea level the two cannot be told apart, so the answer's uncertainty is that of the reading and the report
    divided by (altimeter_setting - station pressure).

    Parameters
    ----------
    reading : float, Pa absolute, 20 000 to 180 000, as typed
    elevation : float, m above sea level, of the site, -5 000 to 11 000, 15 m or more from 0
    altimeter_setting : float, Pa, 85 000 to 110 000, of a nearby report; the standard atmosphere without one

    Returns
    -------
    float, 1; below 0 or above 1 if the reading lies outside the two

    Raises
    ------
    OutOfRange : outside these ranges

    Source: linear place of the reading between the station pressure of the NWS altimeter-setting formula and
    the altimeter setting itself.
    """
    domain.within("reading", reading, *PRESSURE_RANGE)
    if -NEAR_SEA_LEVEL < elevation < NEAR_SEA_LEVEL:
        raise OutOfRange("elevation", elevation, NEAR_SEA_LEVEL, ELEVATION_RANGE[1])
    station = station_pressure_from_altimeter_setting(altimeter_setting, elevation)
    return (reading - station) / (altimeter_setting - station)


def local_wind_speed(
    reported_speed: float,
    height: float,
    boundary_layer: float,
    exponent: float,
    station_height: float,
    station_boundary_layer: float,
    station_exponent: float,
) -> float:
    """Wind speed at a building's height and terrain from that at a weather station's mast.

    Parameters
    ----------
    reported_speed : float, m/s, 0 or more
    height : float, m above ground, above 0
    boundary_layer : float, m, thickness over the building's terrain, at least `height`
    exponent : float, 1, of the building's terrain, above 0 to 1
    station_height : float, m above ground, above 0
    station_boundary_layer : float, m, thickness over the station's terrain, at least `station_height`
    station_exponent : float, 1, of the station's terrain, above 0 to 1

    Returns
    -------
    float, m/s

    Raises
    ------
    OutOfRange : outside these ranges

    Source: ASHRAE Handbook - Fundamentals 2017 ch. 24 eq. 4 (power-law wind profile; equation number from memory).
    """
    domain.not_negative("reported_speed", reported_speed)
    domain.positive("boundary_layer", boundary_layer)
    domain.positive("station_boundary_layer", station_boundary_layer)
    domain.positive("height", height)
    domain.within("height", height, 0.0, boundary_layer)
    domain.positive("station_height", station_height)
    domain.within("station_height", station_height, 0.0, station_boundary_layer)
    domain.share("exponent", exponent)
    domain.share("station_exponent", station_exponent)
    above = reported_speed * float((station_boundary_layer / station_height) ** station_exponent)
    return above * float((height / boundary_layer) ** exponent)
