"""The uncertainty of every quantity of the vocabulary against sampling of its error sources (JCGM 101).

The visits are simulated houses of the rules' cases, and small ones made here for what none of them reads, chosen so
that methods agree and no pick of a largest or smallest reading is close: then only the propagation is at stake.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.ruleset import rules_folder
from tests.derive.sampling import Scatter, normal_visit, worked_out
from tests.derive.sheets import PREPARED, everything, reading, request, static, visit
from tests.visits.heat_and_flow import EVEN, gas_meter, registers, traverse
from tests.visits.library import HOUSES, cooling, heating

Request = dict[str, Any]

IMPOSSIBLE = 0.06
"""Share of the points that may be no state of air or no resistance, and so give no value."""

PARTLY = {"blower_power_to_earlier": 0.2, "heat_to_earlier": 0.2}
"""Share of the points that may give no value where a comparison asks that two visits ran alike."""

NO_SCATTER = {
    "airflow_agreement": (
        "A probability, given without an uncertainty of its own.",
        "test_airflow_methods.py::test_methods_that_disagree_widen_the_estimate",
    ),
    "duct_equivalent_diameter": (
        "Width and height of a duct are taken as stated.",
        "test_duct_quantities.py::test_equivalent_diameter_of_the_handbook",
    ),
    "further_sampling_time": (
        "A waiting time told from the scatter itself.",
        "../normalise/test_steadiness.py::test_going_on_for_as_long_as_told_settles_a_gusty_reading",
    ),
    "time_since_calibration": (
        "Days between two dates.",
        "test_instruments.py::test_the_oldest_calibration_counts_days",
    ),
    "traverse_evenness": ("A count of points.", "../physics/test_traverse.py::test_evenness"),
    "ventilation_required": (
        "Set by the standard's own numbers, which have no doubt.",
        "test_house_pressures.py::test_required_ventilation_of_a_printed_example",
    ),
    "weather_observation_age": (
        "Time between two times as stated.",
        "test_site_air.py::test_age_and_distance_widen_what_a_report_is_worth_and_are_said",
    ),
    "weather_station_distance": (
        "As stated.",
        "test_site_air.py::test_age_and_distance_widen_what_a_report_is_worth_and_are_said",
    ),
    "zero_offset_found": (
        "As recorded, and judged as it is.",
        "test_instruments.py::test_the_largest_offset_recorded_counts",
    ),
    "airflow_growth": (
        "A robust slope whose doubt also holds how the visits lie about it.",
        "test_history.py::test_a_slope_scatters_as_its_visits_do",
    ),
    "filter_resistance_growth": (
        "A robust slope whose doubt also holds how the visits lie about it.",
        "test_history.py::test_a_slope_scatters_as_its_visits_do",
    ),
    "coil_resistance_growth": (
        "A robust slope whose doubt also holds how the visits lie about it.",
        "test_history.py::test_a_slope_scatters_as_its_visits_do",
    ),
    "external_static_pressure_growth": (
        "A robust slope whose doubt also holds how the visits lie about it.",
        "test_history.py::test_a_slope_scatters_as_its_visits_do",
    ),
    "filter_time_to_limit": (
        "Told only where the growth is proven, so that a part of the points gives none.",
        "test_history.py::test_a_filter_that_loads_evenly_is_told_when_it_reaches_its_limit",
    ),
    "filter_life": (
        "Told only where the growth is proven, so that a part of the points gives none.",
        "test_history.py::test_a_filter_that_loads_evenly_is_told_when_it_reaches_its_limit",
    ),
    "external_static_pressure_time_to_limit": (
        "Told only where the growth is proven, so that a part of the points gives none.",
        "test_history.py::test_a_filter_that_loads_evenly_is_told_when_it_reaches_its_limit",
    ),
    "coil_pressure_drop_rise": (
        "Told from the samples of a series, which a draw moves all alike.",
        "test_coil_series.py::test_the_noise_of_the_samples_is_not_underrated",
    ),
    "equipment_facts_differing": (
        "A count of facts.",
        "test_history.py::test_facts_that_stated_work_changes_do_not_differ",
    ),
    "readings_repeated": ("A share counted of readings.", "../cases/test_cases.py::test_case"),
    "drawn_airflow": (
        "A projection, as the delivered airflow.",
        "../project/test_projection.py::test_projections_scatter_as_propagated",
    ),
    "duct_run_airflow": (
        "A projection, held against the house solved anew.",
        "../project/test_gains_truth.py::test_a_branch_made_wider_takes_its_share_of_the_air",
    ),
    "delivered_airflow": (
        "A projection, sampled with the others.",
        "../project/test_projection.py::test_projections_scatter_as_propagated",
    ),
}
"""Quantities whose scatter means nothing, why, and the test that looks at them instead."""


# Visits ----------------------------------------------------------------------------------------------------------


def of_cases(name: str, folder: str = "visits") -> Request:
    """A visit of the rules' cases."""
    found: Request = json.loads((rules_folder() / "cases" / folder / f"{name}.json").read_text(encoding="utf-8"))
    return found


