"""Station pressure in order of trust, its checks, and outdoor air, against published values and by sampling."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any

import msgspec
import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from service import derive, normalise
from service.derive import Worksheet
from service.derive.site_air import derive_site_air
from service.model.quantity import Measured
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED, reading, request, sheet

INCH_OF_MERCURY = 3386.389
"""Pa; NIST SP 811, appendix B."""
VISITED = "2026-01-14T09:00:00-07:00"


def site(feet: float) -> dict[str, Any]:
    return {"elevation": {"value": feet, "unit": "ft"}}


def quantity(value: float, unit: str) -> dict[str, Any]:
    return {"value": value, "unit": unit}


def worked(*readings: dict[str, Any], feet: float | None = 5577.0, **weather: Any) -> Worksheet:
    more: dict[str, Any] = {} if feet is None else {"site": site(feet)}
    if weather:
        more["weather"] = weather
    indoors = reading("dry_bulb_temperature", 70.0, "[degF]", location="return_plenum")
    return sheet(request(indoors, *readings, visited_at=VISITED, **more))


def barometer(inches: float, **more: Any) -> dict[str, Any]:
    return reading("station_pressure", inches, "[in_i'Hg]", **more)


def value(worked: Worksheet, name: str) -> float:
    return worked.quantities[name].value


def pressure(worked: Worksheet) -> float:
    return value(worked, "station_pressure")


@pytest.mark.parametrize(
    ("inches", "feet", "hectopascals"),
    [(30.11, 5577, 830.67), (30.13, 5431, 835.81), (29.92, 0, 1013.51), (30.02, 7200, 778.84), (29.45, 1200, 954.95)],
)
def test_altimeter_setting_at_the_sites_own_elevation(inches: float, feet: float, hectopascals: float) -> None:
    """Worked results of the US National Weather Service's inverse formula; its published forms part by 0.6 hPa."""
    found = worked(feet=feet, altimeter_setting=quantity(inches, "[in_i'Hg]"))
    assert pressure(found) == pytest.approx(100 * hectopascals, abs=5.0)
    assert "station_pressure.from_altimeter_setting" in found.observations


def test_the_order_of_trust() -> None:
    fields: dict[str, Any] = {
        "altimeter_setting": quantity(30.11, "[in_i'Hg]"),
        "sea_level_pressure": quantity(1019.0, "hPa"),
    }
    near: dict[str, Any] = {"distance": quantity(10, "km"), "observed_at": VISITED}
    reduced = {"sea_level_pressure": fields["sea_level_pressure"], "temperature": quantity(10.0, "Cel")}
    for readings, weather, token, method in (
        ([barometer(24.6)], {**fields, **near}, "measured", "barometer at the site"),
        ([], {**fields, **near}, "from_altimeter_setting", "altimeter setting of the weather report"),
        ([], {**near, **reduced}, "from_sea_level_pressure", "sea-level pressure of the weather report"),
        ([], {}, "from_elevation", "standard atmosphere at the elevation"),
    ):
        found = worked(*readings, **weather)
        assert f"station_pressure.{token}" in found.observations
        assert method in found.quantities["station_pressure"].method
        assert sum(token.startswith("station_pressure.") for token in found.observations) == 1


def test_without_elevation_a_report_gives_no_pressure() -> None:
    found = worked(feet=None, altimeter_setting=quantity(30.11, "[in_i'Hg]"))
    assert "station_pressure" not in found.quantities
    assert found.lacking["station_pressure"] == ("site elevation",)


