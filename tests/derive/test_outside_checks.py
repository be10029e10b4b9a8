"""Each quantity of the vocabulary against something outside the project: worked here, or in a test that is named.

What a method takes from physics is computed here by other libraries (psychrolib, CoolProp) or by formulas written out;
what is a sum, a difference or a quotient by its definition is worked by hand from the readings. The register at the end
names the test of every quantity. That each one scatters as it should, and does not hang on units, is its property
(`test_sampled_visit`, `test_unit_invariance`).
"""

from __future__ import annotations

import ast
import math
from pathlib import Path
from typing import Any

import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from service.derive import Worksheet
from tests.derive.sampling import normal_visit, worked_out
from tests.derive.sheets import PREPARED, reading, request, sheet, static
from tests.visits.house import CFM, INCH

FAHRENHEIT = 5.0 / 9.0
BTU_PER_HOUR = 1055.05585262 / 3600.0
SEA_LEVEL = 101325.0


def kelvin(fahrenheit: float) -> float:
    return (fahrenheit + 459.67) * FAHRENHEIT


def agree(worked: Worksheet, relative: float, expected: dict[str, float], unit: float = 1.0) -> None:
    """Every number that is expected, in a unit of so many SI units."""
    for name, number in expected.items():
        found = worked.quantities[name].value / unit
        assert found == pytest.approx(number, rel=relative, abs=1e-9), name


def only(written: dict[str, Any]) -> dict[str, Worksheet]:
    """Contexts by state; the whole house by no name."""
    return {one.state.id if one.state is not None else "": one for one in worked_out(normal_visit(written))}


# Pressures -------------------------------------------------------------------------------------------------------


def test_pressures_along_a_path() -> None:
    """Differences of the readings by hand; the parts outside the box (filter, coil, accessory, damper and both ducts)
    make 0.15 + 0.18 + 0.06 + 0.04 + 0.15 + 0.20 = 0.78 in. w.c., the rise across the box 0.48 - (-0.30)."""
    kinds = (
        "return_grille", "return_duct", "filter", "blower", "heat_exchanger", "electric_heater", "coil", "accessory",
        "zone_damper", "supply_duct", "register",
    )  # fmt: skip
    worked = sheet(
        request(
            static("return_plenum", -0.15), static("filter_outlet", -0.30), static("after.blower", 0.60),
            static("after.heat_exchanger", 0.50), static("after.electric_heater", 0.48),
            static("after.coil", 0.30), static("after.accessory", 0.24), static("after.zone_damper", 0.20),
            reading("pressure_difference", 0.16, "[in_i'H2O]", input_station="filter_inlet",
                    reference_station="filter_outlet"),
            states=[{"id": "s", "mode": "fan_only"}],
            equipment={
                "air_path": [{"kind": kind} for kind in kinds],
                "rated_maximum_external_static_pressure": {"value": 0.5, "unit": "inH2O"},
                "rating_boundary": {"inside": ["blower", "heat_exchanger", "electric_heater"]},
            },
        )
    )  # fmt: skip
    agree(
        worked, 1e-9,
        {
            "return_duct_pressure_drop": 0.15, "heat_exchanger_pressure_drop": 0.10,
            "electric_heater_pressure_drop": 0.02, "coil_pressure_drop": 0.18, "accessory_pressure_drop": 0.06,
            "zone_damper_pressure_drop": 0.04, "supply_duct_pressure_drop": 0.24,
            "highest_return_static_pressure": -0.15, "lowest_supply_static_pressure": 0.20,
            "largest_pressure_reading": 0.60, "external_static_pressure": 0.78,
        },
        INCH,
    )  # fmt: skip
    agree(
        worked, 1e-9,
        {
            "external_static_pressure_to_rating": 1.56, "return_duct_share": 0.15 / 0.78, "coil_share": 0.18 / 0.78,
            "supply_duct_share": 0.24 / 0.78,
        },
    )  # fmt: skip


# Air and capacity ------------------------------------------------------------------------------------------------


def cooling() -> Worksheet:
    return sheet(
        request(
            reading("dry_bulb_temperature", 80.0, "[degF]", location="return_plenum"),
            reading("wet_bulb_temperature", 67.0, "[degF]", location="return_plenum"),
            reading("dry_bulb_temperature", 58.0, "[degF]", location="supply_plenum"),
            reading("wet_bulb_temperature", 56.0, "[degF]", location="supply_plenum"),
            reading("dry_bulb_temperature", 60.2, "[degF]", location="supply_register"),
            reading("airflow", 1200.0, "cfm", location="filter_inlet", basis="actual"),
            reading("electric_power", 400.0, "W", component="blower"),
            site={"elevation": {"value": 0.0, "unit": "m"}},
            states=[{"id": "cooling", "mode": "cooling"}],
            equipment={"nominal_cooling_capacity": {"value": 3.0, "unit": "ton"}},
        )
    )


