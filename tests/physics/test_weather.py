"""Weather-report physics against the standard atmosphere, printed vapour-pressure tables and reference libraries."""

import math
from collections.abc import Callable

import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, weather

FOOT = 0.3048
INCH_OF_MERCURY = 3386.389


def celsius(value: float) -> float:
    return value + 273.15


# --- sea-level pressure -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("elevation", "tolerance"), [(0, 0.0), (500, 1e-4), (750, 1e-4), (1600, 2e-4), (3000, 4e-4)])
def test_sea_level_pressure_on_a_standard_day_gives_the_us_standard_atmosphere(
    elevation: float, tolerance: float
) -> None:
    """US Standard Atmosphere 1976: 288.15 K at sea level, 6.5 K/km."""
    pressure = weather.station_pressure_from_sea_level_pressure(101_325.0, elevation, 288.15 - 0.0065 * elevation)
    assert pressure == pytest.approx(air.standard_atmosphere_pressure(elevation), rel=tolerance, abs=1e-6)


@pytest.mark.parametrize("temperature", [253.15, 273.15, 290.0, 308.15])
@pytest.mark.parametrize("elevation", [-50.0, 200.0, 750.0, 1600.0])
def test_sea_level_pressure_against_psychrolib(elevation: float, temperature: float) -> None:
    """psychrolib 2.5.0 GetStationPressure, after Hess, Introduction to Theoretical Meteorology, 1959, ch. 6.5."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    expected = psychrolib.GetStationPressure(100_500.0, elevation, temperature - 273.15)
    pressure = weather.station_pressure_from_sea_level_pressure(100_500.0, elevation, temperature)
    assert pressure == pytest.approx(expected, rel=2e-4)


def test_one_kelvin_of_column_temperature_moves_the_result_by_the_hydrostatic_share() -> None:
    """d(ln p)/dT = g h / (R T^2), g 9.80665 m/s2 and R 287.05 J/(kg K), column mean T."""
    cold = weather.station_pressure_from_sea_level_pressure(101_000.0, 1600.0, 279.5)
    warm = weather.station_pressure_from_sea_level_pressure(101_000.0, 1600.0, 280.5)
    mean = 280.0 + 0.00325 * 1600.0
    assert math.log(warm / cold) == pytest.approx(9.80665 * 1600.0 / (287.05 * mean**2), rel=2e-3)


@given(st.floats(95_000, 105_000), st.floats(0, 4000), st.floats(240, 315))
def test_pressure_falls_with_height_and_more_in_cold_air(slp: float, elevation: float, temperature: float) -> None:
    here = weather.station_pressure_from_sea_level_pressure(slp, elevation, temperature)
    assert here <= slp
    if elevation > 1.0:
        assert weather.station_pressure_from_sea_level_pressure(slp, elevation, temperature + 1.0) > here
        assert weather.station_pressure_from_sea_level_pressure(slp, elevation, temperature, 1000.0) > here
        assert weather.station_pressure_from_sea_level_pressure(slp, elevation - 1.0, temperature) > here


# --- vapour over water --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature", "hectopascals"),
    [(-40, 0.1891), (-30, 0.5088), (-20, 1.2540), (-10, 2.8627), (0, 6.1078), (10, 12.272), (20, 23.373), (30, 42.430)],
)
def test_saturation_over_water_smithsonian_tables(temperature: float, hectopascals: float) -> None:
    """Smithsonian Meteorological Tables, 6th edition, table 94 (Goff and Gratch 1946); values from memory."""
    pressure = weather.saturation_pressure_over_water(celsius(temperature))
    assert pressure / 100.0 == pytest.approx(hectopascals, rel=6e-3 if temperature < -10 else 3e-3)


@pytest.mark.parametrize("temperature", [1.0, 10.0, 25.0, 40.0, 55.0])
def test_saturation_over_water_above_freezing_against_the_handbook_equation(temperature: float) -> None:
    """HOF 2017 ch. 1 eq. 6, as in psychrolib 2.5.0."""
    assert weather.saturation_pressure_over_water(celsius(temperature)) == pytest.approx(
        air.saturation_pressure(celsius(temperature)), rel=4e-3
    )


@pytest.mark.parametrize(
    ("temperature", "dew_point", "percent", "tolerance"),
    [
        (3.3, -3.3, 62.0, 0.05),
        (3.3, -3.3, 61.9, 0.1),
        (3, -3, 64.7, 0.05),
        (12.8, 8.3, 74.1, 0.2),
        (22.8, 13.3, 55.0, 0.2),
    ],
    ids=["Magnus", "MetPy", "whole degrees", "tenths 12.8/8.3", "tenths 22.8/13.3"],
)
def test_relative_humidity_of_coded_examples(
    temperature: float, dew_point: float, percent: float, tolerance: float
) -> None:
    """Worked from the groups T00331033, 03/M03 and T01280083; MetPy 1.7.1 for the second row (computed once)."""
    humidity = weather.relative_humidity_over_water(celsius(temperature), celsius(dew_point))
    assert 100.0 * humidity == pytest.approx(percent, abs=tolerance)


def test_a_reported_dew_point_taken_as_a_frost_point_reads_dry() -> None:
    """3.3/-3.3 degC: 59.95 % by psychrolib 2.5.0 over ice, 62 % over water as reported."""
    over_ice = air.from_dry_bulb_and_dew_point(celsius(3.3), celsius(-3.3), 83_067.0)
    assert over_ice.relative_humidity == pytest.approx(0.5995, abs=2e-4)
    ratio = weather.humidity_ratio_from_reported_dew_point(celsius(-3.3), 83_067.0)
    over_water = air.from_dry_bulb_and_humidity_ratio(celsius(3.3), ratio, 83_067.0)
    assert over_water.relative_humidity == pytest.approx(0.62, abs=1e-3)
    assert 1.03 < ratio / over_ice.humidity_ratio < 1.04


def test_humidity_ratio_against_real_gas_above_freezing() -> None:
    """CoolProp 8.0.0 HAPropsSI at 12.8/8.3 degC; the enhancement factor makes it 0.3 to 0.5 % moister."""
    ratio = weather.humidity_ratio_from_reported_dew_point(celsius(8.3), 95_000.0)
    real = HAPropsSI("W", "T", celsius(12.8), "D", celsius(8.3), "P", 95_000.0)
    assert 0.990 < ratio / real < 1.0


def test_supercooled_fog_is_beyond_saturation_over_ice() -> None:
    """M05/M05: over ice 105 % relative humidity (the two saturations at -5 degC: 421.5/401.7 Pa, from memory)."""
    ratio = weather.humidity_ratio_from_reported_dew_point(celsius(-5), 90_000.0)
    with pytest.raises(OutOfRange):
        air.from_dry_bulb_and_humidity_ratio(celsius(-5), ratio, 90_000.0)
    assert weather.saturation_pressure_over_water(celsius(-5)) / air.saturation_pressure(celsius(-5)) == pytest.approx(
        421.5 / 401.7, rel=3e-3
    )
    assert 1.16 < air.density(celsius(-5), ratio, 90_000.0) < 1.18


@given(st.floats(228.15, 333.15))
def test_dew_point_round_trip(dew_point: float) -> None:
    vapour_pressure = weather.saturation_pressure_over_water(dew_point)
    assert weather.dew_point_over_water(vapour_pressure) == pytest.approx(dew_point, abs=1e-8)


@given(st.floats(230.0, 330.0), st.floats(0.0, 1.0))
def test_relative_humidity_lies_between_0_and_1_and_rises_with_dew_point(temperature: float, place: float) -> None:
    dew_point = 228.15 + place * (temperature - 228.15)
    humidity = weather.relative_humidity_over_water(temperature, dew_point)
    assert 0.0 < humidity <= 1.0
    if dew_point + 0.1 <= temperature:
        assert weather.relative_humidity_over_water(temperature, dew_point + 0.1) > humidity


# --- a reading that was reduced to sea level ----------------------------------------------------------------------


def test_altimeter_setting_typed_as_local_pressure() -> None:
    """30.11 inHg at 5577 ft, where station pressure is 830.67 hPa (NWS inverse form, worked)."""
    setting = 30.11 * INCH_OF_MERCURY
    assert weather.sea_level_reduction_in_reading(setting, 5577 * FOOT, setting) == pytest.approx(1.0)
    assert weather.sea_level_reduction_in_reading(83_067.0, 5577 * FOOT, setting) == pytest.approx(0.0, abs=1e-3)
    # Without a report: the standard atmosphere is up to 3 % off, so both are near their ends and not on them.
    assert weather.sea_level_reduction_in_reading(setting, 5577 * FOOT) == pytest.approx(1.0, abs=0.2)
    assert weather.sea_level_reduction_in_reading(83_067.0, 5577 * FOOT) == pytest.approx(0.0, abs=0.2)


@given(st.floats(15.0, 4000.0), st.floats(96_000.0, 105_000.0), st.floats(0.0, 1.0))
def test_reduction_is_recovered_from_a_mixture(elevation: float, setting: float, share: float) -> None:
    station = air.station_pressure_from_altimeter_setting(setting, elevation)
    reading = station + share * (setting - station)
    assert weather.sea_level_reduction_in_reading(reading, elevation, setting) == pytest.approx(share, abs=1e-9)


# --- local wind ---------------------------------------------------------------------------------------------------


def test_local_wind_in_suburban_terrain() -> None:
    """Terrain 370 m, 0.22 and 270 m, 0.14 (ASHRAE; as coded in the open residential simulation workflow of NREL).

    8 m building, 10 m mast: (270/10)^0.14 (8/370)^0.22 = 1.5863 x 0.4302 = 0.6825 of the reported wind, by hand.
    """
    speed = weather.local_wind_speed(5.0, 8.0, 370.0, 0.22, 10.0, 270.0, 0.14)
    assert speed == pytest.approx(5.0 * 0.6825, rel=1e-3)


@given(st.floats(0.0, 40.0), st.floats(1.0, 200.0))
def test_local_wind_at_the_station_itself_is_the_reported_wind(speed: float, height: float) -> None:
    assert weather.local_wind_speed(speed, height, 270.0, 0.14, height, 270.0, 0.14) == pytest.approx(speed)
    assert weather.local_wind_speed(speed + 1.0, height, 270.0, 0.14, 10.0, 270.0, 0.14) > weather.local_wind_speed(
        speed, height, 270.0, 0.14, 10.0, 270.0, 0.14
    )


# --- refusals -----------------------------------------------------------------------------------------------------

Function = Callable[..., float]
REFUSED: list[tuple[Function, tuple[float, ...], str]] = [
    (weather.station_pressure_from_sea_level_pressure, (84_999.0, 500.0, 280.0), "sea_level_pressure"),
    (weather.station_pressure_from_sea_level_pressure, (101_325.0, 4_001.0, 280.0), "elevation"),
    (weather.station_pressure_from_sea_level_pressure, (101_325.0, 500.0, math.nan), "temperature"),
    (weather.station_pressure_from_sea_level_pressure, (101_325.0, 500.0, 280.0, -1.0), "vapour_pressure"),
    (weather.saturation_pressure_over_water, (228.0,), "temperature"),
    (weather.saturation_pressure_over_water, (math.nan,), "temperature"),
    (weather.dew_point_over_water, (0.0,), "vapour_pressure"),
    (weather.relative_humidity_over_water, (280.0, 280.1), "dew_point"),
    (weather.relative_humidity_over_water, (400.0, 280.1), "temperature"),
    (weather.humidity_ratio_from_reported_dew_point, (333.0, 20_000.0), "pressure"),
    (weather.sea_level_reduction_in_reading, (101_000.0, 14.9), "elevation"),
    (weather.sea_level_reduction_in_reading, (101_000.0, 500.0, 84_000.0), "altimeter_setting"),
    (weather.sea_level_reduction_in_reading, (19_000.0, 500.0), "reading"),
    (weather.local_wind_speed, (-1.0, 8.0, 370.0, 0.22, 10.0, 270.0, 0.14), "reported_speed"),
    (weather.local_wind_speed, (5.0, 371.0, 370.0, 0.22, 10.0, 270.0, 0.14), "height"),
    (weather.local_wind_speed, (5.0, 0.0, 370.0, 0.22, 10.0, 270.0, 0.14), "height"),
    (weather.local_wind_speed, (5.0, 8.0, 370.0, 0.0, 10.0, 270.0, 0.14), "exponent"),
    (weather.local_wind_speed, (5.0, 8.0, 370.0, 0.22, 271.0, 270.0, 0.14), "station_height"),
    (weather.local_wind_speed, (5.0, 8.0, 370.0, 0.22, 10.0, 270.0, 1.1), "station_exponent"),
]


@pytest.mark.parametrize(("function", "arguments", "name"), REFUSED)
def test_refused(function: Function, arguments: tuple[float, ...], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        function(*arguments)
    assert refused.value.name == name
