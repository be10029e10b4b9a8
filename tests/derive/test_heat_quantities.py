"""Gas clocked and derated, electric heat by its lines, hot water, heat pump, and the fan's year, by worked sums."""

from __future__ import annotations

import math
from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI

from service.derive import Worksheet
from tests.derive.sheets import reading, request, sheet
from tests.visits.house import CFM, INCH

BTU_PER_HOUR = 1055.05585262 / 3600
HEATING = [{"id": "s", "mode": "heating"}]


def site(feet: float) -> dict[str, Any]:
    return {"elevation": {"value": feet, "unit": "ft"}}


def temperatures(entering: float, leaving: float) -> list[dict[str, Any]]:
    return [
        reading("dry_bulb_temperature", entering, "degF", location="return_plenum", state="s"),
        reading("dry_bulb_temperature", leaving, "degF", location="supply_plenum", state="s"),
        reading("relative_humidity", 0.01, "%", location="return_plenum", state="s"),
    ]


def gas(**more: Any) -> dict[str, Any]:
    heat = {"input": {"value": 80000, "unit": "Btu/h"}, "steady_state_efficiency": {"value": 80, "unit": "%"}, **more}
    return {"gas_heat": heat}


def clock(seconds: float, volume: float = 1.0, turns: int = 1, value: float = 1000.0) -> dict[str, Any]:
    return {
        "kind": "gas_meter",
        "volume_per_revolution": {"value": volume, "unit": "ft3"},
        "revolutions": turns,
        "seconds": seconds,
        "heating_value": {"value": value, "unit": "Btu/ft3"},
        "state": "s",
    }


def worked(*readings: dict[str, Any], feet: float = 0.0, **more: Any) -> Worksheet:
    return sheet(request(*readings, states=HEATING, site=site(feet), **more))


# Gas -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "expected"), [(36.0, 100000.0), (45.0, 80000.0), (60.0, 60000.0)])
def test_a_cubic_foot_in_so_many_seconds(seconds: float, expected: float) -> None:
    """3600 / seconds x 1000 Btu/ft3: 36 s are 100 000 Btu/h, as makers' clocking tables print it."""
    found = worked(clock(seconds), equipment=gas())
    assert found.quantities["gas_input_clocked"].value / BTU_PER_HOUR == pytest.approx(expected)
    assert found.quantities["gas_input_to_expected"].value == pytest.approx(expected / 80000.0)


def test_longer_timing_is_surer() -> None:
    short, long = (worked(clock(45.0 * turns, turns=turns)).quantities["gas_input_clocked"] for turns in (1, 4))
    assert short.value == pytest.approx(long.value)
    assert short.terms["reading.0.stopwatch"] / long.terms["reading.0.stopwatch"] == pytest.approx(4.0, rel=1e-3)


@pytest.mark.parametrize(
    ("feet", "derated", "share"), [(0.0, False, 1.0), (2000.0, False, 1.0), (5000.0, False, 0.8), (5000.0, True, 1.0)]
)
def test_the_rating_is_derated_with_elevation_but_not_twice(feet: float, derated: bool, share: float) -> None:
    """4 % per 1000 ft of elevation, above 2000 ft (National Fuel Gas Code, from memory): 20 % at 5000 ft."""
    found = worked(clock(45.0), feet=feet, equipment=gas(input_is_derated=derated))
    assert found.quantities["gas_input_expected"].value / (80000 * BTU_PER_HOUR) == pytest.approx(share, rel=1e-4)
    assert ("gas_input.derated" in found.observations) is (share < 1.0)


def test_the_clock_outranks_the_rating_in_the_airflow() -> None:
    """Airflow goes with the heat: 72 000 clocked where 80 000 are rated make 0.9 of the airflow."""
    rated = worked(*temperatures(70.0, 120.0), equipment=gas())
    clocked = worked(*temperatures(70.0, 120.0), clock(50.0), equipment=gas())
    name = "airflow_from_temperature_rise"
    assert clocked.quantities[name].value / rated.quantities[name].value == pytest.approx(0.9, rel=1e-6)
    assert clocked.quantities[name].uncertainty < rated.quantities[name].uncertainty


def test_without_the_meter_the_input_is_open() -> None:
    assert worked(*temperatures(70.0, 120.0), equipment=gas()).lacking["gas_input_to_expected"] == (
        "gas_meter reading",
    )