def test_air_by_another_library() -> None:
    """psychrolib (ASHRAE Handbook of Fundamentals 2017, ch. 1) at sea level; density by CoolProp; standard air is
    1.2014 kg/m3."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    worked = cooling()
    dry, wet, cold, damp = ((f - 32.0) * FAHRENHEIT for f in (80.0, 67.0, 58.0, 56.0))
    entering = psychrolib.GetHumRatioFromTWetBulb(dry, wet, SEA_LEVEL)
    leaving = psychrolib.GetHumRatioFromTWetBulb(cold, damp, SEA_LEVEL)
    agree(worked, 2e-3, {"return_air_humidity_ratio": entering, "supply_air_humidity_ratio": leaving})
    agree(worked, 2e-3, {"return_air_relative_humidity": psychrolib.GetRelHumFromTWetBulb(dry, wet, SEA_LEVEL)})
    moist = 1.0 / HAPropsSI("V", "T", kelvin(80.0), "W", entering, "P", SEA_LEVEL) * (1.0 + entering)
    agree(worked, 2e-3, {"return_air_density": moist, "standard_airflow": 1200.0 * CFM * moist / 1.2014})
    agree(worked, 1e-9, {"return_air_temperature": kelvin(80.0), "supply_air_temperature": kelvin(58.0)})
    agree(
        worked, 1e-9,
        {"return_wet_bulb_depression": 13.0, "supply_wet_bulb_depression": 2.0, "temperature_split": 22.0},
        FAHRENHEIT,
    )  # fmt: skip


def test_capacity_by_another_library() -> None:
    """CoolProp's enthalpies of both airs; of the rooms' side the fall to 60.2 degF at the same humidity. A ton is
    12 000 Btu/h; all of the blower's 400 W end in the air (first law)."""
    worked = cooling()
    psychrolib.SetUnitSystem(psychrolib.SI)
    entering, leaving = (
        psychrolib.GetHumRatioFromTWetBulb((t - 32.0) * FAHRENHEIT, (w - 32.0) * FAHRENHEIT, SEA_LEVEL)
        for t, w in ((80.0, 67.0), (58.0, 56.0))
    )

    def enthalpy(fahrenheit: float, humidity: float) -> float:
        return float(HAPropsSI("H", "T", kelvin(fahrenheit), "W", humidity, "P", SEA_LEVEL))

    mass = 1200.0 * CFM / HAPropsSI("V", "T", kelvin(80.0), "W", entering, "P", SEA_LEVEL)
    net = mass * (enthalpy(80.0, entering) - enthalpy(58.0, leaving))
    to_register = mass * (enthalpy(80.0, entering) - enthalpy(60.2, entering))
    agree(
        worked, 0.01,
        {
            "net_total_capacity": net, "net_total_capacity_to_nominal": net / (36000.0 * BTU_PER_HOUR),
            "delivered_sensible_capacity": to_register, "delivered_to_net_sensible_capacity": 19.8 / 22.0,
            "gross_total_capacity": net + 400.0, "blower_heat": 400.0, "blower_power": 400.0,
        },
    )  # fmt: skip


# Heat and airflow ------------------------------------------------------------------------------------------------


def blown(mode: str) -> Worksheet:
    """A furnace, its blower table and its grilles, with the burner on or off."""
    rows = [
        {
            "external_static_pressure": {"value": p, "unit": "inH2O"}, "airflow": {"value": q, "unit": "cfm"},
            "power": {"value": w, "unit": "W"},
        }
        for p, q, w in ((0.2, 1300, 420), (0.4, 1200, 400), (0.6, 1100, 380))
    ]  # fmt: skip
    grille = {"side": "return", "basis": "actual", "design_airflow": {"value": 600, "unit": "cfm"}}
    return sheet(
        request(
            static("return_plenum", -0.15), static("filter_outlet", -0.20), static("heat_exchanger_outlet", 0.20),
            reading("dry_bulb_temperature", 69.2, "degF", location="return_plenum"),
            reading("relative_humidity", 0.01, "%", location="return_plenum"),
            reading("dry_bulb_temperature", 119.2, "degF", location="supply_plenum"),
            reading("airflow", 1080.0, "cfm", location="filter_inlet", basis="actual"),
            reading("electric_power", 440.0, "W", component="blower"),
            reading("register_airflow", 500.0, "cfm", room="hall", **grille),
            reading("register_airflow", 550.0, "cfm", room="den", **grille),
            site={"elevation": {"value": 0.0, "unit": "m"}},
            states=[{"id": "s", "mode": mode, "speed_setting": "a"}],
            equipment={
                "design_airflow": {"value": 1200, "unit": "cfm"},
                "blower": {"kind": "permanent_split_capacitor", "settings": [{"setting": "a", "rows": rows}]},
                "gas_heat": {
                    "input": {"value": 80000, "unit": "Btu/h"}, "steady_state_efficiency": {"value": 80, "unit": "%"},
                    "outlet_air_maximum": {"value": 170, "unit": "degF"},
                },
            },
        )
    )  # fmt: skip


def test_a_blower_against_its_table_by_hand() -> None:
    """The table at 0.40 in. w.c. in standard air of 69.2 degF: 1200 cfm and 400 W, so that 1080 cfm are 0.9 of it and
    440 W 1.1; 440/1080 W/cfm are 11/9 of 400/1200. By grilles 500 + 550 = 1050 cfm, which is 1050/1080 of the reading;
    the usual twentieth that enters elsewhere is common practice, no source."""
    worked = blown("fan_only")
    agree(
        worked, 2e-3,
        {
            "airflow_measured_to_table": 0.9, "blower_power_to_table": 1.1,
            "blower_power_per_airflow_to_table": 11.0 / 9.0, "register_return_to_airflow": 1050.0 / 1080.0,
        },
    )  # fmt: skip
    agree(
        worked, 2e-3,
        {
            "airflow_measured": 1080.0, "airflow_from_blower_table": 1200.0, "register_airflow_return": 1050.0,
            "airflow_from_return_grilles": 1050.0 / 0.95,
        },
        CFM,
    )  # fmt: skip


def test_heat_carried_off_by_the_shortcut_for_standard_air() -> None:
    """1.08 Btu/(h cfm degF), the trade's factor for standard air (0.075 lb/ft3 x 0.24 Btu/(lb degF) x 60 min/h), over
    50 degF, by an airflow that is known without the rise: somewhere between reading, grilles and table."""
    worked = blown("heating")
    carried = worked.quantities["heating_output"].value / (1.08 * 50.0 * BTU_PER_HOUR)
    assert 1080.0 * 0.99 <= carried <= 1200.0 * 1.01
    agree(worked, 1e-9, {"outlet_air_temperature": kelvin(119.2), "supply_air_temperature": kelvin(119.2)})
    agree(worked, 1e-9, {"temperature_rise": 50.0}, FAHRENHEIT)


