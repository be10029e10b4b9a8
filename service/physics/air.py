"""Moist air: density, humidity, enthalpy, and the air pressure of a site.

Ideal-gas moist air after ASHRAE Handbook - Fundamentals 2017 (HOF 2017), chapter 1. Saturation, dew point
and wet bulb come from psychrolib; this is the only module that imports it. psychrolib keeps its unit
system in a module global (set here, once) and silently raises small or negative humidity ratios to 1e-7,
also where no such air can exist; those states are refused here instead.

The enhancement factor (departure of moist air from an ideal gas mixture) is left out, as in psychrolib:
against real-gas properties humidity ratio reads 0.3 to 0.9 % low, density and volume agree within 0.06 %.

Below 0.01 degC saturation is over ice, so relative humidity and dew point are too. An aviation weather
report gives its dew point over water at any temperature: at -3 degC that is about 3 % more vapour.
"""

import functools

import msgspec
import psychrolib

from service.errors import OutOfRange
from service.physics import domain

psychrolib.SetUnitSystem(psychrolib.SI)

CELSIUS_ZERO = 273.15
"""K."""
DRY_AIR_GAS_CONSTANT = 287.042
"""J/(kg K); HOF 2017 ch. 1 eq. 1."""
MOLAR_MASS_RATIO = 0.621945
"""Water over dry air, 1; HOF 2017 ch. 1 eq. 20."""
STANDARD_AIR_DENSITY = 1.201384753
"""kg/m3: 0.075 lb/ft3, the density fan and airflow ratings refer to."""
STANDARD_PRESSURE = 101_325.0
"""Pa."""

DRY_BULB_RANGE = (173.15, 473.15)
"""K: -100 to 200 degC, the range of the saturation equations, HOF 2017 ch. 1 eq. 5 and 6."""
PRESSURE_RANGE = (20_000.0, 180_000.0)
"""Pa: what HOF 2017 ch. 1 eq. 3 gives over its own range of elevation, rounded outwards."""
HUMIDITY_RATIO_RANGE = (0.0, 1.0)
"""kg water per kg dry air; our own bound, far above any air-side state."""
ELEVATION_RANGE = (-5_000.0, 11_000.0)
"""m: the range of HOF 2017 ch. 1 eq. 3 (from memory; the troposphere of the US Standard Atmosphere)."""
ALTIMETER_SETTING_RANGE = (85_000.0, 110_000.0)
"""Pa: just beyond the lowest and highest sea-level pressures on record (870 and 1085 hPa, from memory)."""

# Dew point needs this much vapour: saturation at the low end of the equations.
_LOWEST_VAPOUR_PRESSURE: float = psychrolib.GetSatVapPres(DRY_BULB_RANGE[0] - CELSIUS_ZERO)
# Room for the last bits of a saturated state that was computed by another route.
_SATURATION_ROUNDING = 1e-9