def healthy(name: str) -> Request:
    return of_cases(name, "healthy")


def heated_by_gas() -> Request:
    """Traverse, registers, clocked gas and the yearly energy beside the methods of one number."""
    written, solution = visit(HOUSES["furnace_sea_level"], heating("high"), units="ip")
    for entry in written["readings"]:
        entry["state"] = "heating"
    written["states"][0]["id"] = "heating"
    for extra in (traverse(14, 12, "return_plenum"), registers(0.95, EVEN), gas_meter):
        extra(written, solution)
    written["energy_use"] = {"blower_hours_per_year": 2000.0, "price_per_kilowatt_hour": 0.2}
    return written


def heated_by_current() -> Request:
    return visit(HOUSES["air_handler_sea_level"], heating("tap 3"))[0]


def cooled() -> Request:
    house, operation = HOUSES["packaged_1600_m"], cooling("high")
    written, _ = visit(house, operation, (*everything(house, operation), "wet_bulb:supply_plenum"))
    written["equipment"]["blower"]["run_capacitance"] = {"value": 10.0, "unit": "uF"}
    written["readings"].append(reading("capacitance", 9.4, "uF"))
    return written


def twice(written: Request) -> Request:
    """The visit once more, a month later."""
    before = {key: part for key, part in written.items() if key not in ("ruleset", "units", "limit_overrides")}
    return {
        **written,
        "visited_at": "2026-05-14T10:00:00Z",
        "earlier_visits": [{**before, "visited_at": "2026-04-14T10:00:00Z"}],
    }


def two_barometers() -> Request:
    """A second barometer beside the one of the visit."""
    written = of_cases("measured_well_1600_m")
    written["instruments"].append({"id": "barometer-2", "kind": "barometer"})
    written["readings"].append(
        reading("station_pressure", 820.0, "hPa", instrument="barometer-2", state=written["states"][0]["id"])
    )
    return written


def heated_twice() -> Request:
    return twice(heated_by_current())


def held_down_twice() -> Request:
    return twice(of_cases("house_tight_strong_hood_fan_vented_1600_m"))