def test_thin_air_raises_the_question_of_the_heating_value() -> None:
    assert "gas_heating_value.in_thin_air" not in worked(clock(45.0), equipment=gas()).observations
    assert "gas_heating_value.in_thin_air" in worked(clock(45.0), feet=5000.0, equipment=gas()).observations


# Electric heat ---------------------------------------------------------------------------------------------------


def amps(value: float) -> dict[str, Any]:
    return reading("current", value, "A", component="electric_heater", state="s")


VOLTS = reading("voltage", 208.0, "V", component="electric_heater", state="s")


def test_a_240_volt_heater_on_208_volts_makes_three_quarters() -> None:
    """(208/240)^2 = 0.751: 9.6 kW at 240 V are 40 A; at 208 V 34.67 A and 7.21 kW (Ohm's law)."""
    found = worked(
        VOLTS, amps(40.0 * 208 / 240), equipment={"electric_heat": {"rated_power": {"value": 9600, "unit": "W"}}}
    )
    assert found.quantities["electric_heat_to_rating"].value == pytest.approx((208 / 240) ** 2)


def test_an_open_element_of_a_delta_shows_in_the_lines() -> None:
    """Three equal elements in delta, one open: line currents I, I/sqrt(3), I/sqrt(3) (circuit theory)."""
    heat = {"electric_heat": {"phases": 3}}
    lines = [amps(30.0), amps(30.0 / math.sqrt(3)), amps(30.0 / math.sqrt(3))]
    mean = (1 + 2 / math.sqrt(3)) / 3
    found = worked(VOLTS, *lines, equipment=heat).quantities["electric_heater_line_imbalance"]
    assert found.value == pytest.approx(1 / mean - 1)
    equal = worked(VOLTS, *[amps(30.0)] * 3, equipment=heat).quantities["electric_heater_line_imbalance"]
    assert equal.value == 0.0
    assert "electric_heater_line_imbalance" in worked(VOLTS, amps(30.0), amps(30.0), equipment=heat).lacking
    assert "electric_heater_line_imbalance" not in worked(VOLTS, amps(30.0)).lacking


# Hot water and heat pump -----------------------------------------------------------------------------------------


def water(flow: float, entering: float, leaving: float) -> list[dict[str, Any]]:
    return [
        reading("water_flow", flow, "L/s", state="s"),
        reading("water_temperature", entering, "Cel", location="entering", state="s"),
        reading("water_temperature", leaving, "Cel", location="leaving", state="s"),
    ]


def test_heat_of_hot_water_and_the_airflow_it_warms() -> None:
    """0.5 L/s of water falling from 65 to 55 degC, with density and enthalpy of CoolProp (IAPWS-95)."""
    found = worked(*temperatures(70.0, 110.0), *water(0.5, 65.0, 55.0), arrangement="air_handler_with_internal_coil")
    mass = 0.5e-3 * PropsSI("D", "T", 333.15, "P", 2e5, "Water")
    expected = mass * (PropsSI("H", "T", 338.15, "P", 2e5, "Water") - PropsSI("H", "T", 328.15, "P", 2e5, "Water"))
    heat = found.quantities["hydronic_heat"]
    assert heat.value == pytest.approx(expected, rel=2e-3)
    # 1.08 Btu/(h cfm degF) in standard air; 2.5 % of blower heat on top.
    rough = heat.value * 1.025 / BTU_PER_HOUR / (1.08 * 40.0)
    assert found.quantities["airflow_from_temperature_rise"].value / CFM == pytest.approx(rough, rel=0.01)


def test_two_sources_of_heat_are_not_told_apart() -> None:
    found = worked(*temperatures(70.0, 110.0), *water(0.5, 65.0, 55.0), equipment=gas())
    assert found.lacking["airflow_from_temperature_rise"] == (
        "a state with the gas burner, the electric heater or the hot water alone",
    )


def test_part_of_the_water_readings_is_no_heat() -> None:
    found = worked(*temperatures(70.0, 110.0), *water(0.5, 65.0, 55.0)[:2])
    assert "hydronic_heat" in found.lacking


def pump(flow: float = 1200.0, **more: Any) -> Worksheet:
    equipment = {"nominal_cooling_capacity": {"value": 3, "unit": "tons"}, **more}
    grid = reading("airflow", flow, "cfm", location="filter_inlet", basis="standard", state="s")
    return worked(*temperatures(70.0, 100.0), grid, equipment=equipment, arrangement="air_handler_with_internal_coil")