def test_parts_as_flow_meters_by_the_power_law() -> None:
    """A coil of 0.25 in. w.c. at 1200 cfm, n = 1.8, taken e^0.10 times as tight, at 0.30 passes
    1200 (0.30/(0.25 e^0.10))^(1/1.8) cfm; a filter of 0.10 in., n = 1.4, taken e^0.22 times as tight, at 0.12
    1200 (0.12/(0.10 e^0.22))^(1/1.4). How tight such parts usually are is common practice, no source."""
    rated = {"airflow": {"value": 1200, "unit": "cfm"}}
    worked = sheet(
        request(
            static("return_plenum", -0.10), static("filter_outlet", -0.22), static("heat_exchanger_outlet", 0.40),
            static("supply_plenum", 0.10),
            reading("dry_bulb_temperature", 69.2, "degF", location="return_plenum"),
            reading("relative_humidity", 0.01, "%", location="return_plenum"),
            site={"elevation": {"value": 0.0, "unit": "m"}},
            states=[{"id": "s", "mode": "fan_only"}],
            equipment={
                "coil": {"rated_dry": {"pressure_drop": {"value": 0.25, "unit": "inH2O"}, **rated}},
                "filter": {"rated": {"pressure_drop": {"value": 0.10, "unit": "inH2O"}, **rated}},
            },
        )
    )  # fmt: skip
    agree(
        worked, 2e-3,
        {
            "airflow_from_coil_pressure_drop": 1200.0 * (0.30 / (0.25 * math.exp(0.10))) ** (1.0 / 1.8),
            "airflow_from_filter_pressure_drop": 1200.0 * (0.12 / (0.10 * math.exp(0.22))) ** (1.0 / 1.4),
        },
        CFM,
    )  # fmt: skip


def test_a_traverse_by_hand() -> None:
    """5 points of 0.09, 15 of 0.16 and 5 of 0.25 in. w.c.: the roots' mean is 0.4, which is 0.16 in. w.c.; with five
    points of 0.01 instead of 0.09, a fifth lies below a tenth of the largest (AMCA 203, from memory)."""

    def traverse(*low: float) -> Worksheet:
        return sheet(
            request(
                {
                    "kind": "velocity_traverse", "location": "return_plenum",
                    "duct": {"shape": "rectangular", "width": {"value": 20, "unit": "in"},
                             "height": {"value": 12, "unit": "in"}},
                    "velocity_pressures": {"values": [*low, *[0.16] * 15, *[0.25] * 5], "unit": "inH2O"},
                },
                reading("dry_bulb_temperature", 69.2, "degF", location="return_plenum"),
                site={"elevation": {"value": 0.0, "unit": "m"}},
                states=[{"id": "s", "mode": "fan_only"}],
            )
        )  # fmt: skip

    agree(traverse(*[0.09] * 5), 1e-6, {"traverse_velocity_pressure": 0.16}, INCH)
    agree(traverse(*[0.09] * 5), 1e-6, {"traverse_evenness": 1.0})
    agree(traverse(*[0.01] * 5), 1e-6, {"traverse_evenness": 0.8})


# House -----------------------------------------------------------------------------------------------------------

ON = {"id": "on", "mode": "fan_only", "exhaust_fans": "off", "interior_doors": "open"}
FANS = {**ON, "id": "fans", "exhaust_fans": "on"}
SHUT = {**ON, "id": "shut", "interior_doors": "closed"}
OFF = {"id": "off", "mode": "off", "blower": "off", "exhaust_fans": "off", "interior_doors": "open"}
HELD = {**OFF, "id": "held", "exhaust_fans": "on", "interior_doors": "closed"}


def zone(first: str, second: str, pascals: float, state: str, **more: Any) -> dict[str, Any]:
    return reading("zone_pressure", pascals, "Pa", zone=first, reference=second, instrument="m", state=state, **more)


def house(*readings: dict[str, Any], **more: Any) -> dict[str, Worksheet]:
    states = more.pop("states", [ON, FANS, SHUT, OFF])
    kinds = {"m": "micromanometer", "b": "barometer"}
    instruments = [{"id": name, "kind": kinds[name]} for name in more.pop("gauges", ("m",))]
    return only(request(*readings, states=states, instruments=instruments, **more))


def test_what_the_house_answers() -> None:
    """Differences by hand: -3.0 with the blower on less -0.5 at rest; -7.0 with exhaust fans as well; -4.2 with doors
    shut. A room at 6.0 above the hall."""
    found = house(
        zone("indoor", "outdoor", -3.0, "on"), zone("indoor", "outdoor", -7.0, "fans"),
        zone("indoor", "outdoor", -4.2, "shut"), zone("indoor", "outdoor", -0.5, "off"),
        zone("room", "indoor", 6.0, "shut", room="den"),
    )  # fmt: skip
    agree(found["on"], 1e-9, {"house_response_to_air_handler": -2.5})
    agree(found["fans"], 1e-9, {"house_response_to_exhaust": -4.0})
    agree(found["shut"], 1e-9, {"house_response_to_doors": -1.2, "room_pressure": 6.0})


PLACES = {"garage": -42.0, "attic": -40.0, "crawl_space": -35.0, "basement": -30.0}


def test_zones_beside_the_house() -> None:
    """The same air passes both leaks in turn (power law, n = 0.65): of 50 Pa, p lie between house and zone, and the
    leak to the house is ((50 - p) / p)^0.65 of that to outside."""
    test = zone("indoor", "outdoor", -50.0, "held")
    found = house(
        test, *(zone("indoor", place, held, "held") for place, held in PLACES.items()),
        *(zone("indoor", place, -1.5, "on") for place in PLACES), zone("indoor", "outdoor", -3.0, "on"),
        states=[ON, HELD],
    )  # fmt: skip
    agree(
        found["on"], 1e-9,
        {
            "house_to_garage_pressure": -1.5, "house_to_attic_pressure": -1.5, "house_to_crawl_space_pressure": -1.5,
            "house_to_basement_pressure": -1.5,
        },
    )  # fmt: skip
    agree(
        found["held"], 1e-6,
        {
            "garage_leakage_ratio": (8.0 / 42.0) ** 0.65, "attic_leakage_ratio": (10.0 / 40.0) ** 0.65,
            "crawl_space_leakage_ratio": (15.0 / 35.0) ** 0.65, "basement_leakage_ratio": (20.0 / 30.0) ** 0.65,
        },
    )  # fmt: skip