def heated_by_water() -> Request:
    """Hot water, an electric heater that is off, and grilles; a table that tells the pressure of the watts."""
    rows = [
        {
            "external_static_pressure": {"value": pressure, "unit": "inH2O"},
            "airflow": {"value": 1200, "unit": "cfm"},
            "power": {"value": watts, "unit": "W"},
        }
        for pressure, watts in ((0.1, 200), (0.4, 350), (0.7, 530))
    ]
    return request(
        reading("dry_bulb_temperature", 70.0, "degF", location="return_plenum"),
        reading("dry_bulb_temperature", 98.0, "degF", location="supply_plenum"),
        reading("relative_humidity", 40.0, "%", location="return_plenum"),
        reading("water_flow", 0.5, "L/s"),
        reading("water_temperature", 65.0, "Cel", location="entering"),
        reading("water_temperature", 55.0, "Cel", location="leaving"),
        reading("electric_power", 360.0, "W", component="blower"),
        reading("register_airflow", 560.0, "cfm", room="hall", side="return", basis="actual",
                design_airflow={"value": 600, "unit": "cfm"}),
        reading("register_airflow", 560.0, "cfm", room="den", side="return", basis="actual",
                design_airflow={"value": 600, "unit": "cfm"}),
        static("return_plenum", -0.15), static("filter_outlet", -0.3), static("coil_outlet", -0.5),
        static("blower_outlet", 0.3), static("supply_plenum", 0.2),
        arrangement="air_handler_with_internal_coil",
        states=[{"id": "s", "mode": "heating"}],
        site={"elevation": {"value": 100.0, "unit": "m"}},
        energy_use={"blower_hours_per_year": 3000.0, "price_per_kilowatt_hour": 0.2},
        equipment={
            "design_airflow": {"value": 1200, "unit": "cfm"},
            "blower": {"kind": "constant_airflow", "settings": [{"setting": "a", "rows": rows}]},
            "rated_maximum_external_static_pressure": {"value": 0.5, "unit": "inH2O"},
        },
    )  # fmt: skip


def parts_in_the_way() -> Request:
    """A furnace with an accessory: every part read by itself, and one difference read directly as well."""
    kinds = ("return_grille", "return_duct", "filter", "blower", "heat_exchanger", "coil", "accessory", "supply_duct",
             "register")  # fmt: skip
    return request(
        static("return_plenum", -0.15), static("filter_outlet", -0.3), static("blower_outlet", 0.6),
        static("heat_exchanger_outlet", 0.5), static("coil_outlet", 0.3), static("supply_plenum", 0.2),
        reading("pressure_difference", 0.16, "[in_i'H2O]", input_station="filter_inlet",
                reference_station="filter_outlet"),
        states=[{"id": "s", "mode": "fan_only"}],
        equipment={"air_path": [{"kind": kind} for kind in kinds]},
    )  # fmt: skip


PLACES = {"garage": -42.0, "attic": -40.0, "crawl_space": -35.0, "basement": -30.0}
"""Place beside the house, and the house's pressure against it while a test fan holds the house down, Pa."""


def house_in_wind() -> Request:
    """A house held down by a test fan, and left alone; each zone beside it; one barometer carried as well."""

    def zone(state: str, first: str, second: str, value: float) -> Request:
        return reading("zone_pressure", value, "Pa", zone=first, reference=second, instrument="m", state=state)

    def barometer(place: str, minute: int, hectopascals: float) -> Request:
        return reading(
            "station_pressure", hectopascals, "hPa", place=place, state="s", instrument="b",
            height={"value": 0.5 if place == "outdoor" else 1.5, "unit": "m"},
            taken_at=f"2026-04-14T09:{minute:02}:00Z",
            accuracy={"share_of_reading": 0.0, "floor": 2.0, "resolution": 0.01, "unit": "hPa"},
        )  # fmt: skip

    test = {
        "kind": "envelope_leakage", "direction": "depressurization", "state": "test",
        "points": [{"pressure": {"value": 50.0, "unit": "Pa"}, "airflow": {"value": 900, "unit": "cfm"}}],
    }  # fmt: skip
    return request(
        zone("s", "indoor", "outdoor", -2.4),
        zone("test", "indoor", "outdoor", -50.0),
        *(zone("s", "indoor", place, -1.5) for place in PLACES),
        *(zone("test", "indoor", place, value) for place, value in PLACES.items()),
        test,
        *(barometer(*entry) for entry in (("indoor", 0, 1010.00), ("outdoor", 1, 1010.12), ("indoor", 2, 1009.96))),
        reading("dry_bulb_temperature", 20.0, "Cel", location="indoor"),
        reading("ventilation_airflow", 30.0, "cfm", fan="bath", direction="exhaust", duty="continuous"),
        reading("ventilation_airflow", 80.0, "cfm", fan="fresh", direction="supply", duty="continuous"),
        weather={
            "temperature": {"value": 2.0, "unit": "Cel"}, "wind_speed": {"value": 6.0, "unit": "m/s"},
            "wind_gust": {"value": 9.0, "unit": "m/s"},
        },
        site={
            "elevation": {"value": 20, "unit": "m"}, "height": {"value": 5.0, "unit": "m"}, "bedrooms": 3,
            "floor_area": {"value": 180.0, "unit": "m2"}, "weather_and_shielding_factor": 0.5,
        },
        states=[{"id": "s", "mode": "off", "blower": "off"}, {"id": "test", "mode": "off", "blower": "off"}],
        instruments=[{"id": "m", "kind": "micromanometer"}, {"id": "b", "kind": "barometer"}],
    )  # fmt: skip