class AirState(msgspec.Struct, frozen=True, gc=False):
    """Moist air at one place. Three numbers fix the state; the rest is computed when asked for.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1 and not above saturation
    pressure : float, Pa absolute, 20 000 to 180 000

    Raises
    ------
    OutOfRange : outside these ranges, or more vapour than saturated air holds

    Source: HOF 2017 ch. 1.
    """

    dry_bulb: float
    humidity_ratio: float
    pressure: float

    def __post_init__(self) -> None:
        domain.within("dry_bulb", self.dry_bulb, *DRY_BULB_RANGE)
        domain.within("pressure", self.pressure, *PRESSURE_RANGE)
        domain.within("humidity_ratio", self.humidity_ratio, *HUMIDITY_RATIO_RANGE)
        saturation = saturation_pressure(self.dry_bulb)
        if self.vapour_pressure > saturation * (1.0 + _SATURATION_ROUNDING):
            most = MOLAR_MASS_RATIO * saturation / (self.pressure - saturation)
            raise OutOfRange("humidity_ratio", self.humidity_ratio, 0.0, most)

    @property
    def density(self) -> float:
        """kg/m3, of the moist air. HOF 2017 ch. 1 eq. 27."""
        return (1.0 + self.humidity_ratio) / self.specific_volume

    @property
    def specific_volume(self) -> float:
        """m3 per kg of dry air. HOF 2017 ch. 1 eq. 26."""
        return _specific_volume(self.dry_bulb, self.humidity_ratio, self.pressure)

    @property
    def enthalpy(self) -> float:
        """J/kg of dry air; zero is dry air and liquid water at 0 degC. HOF 2017 ch. 1 eq. 30."""
        return enthalpy(self.dry_bulb, self.humidity_ratio)

    @property
    def vapour_pressure(self) -> float:
        """Pa, partial pressure of the water vapour. HOF 2017 ch. 1 eq. 20."""
        return self.pressure * self.humidity_ratio / (MOLAR_MASS_RATIO + self.humidity_ratio)

    @property
    def relative_humidity(self) -> float:
        """1; over ice below 0.01 degC. HOF 2017 ch. 1 eq. 22."""
        return self.vapour_pressure / saturation_pressure(self.dry_bulb)

    @property
    def dew_point(self) -> float:
        """K; the frost point below 0.01 degC. `OutOfRange` if so dry that it falls below -100 degC."""
        vapour_pressure = self.vapour_pressure
        if vapour_pressure < _LOWEST_VAPOUR_PRESSURE:
            least = MOLAR_MASS_RATIO * _LOWEST_VAPOUR_PRESSURE / (self.pressure - _LOWEST_VAPOUR_PRESSURE)
            raise OutOfRange("humidity_ratio", self.humidity_ratio, least, HUMIDITY_RATIO_RANGE[1])
        return float(psychrolib.GetTDewPointFromVapPres(self.dry_bulb - CELSIUS_ZERO, vapour_pressure)) + CELSIUS_ZERO

    @property
    def wet_bulb(self) -> float:
        """K, thermodynamic wet bulb, found to 1e-5 K. HOF 2017 ch. 1 eq. 33 and 35.

        Where the wick may be water or ice (just around 0 degC) two wet bulbs fit one humidity; one of
        them is returned. Air drier than 1e-7 kg/kg counts as 1e-7 kg/kg, which moves it by 0.0003 K.
        """
        return _wet_bulb(self.dry_bulb, self.humidity_ratio, self.pressure)


def from_dry_bulb_and_wet_bulb(dry_bulb: float, wet_bulb: float, pressure: float) -> AirState:
    """Moist air from dry and wet bulb.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    wet_bulb : float, K, from the wet bulb of dry air up to dry_bulb, and below the boiling point
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    AirState, K, kg/kg, Pa

    Raises
    ------
    OutOfRange : wet bulb above dry bulb, or lower than even dry air could cool it

    Source: HOF 2017 ch. 1 eq. 33 (water) and 35 (ice, wet bulb below 0 degC).
    """
    _check_dry_bulb_and_pressure(dry_bulb, pressure)
    domain.within("wet_bulb", wet_bulb, DRY_BULB_RANGE[0], dry_bulb)
    if saturation_pressure(wet_bulb) >= pressure:
        raise OutOfRange("wet_bulb", wet_bulb, DRY_BULB_RANGE[0], _boiling_point(pressure))
    humidity_ratio = float(
        psychrolib.GetHumRatioFromTWetBulb(dry_bulb - CELSIUS_ZERO, wet_bulb - CELSIUS_ZERO, pressure)
    )
    if humidity_ratio <= psychrolib.MIN_HUM_RATIO:
        raise OutOfRange("wet_bulb", wet_bulb, _wet_bulb(dry_bulb, 0.0, pressure), dry_bulb)
    return AirState(dry_bulb, humidity_ratio, pressure)


def from_dry_bulb_and_relative_humidity(dry_bulb: float, relative_humidity: float, pressure: float) -> AirState:
    """Moist air from dry bulb and relative humidity (over ice below 0.01 degC).

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    relative_humidity : float, 1, 0 to 1
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    AirState, K, kg/kg, Pa

    Raises
    ------
    OutOfRange : also when a hot dry bulb turns the humidity into more vapour than 1 kg/kg

    Source: HOF 2017 ch. 1 eq. 20 and 22.
    """
    _check_dry_bulb_and_pressure(dry_bulb, pressure)
    domain.within("relative_humidity", relative_humidity, 0.0, 1.0)
    saturation = saturation_pressure(dry_bulb)
    # The vapour pressure at 1 kg/kg bounds what a hot dry bulb allows.
    most = pressure / (1.0 + MOLAR_MASS_RATIO) / saturation
    domain.within("relative_humidity", relative_humidity, 0.0, min(1.0, most))
    return AirState(dry_bulb, _humidity_ratio(relative_humidity * saturation, pressure), pressure)