def test_air_of_four_places_in_the_return() -> None:
    """Adiabatic mixing by mass: dry bulbs lie on a straight line (HOF 2017 ch. 1). 22 degC inside, 19.5 in plenum."""
    cold = {"garage": -3.0, "attic": -5.0, "crawl_space": 1.0, "basement": 5.0}
    worked = sheet(
        request(
            reading("dry_bulb_temperature", 22.0, "Cel", location="indoor"),
            reading("dry_bulb_temperature", 19.5, "Cel", location="return_plenum"),
            *(reading("dry_bulb_temperature", celsius, "Cel", location=place) for place, celsius in cold.items()),
            states=[{"id": "s", "mode": "fan_only"}],
        )
    )
    agree(
        worked, 0.01,
        {
            "return_leak_fraction_garage": 2.5 / 25.0, "return_leak_fraction_attic": 2.5 / 27.0,
            "return_leak_fraction_crawl_space": 2.5 / 21.0, "return_leak_fraction_basement": 2.5 / 17.0,
        },
    )  # fmt: skip


def test_zones_that_appliances_draw_from() -> None:
    """Readings as they are, and their differences by hand: -5.0 running less -1.0 at rest."""
    appliances = [
        {"id": "a", "kind": "water_heater", "venting": "natural_draft", "zone": "combustion_zone"},
        {"id": "b", "kind": "furnace", "venting": "fan_assisted", "zone": "combustion_zone"},
        {"id": "c", "kind": "boiler", "venting": "power_vented", "zone": "combustion_zone"},
        {"id": "d", "kind": "furnace", "venting": "direct_vent", "zone": "combustion_zone"},
        {"id": "e", "kind": "space_heater", "venting": "natural_draft"},
        {"id": "f", "kind": "cooking", "venting": "unvented"},
    ]

    def flue(appliance: str, parts: float, basis: str = "air_free") -> dict[str, Any]:
        return reading("flue_carbon_monoxide", parts, "[ppm]", appliance=appliance, basis=basis, state="on")

    found = house(
        zone("combustion_zone", "outdoor", -5.0, "on"), zone("combustion_zone", "outdoor", -1.0, "off"),
        reading("draft_pressure", -4.0, "Pa", appliance="a", state="on"),
        reading("carbon_monoxide", 3.0, "[ppm]", location="indoor", state="on"),
        reading("carbon_monoxide", 9.0, "[ppm]", location="garage", state="on"),
        reading("combustible_gas", 0.1, "%", location="combustion_zone", state="on"),
        flue("a", 30.0), flue("b", 40.0), flue("d", 50.0), flue("e", 20.0), flue("f", 60.0, "as_measured"),
        states=[ON, OFF], appliances=appliances,
    )["on"]  # fmt: skip
    agree(
        found, 1e-9,
        {
            "natural_draft_zone_pressure": -5.0, "fan_assisted_zone_pressure": -5.0, "power_vented_zone_pressure": -5.0,
            "natural_draft_zone_pressure_change": -4.0, "fan_assisted_zone_pressure_change": -4.0,
            "power_vented_zone_pressure_change": -4.0, "vent_draft": -4.0,
        },
    )  # fmt: skip
    agree(
        found, 1e-9,
        {
            "ambient_carbon_monoxide": 3.0, "zone_carbon_monoxide": 9.0, "flue_carbon_monoxide_water_heater": 30.0,
            "flue_carbon_monoxide_furnace": 40.0, "flue_carbon_monoxide_direct_vent": 50.0,
            "flue_carbon_monoxide_space_heater": 20.0, "oven_carbon_monoxide": 60.0, "combustible_gas": 1000.0,
        },
        1e-6,
    )  # fmt: skip


def test_leaks_and_fans_of_a_house() -> None:
    """One point with the usual exponents, in air that is nearly standard: 1500 cfm at 50 Pa and n = 0.65 are
    1500/50^0.65 at 1 Pa; ducts 80 cfm in all and 40 to outside at 25 Pa, n = 0.60. Normalized leakage
    1000 ELA/A (H/2.5)^0.4 with ELA by the orifice at 4 Pa, for 2000 ft2 and 16 ft (ASHRAE 62.2 and ASTM E779, from
    memory)."""
    points = {"envelope_leakage": (50.0, 1500.0), "total": (25.0, 80.0), "to_outside": (25.0, 40.0)}

    def test(name: str, **more: Any) -> dict[str, Any]:
        pressure, flow = points[name]
        at = {"pressure": {"value": pressure, "unit": "Pa"}, "airflow": {"value": flow, "unit": "cfm"}}
        return {"kind": more.pop("kind"), "points": [at], "state": "on", **more}

    def fan(name: str, direction: str, flow: float) -> dict[str, Any]:
        return reading(
            "ventilation_airflow", flow, "cfm", fan=name, direction=direction, duty="continuous", state="on"
        )  # fmt: skip

    found = house(
        test("envelope_leakage", kind="envelope_leakage", direction="depressurization"),
        test("total", kind="duct_leakage", extent="total"),
        test("to_outside", kind="duct_leakage", extent="to_outside"),
        reading("dry_bulb_temperature", 20.0, "Cel", location="indoor", state="on"),
        reading("dry_bulb_temperature", 20.0, "Cel", location="outdoor", state="on"),
        reading("airflow", 1000.0, "cfm", location="filter_inlet", basis="standard", state="on"),
        static("return_plenum", -25.0, "Pa", state="on"), static("supply_plenum", 25.0, "Pa", state="on"),
        fan("bath", "exhaust", 50.0), fan("laundry", "exhaust", 40.0), fan("fresh", "supply", 60.0),
        states=[ON],
        site={
            "elevation": {"value": 0, "unit": "m"}, "floor_area": {"value": 2000, "unit": "ft2"},
            "height": {"value": 16, "unit": "ft"}, "bedrooms": 3,
        },
    )  # fmt: skip
    everything: dict[str, float] = {}
    for one in found.values():
        everything |= {key: quantity.value for key, quantity in one.quantities.items()}
    area = 1500.0 * CFM * (4.0 / 50.0) ** 0.65 / math.sqrt(2.0 * 4.0 / 1.2)
    flow_now = 0.5 * 40.0 * 2.0 * 0.5**0.60  # half of either plenum's 25 Pa
    expected = {
        "envelope_leakage_coefficient": 1500.0 * CFM / 50.0**0.65,
        "duct_leakage_coefficient": 80.0 * CFM / 25.0**0.60,
        "duct_leakage_to_outside": 40.0 * CFM,
        "duct_leakage_exponent": 0.60,
        "duct_leakage_outside_to_total": 0.5,
        "duct_leakage_to_outside_per_floor_area": 40.0 * CFM / (2000.0 * 0.3048**2),
        "duct_leakage_total_to_airflow": 0.080,
        "duct_leakage_to_outside_to_airflow": 0.040,
        "duct_leakage_operating_to_airflow": flow_now / 1000.0,
        "normalized_leakage": 1000.0 * area / (2000.0 * 0.3048**2) * (16.0 * 0.3048 / 2.5) ** 0.4,
        "ventilation_exhaust": 90.0 * CFM,
        "ventilation_supply": 60.0 * CFM,
        "ventilation_provided": 90.0 * CFM,
        "ventilation_to_required": 90.0 / 90.0,
        "largest_exhaust": 50.0 * CFM,
    }
    for name, number in expected.items():
        assert everything[name] == pytest.approx(number, rel=0.01), name