def returns_that_leak() -> Request:
    """Air of each place beside the house in the return, as temperatures tell it."""
    return request(
        reading("dry_bulb_temperature", 22.0, "Cel", location="indoor"),
        reading("dry_bulb_temperature", 19.5, "Cel", location="return_plenum"),
        reading("dry_bulb_temperature", 5.0, "Cel", location="basement"),
        reading("dry_bulb_temperature", 1.0, "Cel", location="crawl_space"),
        reading("dry_bulb_temperature", -3.0, "Cel", location="garage"),
        reading("dry_bulb_temperature", -5.0, "Cel", location="attic"),
        states=[{"id": "s", "mode": "fan_only"}],
    )


def room_closed() -> Request:
    """A closed room with its supply register running."""
    return request(
        reading("zone_pressure", 9.0, "Pa", zone="room", reference="indoor", room="den"),
        reading("register_airflow", 100.0, "cfm", room="den", side="supply", basis="actual"),
        reading("dry_bulb_temperature", 20.0, "Cel", location="indoor"),
        states=[{"id": "s", "mode": "fan_only"}],
        site={"elevation": {"value": 100, "unit": "m"}},
    )


def one_run() -> Request:
    """A duct run alone on its side carries the airflow that was read."""
    run = {
        "name": "trunk", "side": "supply", "shape": "round", "diameter": {"value": 18, "unit": "in"},
        "length": {"value": 40, "unit": "ft"}, "fittings_equivalent_length": {"value": 60, "unit": "ft"},
        "material": "galvanized_steel",
    }  # fmt: skip
    return request(
        reading("airflow", 1100.0, "cfm", location="filter_inlet", basis="actual"),
        reading("dry_bulb_temperature", 70.0, "degF", location="return_plenum"),
        states=[{"id": "s", "mode": "fan_only"}],
        site={"elevation": {"value": 100, "unit": "m"}},
        equipment={"duct_runs": [run, {**run, "name": "back", "side": "return"}]},
    )


VISITS: dict[str, Callable[[], Request]] = {
    made.__name__: made
    for made in (
        heated_by_gas, heated_by_current, cooled, heated_by_water, house_in_wind, returns_that_leak, room_closed,
        one_run, parts_in_the_way, heated_twice, held_down_twice, two_barometers,
    )
} | {
    name: (lambda name=name: of_cases(name))  # type: ignore[misc]
    for name in (
        "return_leaks_outside_sea_level",
        "appliances_sound_sea_level",
        "appliances_sealed_1600_m",
        "house_tight_strong_hood_fan_vented_1600_m",
        "ducts_sound_sea_level",
        "ducts_small_1600_m",
        "weather_fits_1600_m",
        "weather_from_afar_sea_level",
        "cooling_sound_1600_m",
        "heater_line_open_1600_m",
        "heat_pump_weak_1600_m",
        "traverse_large_duct_1600_m",
        "garage_and_attic_joined_1600_m",
        "barometer_carried_1600_m",
        "two_thermometers_disagree_sea_level",
        "two_gauges_disagree_1600_m",
        "wheel_slow_1600_m",
        "zone_damper_stuck_sea_level",
        "outlet_air_hot_1600_m",
        "capacity_fell_sea_level",
        "ducts_sealed_in_vain_1600_m",
        "zone_lower_after_sealing_1600_m",
    )
} | {
    f"healthy {name}": (lambda name=name: healthy(name))  # type: ignore[misc]
    for name in ("furnace_held_flow_1600_m",)
}  # fmt: skip