def from_dry_bulb_and_dew_point(dry_bulb: float, dew_point: float, pressure: float) -> AirState:
    """Moist air from dry bulb and dew point (frost point below 0.01 degC).

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    dew_point : float, K, 173.15 to dry_bulb, and no more vapour than 1 kg/kg
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    AirState, K, kg/kg, Pa

    Raises
    ------
    OutOfRange : outside these ranges, so also for a dew point above the dry bulb

    Source: HOF 2017 ch. 1 eq. 20 and 36.
    """
    _check_dry_bulb_and_pressure(dry_bulb, pressure)
    domain.within("dew_point", dew_point, DRY_BULB_RANGE[0], dry_bulb)
    vapour_pressure = saturation_pressure(dew_point)
    most = pressure / (1.0 + MOLAR_MASS_RATIO)
    if vapour_pressure > most:
        raise OutOfRange("dew_point", dew_point, DRY_BULB_RANGE[0], _boiling_point(most))
    return AirState(dry_bulb, _humidity_ratio(vapour_pressure, pressure), pressure)


def from_dry_bulb_and_humidity_ratio(dry_bulb: float, humidity_ratio: float, pressure: float) -> AirState:
    """Moist air from dry bulb and humidity ratio.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to saturation, at most 1
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    AirState, K, kg/kg, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 1.
    """
    return AirState(dry_bulb, humidity_ratio, pressure)


def dry_air(dry_bulb: float, pressure: float) -> AirState:
    """Air without water vapour: the state assumed when no humidity was read.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    AirState, K, kg/kg, Pa

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 1 eq. 1.
    """
    return AirState(dry_bulb, 0.0, pressure)


def density(dry_bulb: float, humidity_ratio: float, pressure: float) -> float:
    """Density of moist air, without asking whether the state is saturated.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1
    pressure : float, Pa absolute, 20 000 to 180 000

    Returns
    -------
    float, kg/m3

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 1 eq. 26 and 27.
    """
    _check_dry_bulb_and_pressure(dry_bulb, pressure)
    domain.within("humidity_ratio", humidity_ratio, *HUMIDITY_RATIO_RANGE)
    return (1.0 + humidity_ratio) / _specific_volume(dry_bulb, humidity_ratio, pressure)


def specific_heat(humidity_ratio: float) -> float:
    """Specific heat of moist air per kg of dry air, at constant humidity ratio.

    Parameters
    ----------
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1

    Returns
    -------
    float, J/(kg K) per kg of dry air

    Raises
    ------
    OutOfRange : outside this range

    Source: HOF 2017 ch. 1 eq. 30, differentiated in temperature.
    """
    domain.within("humidity_ratio", humidity_ratio, *HUMIDITY_RATIO_RANGE)
    return 1006.0 + 1860.0 * humidity_ratio


def enthalpy(dry_bulb: float, humidity_ratio: float) -> float:
    """Enthalpy of moist air per kg of dry air; zero is dry air and liquid water at 0 degC.

    Parameters
    ----------
    dry_bulb : float, K, 173.15 to 473.15
    humidity_ratio : float, kg/kg (water per dry air), 0 to 1

    Returns
    -------
    float, J/kg of dry air

    Raises
    ------
    OutOfRange : outside these ranges

    Source: HOF 2017 ch. 1 eq. 30. Handbook charts in inch-pound units put zero at 0 degF instead; only
    differences compare.
    """
    domain.within("dry_bulb", dry_bulb, *DRY_BULB_RANGE)
    domain.within("humidity_ratio", humidity_ratio, *HUMIDITY_RATIO_RANGE)
    celsius = dry_bulb - CELSIUS_ZERO
    return 1006.0 * celsius + humidity_ratio * (2_501_000.0 + 1860.0 * celsius)