# Ducts -----------------------------------------------------------------------------------------------------------


def test_velocity_in_duct_runs() -> None:
    """1000 cfm through 20 in. (2.1817 ft2) are 458.4 fpm, 120 cfm through 10 x 3.25 in. (0.22569 ft2) 531.7 fpm."""
    side = {"length": {"value": 20, "unit": "ft"}, "fittings_equivalent_length": {"value": 0, "unit": "ft"},
            "material": "galvanized_steel"}  # fmt: skip
    runs = [
        {"name": "back", "side": "return", "shape": "round", "diameter": {"value": 20, "unit": "in"},
         "design_airflow": {"value": 1000, "unit": "cfm"}, **side},
        {"name": "out", "side": "supply", "shape": "rectangular", "width": {"value": 10, "unit": "in"},
         "height": {"value": 3.25, "unit": "in"}, "design_airflow": {"value": 120, "unit": "cfm"}, **side},
    ]  # fmt: skip
    worked = sheet(request(static("return_plenum", -0.1), equipment={"duct_runs": runs}))
    feet_per_minute = 0.3048 / 60.0
    agree(worked, 1e-3, {"return_run_velocity": 458.4, "supply_run_velocity": 531.7}, feet_per_minute)


def test_a_flexible_duct_that_is_not_stretched() -> None:
    """1 + 0.58 x 4 exp(-0.126 x 8) = 1.847 times the loss for 8 in. compressed by 4 % (Abushakra and others, from
    memory)."""
    run = {
        "name": "soft", "side": "supply", "shape": "round", "diameter": {"value": 8, "unit": "in"}, "compression": 0.04,
        "length": {"value": 20, "unit": "ft"}, "fittings_equivalent_length": {"value": 0, "unit": "ft"},
        "material": "flexible", "design_airflow": {"value": 120, "unit": "cfm"},
    }  # fmt: skip
    worked = sheet(
        request(
            static("return_plenum", -0.1), equipment={"duct_runs": [run]}, site={"elevation": {"value": 0, "unit": "m"}}
        )
    )
    agree(worked, 1e-3, {"duct_compression_factor": 1.847})


# Weather and instruments -----------------------------------------------------------------------------------------


def test_outdoor_air_as_reported_and_read() -> None:
    """Readings and report as they are; of the standard atmosphere 101 325 (1 - 0.0065 x 500/288.15)^5.2559 Pa at 500 m
    (ISO 2533); two thermometers 1.5 K apart."""
    worked = sheet(
        request(
            reading("dry_bulb_temperature", 30.0, "Cel", location="outdoor"),
            reading("dew_point_temperature", 15.0, "Cel", location="outdoor"),
            reading("station_pressure", 960.0, "hPa"),
            reading("dry_bulb_temperature", 21.5, "Cel", location="return_plenum", instrument="t1"),
            reading("dry_bulb_temperature", 20.0, "Cel", location="return_plenum", instrument="t2"),
            instruments=[{"id": "t1", "kind": "thermometer"}, {"id": "t2", "kind": "thermometer"}],
            site={"elevation": {"value": 500.0, "unit": "m"}},
            weather={
                "temperature": {"value": 28.0, "unit": "Cel"}, "wind_speed": {"value": 6.0, "unit": "m/s"},
                "wind_gust": {"value": 9.0, "unit": "m/s"},
            },
            states=[{"id": "s", "mode": "fan_only"}],
        )
    )  # fmt: skip
    agree(
        worked, 1e-4,
        {
            "outdoor_air_temperature": 303.15, "outdoor_air_dew_point": 288.15, "reported_wind_speed": 6.0,
            "reported_wind_gust": 9.0, "outdoor_temperature_to_weather": 2.0, "thermometer_disagreement": 1.5,
            "station_pressure": 96000.0,
            "station_pressure_to_standard_atmosphere": 96000.0 / (101325.0 * (1.0 - 0.0065 * 500.0 / 288.15) ** 5.2559),
        },
    )  # fmt: skip


@pytest.mark.parametrize("lag", [40.0, 80.0])
def test_a_drift_that_dies_away(lag: float) -> None:
    """First-order lag: numpy's line through as many samples, taken after the time that is told, drifts from the first
    to the last by just the instrument's accuracy, 0.5 K."""
    samples = [20.0 + 5.0 * math.exp(-second / lag) for second in range(90)]
    worked = sheet(
        request(
            reading(
                "dry_bulb_temperature", samples[-1], "Cel", location="supply_plenum",
                samples={"interval_seconds": 1.0, "values": samples},
                accuracy={"share_of_reading": 0.0, "floor": 0.5, "resolution": 0.01, "unit": "Cel"},
            ),
            states=[{"id": "s", "mode": "heating"}],
        )
    )  # fmt: skip
    later = np.arange(90) + worked.quantities["further_sampling_time"].value
    drift = np.polyfit(later, 5.0 * np.exp(-later / lag), 1)[0] * 89.0
    assert abs(drift) == pytest.approx(0.5, rel=0.01)