@pytest.mark.parametrize("feet", [600.0, 1000.0, 3000.0, 5000.0])
def test_sea_level_pressure_is_undone_along_the_days_own_column(feet: float) -> None:
    """Hydrostatics integrated in steps through air with the reduction's 6.5 K/km, 10 degC at the site.

    The source of the formula calls it good below 750 m; at 5000 ft it is held to 0.1 %.
    """
    found = worked(feet=feet, sea_level_pressure=quantity(1020.0, "hPa"), temperature=quantity(10.0, "Cel"))
    height, steps = feet * 0.3048, 2000
    expected = 102000.0
    for step in range(steps):
        temperature = 283.15 + 0.0065 * height * (1 - (step + 0.5) / steps)
        expected *= math.exp(-9.80665 * height / steps / (287.05 * temperature))
    assert pressure(found) == pytest.approx(expected, rel=1e-3)


def test_an_altimeter_setting_typed_as_local_pressure_is_recognised_and_not_used() -> None:
    """30.11 at 5577 ft: taken as local pressure it would make the air 23 % too dense (worked by hand)."""
    weather: dict[str, Any] = {
        "altimeter_setting": quantity(30.11, "[in_i'Hg]"),
        "distance": quantity(5, "km"),
        "observed_at": VISITED,
    }
    found = worked(barometer(30.11), **weather)
    assert "station_pressure.reading_reduced" in found.observations
    assert "station_pressure.measured" not in found.observations
    assert pressure(found) == pytest.approx(83067, abs=5)
    assert value(found, "sea_level_reduction_in_barometer") == pytest.approx(1.0, abs=1e-6)
    assert value(found, "station_pressure_to_weather") == pytest.approx(30.11 * INCH_OF_MERCURY / 83067, rel=1e-3)


def test_recognised_against_the_standard_atmosphere_only_where_it_can_be_told() -> None:
    """At 300 ft the two pressures are 11 hPa apart, less than weather does: nothing is proven without a report."""
    assert "station_pressure.reading_reduced" in worked(barometer(30.11)).observations
    low = worked(barometer(30.11), feet=300.0)
    assert "station_pressure.measured" in low.observations
    told: dict[str, Any] = {
        "altimeter_setting": quantity(30.11, "[in_i'Hg]"),
        "distance": quantity(3, "km"),
        "observed_at": VISITED,
    }
    fine = {"share_of_reading": 0.0, "floor": 0.5, "resolution": 0.1, "unit": "hPa"}
    assert (
        "station_pressure.reading_reduced" in worked(barometer(30.11, accuracy=fine), feet=300.0, **told).observations
    )


def test_a_report_worth_less_than_the_climate_gives_way_to_the_standard_atmosphere() -> None:
    fields: dict[str, Any] = {"altimeter_setting": quantity(30.11, "[in_i'Hg]"), "distance": quantity(10, "km")}
    fresh = worked(**fields, observed_at=VISITED)
    old = worked(**fields, observed_at="2026-01-01T09:00:00-07:00")
    assert "station_pressure.from_altimeter_setting" in fresh.observations
    assert "station_pressure.from_elevation" in old.observations


def test_age_and_distance_widen_what_a_report_is_worth_and_are_said() -> None:
    def spread(**more: Any) -> float:
        return worked(altimeter_setting=quantity(30.11, "[in_i'Hg]"), **more).quantities["station_pressure"].uncertainty

    here: dict[str, Any] = {"distance": quantity(0, "km"), "observed_at": VISITED}
    usual = spread()
    assert spread(**here) < spread(**{**here, "distance": quantity(100, "km")})
    assert spread(**here) < spread(**{**here, "observed_at": "2026-01-14T06:00:00-07:00"})
    assert spread(**here) < usual
    found = worked(metar="ZZZZ 141553Z A3011", distance=quantity(60, "km"))
    assert value(found, "weather_observation_age") == 7 * 60
    assert value(found, "weather_station_distance") == 60000
    nothing_said = worked(altimeter_setting=quantity(30.11, "[in_i'Hg]"))
    assert {"weather.time_unknown", "weather.distance_unknown"} <= nothing_said.observations