def saturation_pressure(temperature: float) -> float:
    """Pressure of saturated water vapour, over ice below 0.01 degC.

    Parameters
    ----------
    temperature : float, K, 173.15 to 473.15

    Returns
    -------
    float, Pa

    Raises
    ------
    OutOfRange : outside this range

    Source: HOF 2017 ch. 1 eq. 5 and 6.
    """
    domain.within("temperature", temperature, *DRY_BULB_RANGE)
    return _saturation(temperature)


@functools.lru_cache(maxsize=1024)
def _saturation(temperature: float) -> float:
    # One air state is asked for it several times, and propagation asks for a few states beside each other.
    return float(psychrolib.GetSatVapPres(temperature - CELSIUS_ZERO))


def standard_atmosphere_pressure(elevation: float) -> float:
    """Air pressure at an elevation on a standard day; weather moves the real one by up to about 3 %.

    Parameters
    ----------
    elevation : float, m above sea level, -5 000 to 11 000

    Returns
    -------
    float, Pa absolute

    Raises
    ------
    OutOfRange : outside this range

    Source: HOF 2017 ch. 1 eq. 3 (US Standard Atmosphere 1976, troposphere).
    """
    domain.within("elevation", elevation, *ELEVATION_RANGE)
    return float(psychrolib.GetStandardAtmPressure(elevation))


def station_pressure_from_altimeter_setting(altimeter_setting: float, elevation: float) -> float:
    """Air pressure at a site from the altimeter setting of a nearby weather report.

    Use the site's own elevation, not the airport's: the altimeter setting is reduced to sea level along
    the standard atmosphere, so within a district it belongs to every elevation.

    Parameters
    ----------
    altimeter_setting : float, Pa, 85 000 to 110 000
    elevation : float, m above sea level, -5 000 to 11 000

    Returns
    -------
    float, Pa absolute

    Raises
    ------
    OutOfRange : outside these ranges

    Source: US National Weather Service altimeter-setting formula (Smithsonian Meteorological Tables), solved
    for station pressure: P = (A^n - 1013.25^n 0.0065 h / 288)^(1/n) + 0.3 hPa, n = 0.190284. Its other
    published forms (short form, ASOS) agree within 0.6 hPa.
    """
    domain.within("altimeter_setting", altimeter_setting, *ALTIMETER_SETTING_RANGE)
    domain.within("elevation", elevation, *ELEVATION_RANGE)
    n = 0.190284
    fall = 1013.25**n * 0.0065 / 288.0 * elevation
    hectopascals: float = ((altimeter_setting / 100.0) ** n - fall) ** (1.0 / n) + 0.3
    return 100.0 * hectopascals


def _check_dry_bulb_and_pressure(dry_bulb: float, pressure: float) -> None:
    domain.within("dry_bulb", dry_bulb, *DRY_BULB_RANGE)
    domain.within("pressure", pressure, *PRESSURE_RANGE)


def _specific_volume(dry_bulb: float, humidity_ratio: float, pressure: float) -> float:
    return DRY_AIR_GAS_CONSTANT * dry_bulb * (1.0 + humidity_ratio / MOLAR_MASS_RATIO) / pressure


def _humidity_ratio(vapour_pressure: float, pressure: float) -> float:
    return MOLAR_MASS_RATIO * vapour_pressure / (pressure - vapour_pressure)


def _wet_bulb(dry_bulb: float, humidity_ratio: float, pressure: float) -> float:
    # psychrolib's own search returns the dry bulb where that is above the boiling point, so bracket here.
    target: float = max(humidity_ratio, psychrolib.MIN_HUM_RATIO)
    celsius = dry_bulb - CELSIUS_ZERO
    low = DRY_BULB_RANGE[0] - CELSIUS_ZERO
    high = min(celsius, _boiling_point(pressure) - CELSIUS_ZERO - 1e-6)
    while high - low > 1e-5:
        middle = 0.5 * (low + high)
        if psychrolib.GetHumRatioFromTWetBulb(celsius, middle, pressure) > target:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high) + CELSIUS_ZERO


def _boiling_point(pressure: float) -> float:
    """K, the temperature at which saturation reaches `pressure`."""
    return float(psychrolib.GetTDewPointFromVapPres(100.0, pressure)) + CELSIUS_ZERO