def test_a_barometer_carried_out_and_in_again() -> None:
    """(101000 + 100996)/2 - 101012 Pa, and the weight of 1 m of air of 1.2 kg/m3, 11.8 Pa: -2.2 Pa by hand. A gauge
    says -2.0 Pa: 0.2 Pa apart."""
    places = (("indoor", 0, 1010.00, 1.5), ("outdoor", 1, 1010.12, 0.5), ("indoor", 2, 1009.96, 1.5))
    found = house(
        *(
            reading(
                "station_pressure", hectopascals, "hPa", place=place, state="off", instrument="b",
                height={"value": height, "unit": "m"}, taken_at=f"2026-04-14T09:{minute:02}:00Z",
                accuracy={"share_of_reading": 0.0, "floor": 2.0, "resolution": 0.01, "unit": "hPa"},
            )
            for place, minute, hectopascals, height in places
        ),
        zone("indoor", "outdoor", -2.0, "off"),
        reading("dry_bulb_temperature", 20.0, "Cel", location="indoor"),
        reading("dry_bulb_temperature", 20.0, "Cel", location="outdoor"),
        states=[OFF], gauges=("m", "b"),
    )["off"]  # fmt: skip
    assert found.quantities["house_pressure_by_barometer"].value == pytest.approx(-2.2, abs=0.1)
    assert found.quantities["house_pressure_disagreement"].value == pytest.approx(-0.2, abs=0.1)


# Earlier visits --------------------------------------------------------------------------------------------------


def visits(*found: tuple[str, list[dict[str, Any]]], **more: Any) -> dict[str, Worksheet]:
    """The last visit with those before it."""
    written = [request(*readings, visited_at=f"{day}T10:00:00Z", **more) for day, readings in found]
    return only({**written[-1], "earlier_visits": written[:-1]})


def leaks(kind: str, flow: float, pressure: float, **more: Any) -> dict[str, Any]:
    at = {"pressure": {"value": pressure, "unit": "Pa"}, "airflow": {"value": flow, "unit": "cfm"}}
    return {"kind": kind, "points": [at], **more}


def test_a_house_against_its_earlier_visit() -> None:
    """Quotients and differences by hand: leaks 80 to 60, 40 to 30 and 1500 to 1200 cfm; house -1 to -3 Pa, zone -2 to
    -5 Pa."""

    def day(total: float, outside: float, shell: float, pascals: float, in_zone: float) -> list[dict[str, Any]]:
        return [
            leaks("duct_leakage", total, 25.0, extent="total"),
            leaks("duct_leakage", outside, 25.0, extent="to_outside"),
            leaks("envelope_leakage", shell, 50.0, direction="depressurization"),
            reading("zone_pressure", pascals, "Pa", zone="indoor", reference="outdoor", state="on"),
            reading("zone_pressure", in_zone, "Pa", zone="combustion_zone", reference="outdoor", state="on"),
            reading("dry_bulb_temperature", 20.0, "Cel", location="indoor"),
            reading("dry_bulb_temperature", 20.0, "Cel", location="outdoor"),
        ]

    heater = {"id": "a", "kind": "water_heater", "venting": "natural_draft", "zone": "combustion_zone"}
    found = visits(
        ("2026-04-14", day(80.0, 40.0, 1500.0, -1.0, -2.0)), ("2026-05-14", day(60.0, 30.0, 1200.0, -3.0, -5.0)),
        states=[ON], appliances=[heater], site={"elevation": {"value": 0, "unit": "m"}},
    )  # fmt: skip
    everything: dict[str, float] = {}
    for one in found.values():
        everything |= {key: quantity.value for key, quantity in one.quantities.items()}
    expected = {
        "duct_leakage_total_to_earlier": 0.75, "duct_leakage_to_outside_to_earlier": 0.75,
        "envelope_leakage_to_earlier": 0.80, "house_pressure_since_earlier": -2.0,
        "natural_draft_zone_pressure_since_earlier": -3.0,
    }  # fmt: skip
    for name, number in expected.items():
        assert everything[name] == pytest.approx(number, rel=1e-6), name


DAYS = ("2025-06-04", "2025-09-12", "2025-12-21", "2026-03-31")


def furnace(day: int, *, external: float = 0.0, coil: float = 0.0, less: float = 0.0) -> list[dict[str, Any]]:
    """Readings of one of the days: what the pressures grow by each time, and the airflow falls by."""
    return [
        static("filter_outlet", -0.20), static("heat_exchanger_outlet", 0.20 + (external + coil) * day),
        static("supply_plenum", external * day),
        reading("airflow", 1200.0 - less * day, "cfm", location="filter_inlet", basis="actual"),
        reading("dry_bulb_temperature", 80.0, "degF", location="return_plenum"),
        reading("wet_bulb_temperature", 67.0, "degF", location="return_plenum"),
        reading("dry_bulb_temperature", 58.0, "degF", location="supply_plenum"),
        reading("wet_bulb_temperature", 56.0, "degF", location="supply_plenum"),
        reading("dry_bulb_temperature", 90.0, "degF", location="outdoor"),
        reading("station_pressure", 1000.0, "hPa"),
    ]  # fmt: skip


def last_of(**changes: float) -> Worksheet:
    """The last of four visits in which the changes go on."""
    found = visits(
        *((day, furnace(step, **changes)) for step, day in enumerate(DAYS)),
        states=[{"id": "s", "mode": "cooling", "speed_setting": "high"}],
        site={"elevation": {"value": 0, "unit": "m"}},
        equipment={"rated_maximum_external_static_pressure": {"value": 0.5, "unit": "inH2O"}},
    )  # fmt: skip
    return found["s"]