def test_whole_hectopascals_are_rounded_down() -> None:
    """WMO-No. 306 FM 15: Q1019 is 1019.0 to 1019.9 hPa."""
    told, typed = worked(metar="ZZZZ 141553Z Q1019"), worked(altimeter_setting=quantity(1019.5, "hPa"))
    assert pressure(told) == pytest.approx(pressure(typed), rel=1e-9)


@pytest.mark.parametrize(
    ("celsius", "dew_point", "humidity"), [(3.3, -3.3, 0.620), (12.8, 8.3, 0.741), (22.8, 13.3, 0.550)]
)
def test_relative_humidity_from_a_reported_dew_point_is_over_water(
    celsius: float, dew_point: float, humidity: float
) -> None:
    """Values of the Magnus form over water; over ice the first would be 0.60."""
    found = worked(temperature=quantity(celsius, "Cel"), dew_point=quantity(dew_point, "Cel"))
    assert value(found, "outdoor_air_relative_humidity") == pytest.approx(humidity, abs=0.002)


@given(celsius=st.floats(-20.0, 40.0), humidity=st.floats(0.2, 1.0))
def test_dew_point_and_relative_humidity_lead_back_to_each_other(celsius: float, humidity: float) -> None:
    air = reading("dry_bulb_temperature", celsius, "Cel", location="outdoor")
    read = worked(air, reading("relative_humidity", humidity, "1", location="outdoor"))
    dew_point = value(read, "outdoor_air_dew_point") - 273.15
    told = worked(air, dew_point=quantity(dew_point - 1e-9, "Cel"))
    assert value(told, "outdoor_air_relative_humidity") == pytest.approx(humidity, rel=1e-6)
    assert value(told, "outdoor_air_humidity_ratio") == pytest.approx(
        value(read, "outdoor_air_humidity_ratio"), rel=1e-6
    )


def test_outdoor_density_and_humidity_against_real_gas_properties() -> None:
    """CoolProp HAPropsSI at 30 degC, dew point 15 degC: density within 0.06 %, humidity ratio within 1 %."""
    found = worked(temperature=quantity(30.0, "Cel"), dew_point=quantity(15.0, "Cel"))
    state = ("T", 303.15, "P", pressure(found), "D", 288.15)
    humidity = HAPropsSI("W", *state)
    assert value(found, "outdoor_air_humidity_ratio") == pytest.approx(humidity, rel=0.01)
    assert value(found, "outdoor_air_density") == pytest.approx((1 + humidity) / HAPropsSI("Vda", *state), rel=6e-4)


def test_a_reading_outdoors_goes_before_the_report_and_is_held_against_it() -> None:
    read = reading("dry_bulb_temperature", 25.0, "Cel", location="outdoor")
    found = worked(read, temperature=quantity(31.0, "Cel"))
    assert value(found, "outdoor_air_temperature") == pytest.approx(298.15)
    assert value(found, "outdoor_temperature_to_weather") == pytest.approx(-6.0)


def test_no_report_no_barometer_no_elevation_no_entry() -> None:
    found = worked(feet=None)
    named = {*found.quantities, *found.lacking}
    assert not {name for name in named if name.startswith(("outdoor", "weather", "reported", "station_pressure_to"))}
    assert "sea_level_reduction_in_barometer" not in named


def test_units_do_not_matter() -> None:
    metric = worked(
        altimeter_setting=quantity(30.11 * INCH_OF_MERCURY / 100, "hPa"), temperature=quantity(10, "Cel"),
        dew_point=quantity(-10, "Cel"), wind_speed=quantity(5.144444, "m/s"), distance=quantity(16.09344, "km"),
        observed_at=VISITED, feet=5577.0,
    )  # fmt: skip
    customary = worked(
        altimeter_setting=quantity(30.11, "inHg"), temperature=quantity(50, "[degF]"), dew_point=quantity(14, "[degF]"),
        wind_speed=quantity(10, "kn"), distance=quantity(10, "mi"), observed_at="2026-01-14T16:00:00Z", feet=5577.0,
    )  # fmt: skip
    for name, entry in metric.quantities.items():
        assert customary.quantities[name].value == pytest.approx(entry.value, rel=1e-5), name
        assert customary.quantities[name].uncertainty == pytest.approx(entry.uncertainty, rel=1e-4), name