# Comparison ------------------------------------------------------------------------------------------------------


def agree(found: Scatter, left_out: Callable[[str], bool] = lambda name: False) -> int:
    """How many quantities of the visit scatter; each within 5 % of what was propagated."""
    compared = 0
    for key, quantity in found.propagated.items():
        values = found.sampled[key]
        if quantity.name in NO_SCATTER or left_out(quantity.name):
            continue
        assert len(values) >= (1.0 - PARTLY.get(quantity.name, IMPOSSIBLE)) * found.points, key
        spread = float(np.std(values))
        floor = 1e-9 * abs(quantity.value)
        assert quantity.uncertainty == pytest.approx(spread, rel=0.05, abs=floor), (key, quantity.method)
        compared += spread > floor
    return compared


@pytest.mark.parametrize("name", VISITS)
def test_every_quantity_scatters_as_propagated(name: str) -> None:
    # How far a gas input may be off its rating is what this ratio asks, so that it is no part of its doubt.
    assert agree(Scatter(VISITS[name]()), lambda quantity: quantity == "gas_input_to_expected") >= 3


def test_gas_input_against_a_rating_without_doubt() -> None:
    found = Scatter(heated_by_gas(), still=lambda source: source == "rating.gas_input")
    assert agree(found, lambda quantity: quantity != "gas_input_to_expected") == 1


def test_an_offset_that_readings_prove_takes_the_zero_error_with_it() -> None:
    """The zero itself is what is found, so that it stays as it is; the closure is the worse of two after that."""
    written = of_cases("zero_offset_in_every_reading_1600_m")
    found = Scatter(written, still=lambda source: source.endswith((".zero", ".zero_unchecked")))
    assert "zero_offset_in_readings" in {quantity.name for quantity in found.propagated.values()}
    assert agree(found, lambda quantity: quantity == "pressure_closure_error") >= 20


def test_every_quantity_of_the_vocabulary_is_compared() -> None:
    compared = {"gas_input_to_expected", "zero_offset_in_readings"}
    for made in VISITS.values():
        for sheet in worked_out(normal_visit(made())):
            compared |= {quantity.name for quantity in sheet.quantities.values() if quantity.uncertainty > 0.0}
    vocabulary = set(PREPARED.ruleset.quantities)
    assert vocabulary - compared - set(NO_SCATTER) == set()
    assert set(NO_SCATTER) <= vocabulary - compared


@pytest.mark.parametrize("name", NO_SCATTER)
def test_what_is_not_compared_has_another_test(name: str) -> None:
    reason, where = NO_SCATTER[name]
    file, _, function = where.partition("::")
    assert reason.endswith(".")
    assert f"\ndef {function}(" in (Path(__file__).parent / file).read_text(encoding="utf-8")


def test_bent_quantities_say_that_they_were_sampled() -> None:
    """Friction over a rate known to a fifth, and an outdoor humidity from afar, are no straight lines."""
    methods = {
        quantity.name: quantity.method
        for name in ("ducts_small_1600_m", "weather_from_afar_sea_level", "traverse_large_duct_1600_m")
        for sheet in worked_out(normal_visit(of_cases(name)))
        for quantity in sheet.quantities.values()
    }
    said = {name for name, method in methods.items() if method.endswith("; uncertainty by sampling")}
    assert {"duct_diameter_for_flow", "outdoor_air_relative_humidity", "airflow_from_traverse"} <= said
    assert "return_air_density" not in said