def test_growth_along_a_straight_line() -> None:
    """Every 100 days 0.02 in. w.c. more of 0.40: of the last 0.46 that is 0.0002/0.46 a day, and up to the rated 0.50
    it takes 200 days. A coil of 0.20 gains as much, 0.0002/0.26 a day; an airflow of 1200 cfm loses 30, -0.3/1110 a
    day, and from 1140 to 1110 cfm the capacity goes with it while the air in and out stays as it is."""
    per_day = 1.0 / 86400.0
    agree(last_of(external=0.02), 1e-3, {"external_static_pressure_growth": 0.0002 / 0.46}, per_day)
    agree(last_of(external=0.02), 1e-3, {"external_static_pressure_time_to_limit": 200.0}, 86400.0)
    agree(last_of(coil=0.02), 1e-3, {"coil_resistance_growth": 0.0002 / 0.26}, per_day)
    agree(last_of(less=30.0), 1e-3, {"airflow_growth": -0.3 / 1110.0}, per_day)
    agree(last_of(less=30.0), 1e-3, {"cooling_capacity_to_earlier": 1110.0 / 1140.0})


def test_what_is_stated_again_and_what_otherwise() -> None:
    """Of nine readings beside the barometer three changed, so that 6 of 9 are the same; of the ratings two differ."""
    first, last = furnace(0, external=0.0), furnace(1, external=0.03, less=10.0)
    ratings = (
        {"rated_maximum_external_static_pressure": (0.5, "inH2O"), "nominal_cooling_capacity": (36000, "Btu/h")},
        {"rated_maximum_external_static_pressure": (0.6, "inH2O"), "nominal_cooling_capacity": (42000, "Btu/h")},
    )
    common = {"states": [{"id": "s", "mode": "cooling"}], "site": {"elevation": {"value": 0, "unit": "m"}}}
    before, after = (
        request(
            *readings, visited_at=f"{day}T10:00:00Z", **common,
            equipment={name: {"value": value, "unit": unit} for name, (value, unit) in stated.items()},
        )
        for readings, stated, day in zip((first, last), ratings, DAYS[:2], strict=True)
    )  # fmt: skip
    found = only({**after, "earlier_visits": [before]})["s"]
    agree(found, 1e-9, {"equipment_facts_differing": 2.0, "readings_repeated": 6.0 / 9.0})


# Register --------------------------------------------------------------------------------------------------------