def test_heat_pump_output_by_rise_and_flow() -> None:
    """1200 standard cfm x 1.08 x 30 degF = 38 880 Btu/h, 1.08 of 3 tons."""
    found = pump()
    assert found.quantities["heat_pump_output"].value / BTU_PER_HOUR == pytest.approx(38880.0, rel=5e-3)
    assert found.quantities["heat_pump_output_to_nominal"].value == pytest.approx(1.08, rel=5e-3)


def test_a_heat_pump_is_not_judged_on_heat_that_is_not_its_own() -> None:
    heated = pump(electric_heat={"rated_power": {"value": 9600, "unit": "W"}})
    assert "heating_output" in heated.quantities
    assert "heat_pump_output_to_nominal" not in {*heated.quantities, *heated.lacking}


def test_output_never_rests_on_the_rise_it_is_told_from() -> None:
    alone = worked(*temperatures(70.0, 120.0), equipment=gas())
    assert "airflow_from_temperature_rise" in alone.quantities
    assert alone.lacking["heating_output"] == ("an airflow method other than the temperature rise",)


def test_outlet_air_only_where_a_maximum_is_stated() -> None:
    stated = worked(*temperatures(70.0, 120.0), equipment=gas(outlet_air_maximum={"value": 170, "unit": "degF"}))
    assert stated.quantities["outlet_air_temperature"].value == pytest.approx((120.0 + 459.67) * 5 / 9)
    assert "outlet_air_temperature" not in worked(*temperatures(70.0, 120.0), equipment=gas()).quantities


# The fan's year, and its watts -----------------------------------------------------------------------------------


def test_energy_and_cost_of_a_year() -> None:
    """450 W x 2000 h = 900 kWh; at 0.20 a kilowatt hour that is 180."""
    found = worked(
        reading("electric_power", 450.0, "W", component="blower", state="s"),
        energy_use={"blower_hours_per_year": 2000.0, "price_per_kilowatt_hour": 0.2, "currency": "USD"},
    )
    assert found.quantities["yearly_fan_energy"].value / 3.6e6 == pytest.approx(900.0)
    assert found.quantities["yearly_fan_cost"].value == pytest.approx(180.0)
    assert "USD" in found.quantities["yearly_fan_cost"].method
    assert worked(amps(1.0), energy_use={"blower_hours_per_year": 2000.0}).lacking["yearly_fan_energy"]


def held(watts: float, feet: float = 0.0) -> Worksheet:
    rows = [
        {
            "external_static_pressure": {"value": p, "unit": "inH2O"},
            "airflow": {"value": 1200, "unit": "cfm"},
            "power": {"value": w, "unit": "W"},
        }
        for p, w in ((0.2, 250), (0.4, 350), (0.6, 470))
    ]
    return worked(
        reading("electric_power", watts, "W", component="blower", state="s"),
        *temperatures(69.2, 100.0)[:1],
        reading("relative_humidity", 0.0, "%", location="return_plenum", state="s"),
        feet=feet,
        equipment={
            "blower": {"kind": "constant_airflow", "settings": [{"setting": "a", "rows": rows}]},
            "rated_maximum_external_static_pressure": {"value": 0.5, "unit": "inH2O"},
        },
    )


def test_watts_of_a_held_airflow_tell_the_static_pressure() -> None:
    """350 W stand at 0.4 in. w.c. in the table, 410 W halfway to 0.6 (standard air of 69.2 degF at sea level)."""
    assert held(350.0).quantities["static_pressure_from_power"].value / INCH == pytest.approx(0.4, rel=1e-3)
    half = held(410.0)
    assert half.quantities["static_pressure_from_power"].value / INCH == pytest.approx(0.5, rel=1e-3)
    assert half.quantities["static_pressure_from_power_to_rating"].value == pytest.approx(1.0, rel=1e-3)


def test_beyond_the_table_the_watts_tell_nothing() -> None:
    assert "static_pressure_from_power" in held(800.0).lacking


def test_watts_and_pressure_fall_with_density_together() -> None:
    """Fan laws: at the same speed both go with density, so that power and pressure keep their ratio."""
    thin = held(350.0 * 0.8321, feet=5000.0)
    assert thin.quantities["static_pressure_from_power"].value / INCH == pytest.approx(0.4 * 0.8321, rel=2e-3)