@pytest.mark.parametrize(
    ("field", "wrong", "code"),
    [
        ("altimeter_setting", quantity(24.6, "inHg"), "weather_out_of_range"),
        ("sea_level_pressure", quantity(30.1, "hPa"), "weather_out_of_range"),
        ("temperature", quantity(300.0, "Cel"), "weather_out_of_range"),
        ("wind_speed", quantity(-3.0, "m/s"), "weather_out_of_range"),
        ("dew_point", quantity(20.0, "Cel"), "weather_dew_point_above_temperature"),
        ("distance", quantity(-3.0, "km"), "negative"),
        ("metar", "ZZZZ 3HELLO", "weather_not_a_report"),
    ],
)
def test_what_no_weather_can_be_is_set_aside_and_the_rest_used(field: str, wrong: Any, code: str) -> None:
    fields: dict[str, Any] = {
        "altimeter_setting": quantity(30.11, "inHg"),
        "temperature": quantity(10.0, "Cel"),
        field: wrong,
    }
    found = worked(**fields)
    (entry,) = found.visit.set_aside
    assert (entry.pointer, entry.code) == (f"#/weather/{field}", code)
    assert entry.remedy
    expected = "from_elevation" if field == "altimeter_setting" else "from_altimeter_setting"
    assert f"station_pressure.{expected}" in found.observations


def test_propagated_uncertainty_against_sampling() -> None:
    """20000 draws know a standard deviation to 0.5 %; propagation is to agree within 5 %."""
    body = request(
        barometer(24.6), reading("dry_bulb_temperature", 12.0, "Cel", location="outdoor"), site=site(5577.0),
        visited_at=VISITED, weather={
            "altimeter_setting": quantity(30.11, "inHg"), "sea_level_pressure": quantity(1018.0, "hPa"),
            "temperature": quantity(10.0, "Cel"), "dew_point": quantity(-4.0, "Cel"),
            "distance": quantity(20.0, "km"), "observed_at": "2026-01-14T15:00:00Z",
        },
    )  # fmt: skip
    plain = normalise.normalise(msgspec.convert(body, EvaluationRequest), PREPARED.ruleset, PREPARED.units)
    assert plain.weather is not None
    (nominal,) = derive.contexts(plain, PREPARED.ruleset)
    derive.derive(nominal)
    chance = np.random.default_rng(20260114)
    sampled: dict[str, list[float]] = defaultdict(list)
    names = (
        "station_pressure_to_weather", "sea_level_reduction_in_barometer", "outdoor_temperature_to_weather",
        "outdoor_air_relative_humidity", "outdoor_air_humidity_ratio", "outdoor_air_density",
    )  # fmt: skip
    for _ in range(20000):
        draw: dict[str, float] = defaultdict(lambda: float(chance.standard_normal()))

        def moved(entry: Measured, draw: dict[str, float] = draw) -> Measured:
            return Measured(entry.value + sum(term * draw[source] for source, term in entry.terms.items()))

        weather = msgspec.structs.replace(
            plain.weather,
            **{
                name: moved(entry)
                for name in plain.weather.__struct_fields__
                if isinstance(entry := getattr(plain.weather, name), Measured)
            },
        )
        readings = tuple(msgspec.structs.replace(r, measured=moved(r.measured)) for r in plain.readings)
        visit = msgspec.structs.replace(plain, weather=weather, readings=readings)
        (work,) = derive.contexts(visit, PREPARED.ruleset)
        derive_site_air(work)
        for name in names:
            sampled[name].append(work.quantities[name].value)
    for name in names:
        assert np.std(sampled[name]) == pytest.approx(nominal.quantities[name].uncertainty, rel=0.05), name