ELSEWHERE = {
    "test_airflow_methods.py::test_air_power_and_efficiency": ("air_power", "blower_efficiency"),
    "test_airflow_methods.py::test_agreeing_methods_are_weighed_by_their_variances": ("airflow",),
    "test_airflow_methods.py::test_methods_that_disagree_widen_the_estimate": ("airflow_agreement",),
    "test_airflow_methods.py::test_gas_heat_over_rise": ("airflow_from_temperature_rise",),
    "test_airflow_methods.py::test_airflow_per_ton_face_velocity_and_fan_power": (
        "airflow_per_capacity", "airflow_to_design", "filter_face_velocity", "power_per_airflow",
    ),
    "test_airflow_methods.py::test_filter_drop_is_carried_to_todays_flow": ("filter_pressure_drop_to_rated",),
    "test_airflow_methods.py::test_electric_heat_over_rise": ("electric_heater_power",),
    "test_capacity_quantities.py::test_worked_example": (
        "dry_air_mass_flow", "net_sensible_capacity", "latent_capacity", "sensible_heat_ratio",
    ),
    "test_capacity_quantities.py::test_simulated_houses_give_what_their_air_gives": ("condensate_rate",),
    "test_coil_series.py::test_the_noise_of_the_samples_is_not_underrated": ("coil_pressure_drop_rise",),
    "test_duct_quantities.py::test_friction_velocity_and_loss_by_hand": ("duct_run_loss",),
    "test_duct_quantities.py::test_equivalent_diameter_of_the_handbook": ("duct_equivalent_diameter",),
    "test_duct_quantities.py::test_worked_example_of_the_friction_rate": (
        "available_friction_rate", "available_static_pressure", "total_effective_length",
    ),
    "test_duct_quantities.py::test_thin_air_loses_less": ("duct_run_friction",),
    "test_duct_quantities.py::test_the_diameter_that_would_serve_has_the_friction_rate": (
        "duct_diameter_for_flow", "duct_run_friction_to_available",
    ),
    "test_flow_methods.py::test_velocities_are_averaged_not_pressures": ("airflow_from_traverse",),
    "test_flow_methods.py::test_registers_add_up_and_share_their_hood": (
        "register_airflow_supply", "airflow_from_registers",
    ),
    "test_flow_methods.py::test_a_room_with_two_registers_is_judged_on_both": ("room_airflow_to_design",),
    "test_flow_methods.py::test_a_drop_is_not_heard_beside_another_method": ("coil_pressure_drop_to_rated",),
    "test_capacity_quantities.py::test_a_sound_unit_gives_what_its_table_says": ("total_capacity_to_rated",),
    "test_flow_methods.py::test_the_one_that_disagrees_is_named_and_left_out": ("airflow_outlier_to_rest",),
    "test_flow_methods.py::test_fan_laws_carry_the_table_to_the_wheels_speed": ("blower_speed_to_table",),
    "test_heat_quantities.py::test_a_cubic_foot_in_so_many_seconds": ("gas_input_clocked", "gas_input_to_expected"),
    "test_heat_quantities.py::test_the_rating_is_derated_with_elevation_but_not_twice": ("gas_input_expected",),
    "test_heat_quantities.py::test_a_240_volt_heater_on_208_volts_makes_three_quarters": ("electric_heat_to_rating",),
    "test_heat_quantities.py::test_an_open_element_of_a_delta_shows_in_the_lines": ("electric_heater_line_imbalance",),
    "test_heat_quantities.py::test_heat_of_hot_water_and_the_airflow_it_warms": ("hydronic_heat",),
    "test_heat_quantities.py::test_heat_pump_output_by_rise_and_flow": (
        "heat_pump_output", "heat_pump_output_to_nominal",
    ),
    "test_heat_quantities.py::test_energy_and_cost_of_a_year": ("yearly_fan_energy", "yearly_fan_cost"),
    "test_heat_quantities.py::test_watts_of_a_held_airflow_tell_the_static_pressure": (
        "static_pressure_from_power", "static_pressure_from_power_to_rating",
    ),
    "test_history.py::test_exact_instruments_find_what_changed": (
        "airflow_to_earlier", "external_static_pressure_to_earlier", "filter_resistance_to_earlier",
        "coil_resistance_to_earlier", "return_resistance_to_earlier", "blower_power_to_earlier", "heat_to_earlier",
    ),
    "test_history.py::test_supply_side_is_compared_as_a_whole": ("supply_resistance_to_earlier",),
    "test_history.py::test_a_filter_that_loads_evenly_is_told_when_it_reaches_its_limit": (
        "filter_resistance_growth", "filter_time_to_limit", "filter_life",
    ),
    "test_house_pressures.py::test_three_readings_in_turn_are_the_mean_of_the_first_and_last_less_the_middle": (
        "house_pressure",
    ),
    "test_house_pressures.py::test_stack_and_wind_of_the_day": ("stack_pressure_expected", "wind_pressure_expected"),
    "test_house_pressures.py::test_exhaust_against_the_envelope": ("exhaust_depressurization_expected",),
    "test_house_pressures.py::test_transfer_opening_of_a_closed_room": ("transfer_area",),
    "test_house_pressures.py::test_the_net_leak_of_the_ducts_is_found": ("net_duct_leakage",),
    "test_house_pressures.py::test_required_ventilation_of_a_printed_example": (
        "ventilation_required", "infiltration_credit", "ventilation_required_of_fans",
    ),
    "test_instruments.py::test_an_offset_that_two_closures_agree_on_is_found_and_taken_off": (
        "zero_offset_in_readings", "filter_pressure_drop",
    ),
    "test_instruments.py::test_two_gauges_at_one_station": ("gauge_disagreement",),
    "test_instruments.py::test_barometers_are_compared_wherever_on_the_site_they_were_read": (
        "barometer_disagreement",
    ),
    "test_instruments.py::test_the_oldest_calibration_counts_days": ("time_since_calibration",),
    "test_instruments.py::test_the_largest_offset_recorded_counts": ("zero_offset_found",),
    "test_leakage_quantities.py::test_the_leaks_of_a_simulated_house_are_found": (
        "envelope_leakage", "envelope_leakage_exponent", "duct_leakage_total",
    ),
    "test_leakage_quantities.py::test_effective_leakage_area_and_air_changes_of_a_printed_example": (
        "effective_leakage_area", "envelope_air_changes",
    ),
    "test_leakage_quantities.py::test_leakage_in_operation": ("duct_leakage_operating",),
    "test_leakage_quantities.py::test_leakage_per_floor_area": ("duct_leakage_total_per_floor_area",),
    "test_leakage_quantities.py::"
    "test_registers_are_set_against_a_method_at_the_equipment_not_against_an_estimate_they_are_part_of": (
        "register_supply_to_airflow",
    ),
    "test_noted.py::test_capacitance_over_its_rating": ("capacitance_to_rated",),
    "test_pressure_network.py::test_furnace_is_rated_without_filter_and_coil": ("filter_share",),
    "test_pressure_network.py::test_closure_compares_the_direct_reading_with_the_way_round": (
        "pressure_closure_error",
    ),
    "test_site_air.py::test_an_altimeter_setting_typed_as_local_pressure_is_recognised_and_not_used": (
        "sea_level_reduction_in_barometer", "station_pressure_to_weather",
    ),
    "test_site_air.py::test_age_and_distance_widen_what_a_report_is_worth_and_are_said": (
        "weather_observation_age", "weather_station_distance",
    ),
    "test_site_air.py::test_relative_humidity_from_a_reported_dew_point_is_over_water": (
        "outdoor_air_relative_humidity",
    ),
    "test_site_air.py::test_outdoor_density_and_humidity_against_real_gas_properties": (
        "outdoor_air_density", "outdoor_air_humidity_ratio",
    ),
    "../project/test_gains_truth.py::test_a_leak_sealed_against_a_network_solved_here": (
        "delivered_airflow", "drawn_airflow",
    ),
    "../project/test_gains_truth.py::test_a_branch_made_wider_takes_its_share_of_the_air": ("duct_run_airflow",),
}  # fmt: skip
"""Tests of other files, and the quantities that each holds against something outside the project."""


def functions_of(path: Path) -> dict[str, tuple[str, set[str]]]:
    """What each function, or its file for all, says of itself; and the words it holds, with those of its file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    shared = _words([node for node in tree.body if isinstance(node, ast.Assign | ast.AnnAssign)])
    return {
        node.name: (ast.get_docstring(node) or ast.get_docstring(tree) or "", _words([node]) | shared)
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
    }


def _words(nodes: list[Any]) -> set[str]:
    return {
        each.value
        for node in nodes
        for each in ast.walk(node)
        if isinstance(each, ast.Constant) and isinstance(each.value, str)
    }


HERE = Path(__file__)


def test_every_quantity_has_a_check_outside_the_project() -> None:
    vocabulary = set(PREPARED.ruleset.quantities)
    tree = ast.parse(HERE.read_text(encoding="utf-8"))
    here = _words([node for node in tree.body if isinstance(node, ast.FunctionDef) and ast.get_docstring(node)])
    named = {name for names in ELSEWHERE.values() for name in names}
    assert named <= vocabulary
    assert vocabulary - here - named == set()


@pytest.mark.parametrize("where", ELSEWHERE)
def test_the_check_is_there_and_looks_at_the_quantity(where: str) -> None:
    file, _, function = where.partition("::")
    said, words = functions_of(HERE.parent / file)[function]
    assert said
    assert {name for name in ELSEWHERE[where] if name not in words} == set()
