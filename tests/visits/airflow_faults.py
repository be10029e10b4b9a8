"""Writes the visits of the cases on blower, airflow, fan power, heating rise and soundness of the readings:
`python -m tests.visits.airflow_faults`.

Everything is invented. Each visit is a house of the library solved with its hidden fault, or read with a mistake
between the gauge and the tablet. Instruments show the truth rounded to their resolution, so that a case can be
followed by hand. `rules/cases/visits/` holds exactly the requests.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.visits.healthy import ROOT, as_json
from tests.visits.house import AS_BUILT, BTU_PER_HOUR, TON, Cooling, Faults, House, Operation, solve
from tests.visits.library import HOUSES, cooling, fan_only, heating
from tests.visits.mistakes import (
    Reading,
    bulbs_swapped,
    celsius_typed_as_fahrenheit,
    changed,
    drop_inverted,
    pascals_typed_as_inches,
    power_in_wrong_unit,
    sea_level_barometer,
    sign_dropped,
    station_not_read,
)
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")

Change = Callable[[Request], Request]

STATICS = ("static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum")
ACROSS = ("static:filter_outlet", "static:heat_exchanger_outlet")
BOX = ("static:return_plenum", "static:supply_plenum", "difference:filter_inlet>filter_outlet")
RETURN_AIR = ("dry_bulb:return_plenum", "wet_bulb:return_plenum")
AIR = (*RETURN_AIR, "dry_bulb:supply_plenum", "wet_bulb:supply_plenum")
RISE = ("dry_bulb:return_plenum", "dry_bulb:supply_plenum")
GRID = ("airflow:filter_inlet",)
POWER = ("power:blower",)


# Mistakes that belong to this collection ----------------------------------------------------------------------------


def factor_on(kind: str, place: str | None, factor: float) -> Change:
    """Readings of a kind at a place shown `factor` times too large: a leaking hose, a digit lost, a wrong key."""

    def change(reading: Reading) -> None:
        digits = {"airflow": 0, "electric_power": 0}.get(kind, 3)
        reading["value"]["value"] = round(reading["value"]["value"] * factor, digits)

    return lambda request: changed(request, _at(kind, place), change)


def added_to(kind: str, place: str | None, amount: float) -> Change:
    """Something else on the meter, in the reading's own unit."""

    def change(reading: Reading) -> None:
        reading["value"]["value"] = round(reading["value"]["value"] + amount, 3)

    return lambda request: changed(request, _at(kind, place), change)


def unit_taken_for(kind: str, place: str | None, unit: str) -> Change:
    """The number as shown, written against another unit."""
    return lambda request: changed(request, _at(kind, place), lambda reading: reading["value"].update(unit=unit))


def all_signs_turned(request: Request) -> Request:
    """The probe's hose sat on the other port at every station."""

    def change(reading: Reading) -> None:
        reading["value"]["value"] = 0.0 - reading["value"]["value"]

    return changed(request, _at("static_pressure", None), change)


def stations_exchanged(first: str, second: str) -> Change:
    """Two static pressures written under each other's station."""

    def change(reading: Reading) -> None:
        reading["station"] = second if reading["station"] == first else first

    return lambda request: changed(
        request, lambda r: r["kind"] == "static_pressure" and r["station"] in (first, second), change
    )


def zero_offset(offset: float, corrected: bool) -> Change:
    """The gauge stood at `offset` (its own unit) with open ports; it was recorded, and taken out or left in."""

    def spoil(request: Request) -> Request:
        def change(reading: Reading) -> None:
            if not corrected:
                reading["value"]["value"] = round(reading["value"]["value"] + offset, 6)

        spoiled = changed(request, _at("static_pressure", None), change)
        gauge = next(item for item in spoiled["instruments"] if item["kind"] == "manometer")
        unit = gauge["accuracy"]["unit"]
        gauge["zero_check"] = {"corrected": corrected, "offset_found": {"value": offset, "unit": unit}}
        return spoiled

    return spoil


def calibrated(date: str) -> Change:
    """Every instrument with the date of its calibration."""

    def spoil(request: Request) -> Request:
        return {**request, "instruments": [{**item, "calibrated_on": date} for item in request["instruments"]]}

    return spoil


def zero_not_checked(request: Request) -> Request:
    """No zero check recorded."""
    kept = [{key: value for key, value in item.items() if key != "zero_check"} for item in request["instruments"]]
    if kept == request["instruments"]:
        raise LookupError("no zero check to leave out")
    return {**request, "instruments": kept}


def drifting(kind: str, place: str, step: float, count: int = 20) -> Change:
    """Read while it still moved: a series that rises by `step` (own unit) per sample up to the settled value."""

    def change(reading: Reading) -> None:
        end = reading["value"]["value"]
        values = [round(end - step * (count - 1 - index), 3) for index in range(count)]
        reading["samples"] = {"interval_seconds": 10.0, "values": values}
        reading["value"]["value"] = round(sum(values) / count, 3)

    return lambda request: changed(request, _at(kind, place), change)


def swinging(kind: str, place: str, amplitude: float) -> Change:
    """Read in a gusty place: the series swings around the true value, its mean unmoved."""
    shares = (1.0, -0.7, 0.4, -1.0, 0.8, -0.2, -0.9, 0.6, 0.1, -0.1)

    def change(reading: Reading) -> None:
        middle = reading["value"]["value"]
        values = [round(middle + amplitude * share, 3) for share in shares]
        reading["samples"] = {"interval_seconds": 1.0, "values": values}

    return lambda request: changed(request, _at(kind, place), change)


def elevation_left_at_zero(request: Request) -> Request:
    """The form's elevation was never filled in."""
    return {**request, "site": {**request["site"], "elevation": {"value": 0.0, "unit": "[ft_i]"}}}


def elevation_not_given(request: Request) -> Request:
    """Neither elevation nor barometer."""
    return {**request, "site": {key: value for key, value in request["site"].items() if key != "elevation"}}


def mode_not_stated(request: Request) -> Request:
    """The form's mode was never filled in."""
    return {
        **request, "states": [{k: v for k, v in state.items() if k != "mode"} for state in request["states"]]
    }  # fmt: skip


def boundary_stated(*inside: str) -> Change:
    """The rating sheet's boundary, stated."""
    return lambda request: {
        **request, "equipment": {**request["equipment"], "rating_boundary": {"inside": list(inside)}}
    }  # fmt: skip


def station_misnamed(station: str, name: str) -> Change:
    """A station that this air path does not have."""
    return lambda request: changed(
        request, _at("static_pressure", station), lambda reading: reading.update(station=name)
    )


def _at(kind: str, place: str | None) -> Callable[[Reading], bool]:
    return lambda reading: reading["kind"] == kind and place in (
        None, reading.get("station"), reading.get("location"), reading.get("component"), reading.get("input_station"),
    )  # fmt: skip


# Visits -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FaultVisit:
    """One house with its hidden fault in one state, and the mistakes made on the way to the tablet.

    `omit` leaves ratings out, so that airflow is one reading alone and a case can be followed by hand.
    """

    id: str
    house: House
    operation: Operation
    readings: tuple[str, ...]
    faults: Faults = AS_BUILT
    mistakes: tuple[Change, ...] = ()
    omit: tuple[str, ...] = ()

    def request(self) -> Request:
        run = Run(self.operation.mode, solve(self.house, self.operation, self.faults), self.readings)
        request = write_visit([run], units="ip", visited_at="2026-07-14T10:30:00-06:00")
        request["job_reference"] = f"invented-visit-{self.id}"
        equipment: dict[str, Any] = request["equipment"]
        for name in self.omit:
            holder, _, key = name.rpartition(".")
            del (equipment[holder] if holder else equipment)[key]
        for mistake in self.mistakes:
            request = mistake(request)
        return request


NO_TABLE = ("blower.settings", "blower.table_air_density")
PLAIN = (*NO_TABLE, "design_airflow", "filter", "coil")

_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
_HELD = HOUSES["furnace_held_flow_1600_m"]
_HANDLER = HOUSES["air_handler_1600_m"]
_PACKAGED = HOUSES["packaged_1600_m"]
_BELT = HOUSES["belt_driven_1600_m"]

_SMALL_COOLING = replace(_SEA, id="large_blower", cooling=Cooling(2.0 * TON, 1.9 * TON, 0.8))
assert _HIGH.gas
_SMALL_FURNACE = replace(_HIGH, id="small_furnace", gas=replace(_HIGH.gas, input=30000 * BTU_PER_HOUR))
_HELD_LOW = replace(_HELD, id="held_flow_sea_level", elevation=0.0, barometer=None)
_ATTIC = cooling("high", temperature=110.0, humidity=0.2)

VISITS: tuple[FaultVisit, ...] = (
    # airflow against capacity and design
    FaultVisit(
        "flow_alone_low_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        Faults(return_undersized=9.0, filter_loading=4.0), omit=PLAIN,
    ),
    FaultVisit(
        "flow_low_of_design_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        Faults(return_undersized=9.0, filter_loading=4.0),
        omit=(*NO_TABLE, "nominal_cooling_capacity", "filter", "coil"),
    ),
    FaultVisit(
        "flow_alone_very_low_sea_level", _SEA, cooling("high"), (*GRID, *RETURN_AIR),
        Faults(return_undersized=14.0, filter_loading=7.0), omit=PLAIN,
    ),
    FaultVisit("flow_alone_high_sea_level", _SMALL_COOLING, cooling("high"), (*GRID, *RETURN_AIR), omit=PLAIN),
    FaultVisit(
        "flow_high_of_design_sea_level", replace(_SEA, id="design_900", design_flow=_SEA.design_flow * 0.75),
        cooling("high"), (*GRID, *RETURN_AIR), omit=(*NO_TABLE, "nominal_cooling_capacity", "filter", "coil"),
    ),
    FaultVisit(
        "flow_of_one_branch_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        mistakes=(factor_on("airflow", None, 0.2),), omit=PLAIN,
    ),
    FaultVisit(
        "capacity_of_one_ton_sea_level", _SEA, cooling("high"), (*GRID, *RETURN_AIR),
        mistakes=(lambda request: {
            **request,
            "equipment": {**request["equipment"], "nominal_cooling_capacity": {"value": 1.0, "unit": "tons"}},
        },), omit=PLAIN,
    ),
    FaultVisit(
        "flow_typed_in_cubic_metres_a_second_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        mistakes=(unit_taken_for("airflow", None, "m3/s"),), omit=PLAIN,
    ),
    # blower against its table
    FaultVisit(
        "blower_slow_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *POWER, *RETURN_AIR), Faults(blower_speed=0.72),
    ),
    FaultVisit(
        "blower_fast_sea_level", _SEA, cooling("low"), (*ACROSS, *GRID, *POWER, *RETURN_AIR),
        Faults(wired_setting="high"),
    ),
    FaultVisit(
        "belt_slips_1600_m", _BELT, fan_only("sheave as set"),
        (*BOX, *GRID, *POWER, "dry_bulb:return_plenum", "wet_bulb:return_plenum"), Faults(blower_speed=0.72),
    ),
    FaultVisit(
        "blower_slow_heater_on_meter_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *POWER, *RETURN_AIR),
        Faults(blower_speed=0.72), mistakes=(added_to("electric_power", "blower", 420.0),),
    ),
    FaultVisit(
        "static_beyond_table_1600_m", _HIGH, cooling("high"), (*STATICS, *GRID, *RETURN_AIR),
        Faults(return_undersized=14.0, filter_loading=7.0),
    ),
    FaultVisit(
        "flow_sags_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *RETURN_AIR),
        Faults(return_undersized=9.0, filter_loading=4.0), omit=(*NO_TABLE, "design_airflow"),
    ),
    FaultVisit(
        "flow_low_static_low_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *RETURN_AIR),
        Faults(blower_speed=0.72), omit=(*NO_TABLE, "design_airflow"),
    ),
    # fan power
    FaultVisit(
        "held_flow_costly_sea_level", _HELD_LOW, cooling("high"), (*GRID, *POWER, *RETURN_AIR),
        Faults(return_undersized=5.0, filter_loading=4.0), omit=PLAIN,
    ),
    FaultVisit(
        "power_digit_lost_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *POWER, *RETURN_AIR),
        mistakes=(factor_on("electric_power", "blower", 0.1),), omit=NO_TABLE,
    ),
    FaultVisit(
        "power_clamp_ratio_wrong_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *POWER, *RETURN_AIR),
        mistakes=(factor_on("electric_power", "blower", 1 / 7),), omit=NO_TABLE,
    ),
    FaultVisit(
        "heater_on_blower_meter_1600_m", _HANDLER, heating("tap 3"), (*GRID, *POWER, *RISE),
        mistakes=(added_to("electric_power", "blower", 9600.0),), omit=(*PLAIN,),
    ),
    FaultVisit(
        "power_typed_in_kilowatts_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *POWER, *RETURN_AIR),
        mistakes=(lambda request: power_in_wrong_unit(request, "kW"),),
    ),
    # heating
    FaultVisit(
        "rise_high_restricted_1600_m", _HIGH, heating("high"),
        (*ACROSS, *GRID, *POWER, *RISE, "humidity:return_plenum"),
        Faults(return_undersized=14.0, filter_loading=7.0), omit=NO_TABLE,
    ),
    FaultVisit(
        "rise_high_blower_slow_1600_m", _HIGH, heating("high"),
        (*ACROSS, *GRID, *POWER, *RISE, "humidity:return_plenum"), Faults(blower_speed=0.60),
    ),
    FaultVisit(
        "over_fired_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *POWER, *RISE, "humidity:return_plenum"),
        Faults(gas_input=1.55),
    ),
    FaultVisit(
        "under_fired_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *POWER, *RISE, "humidity:return_plenum"),
        Faults(gas_input=0.5),
    ),
    FaultVisit(
        "much_air_for_small_furnace_1600_m", _SMALL_FURNACE, heating("high"),
        (*GRID, *POWER, *RISE, "humidity:return_plenum"), omit=NO_TABLE,
    ),
    FaultVisit(
        "supply_typed_in_celsius_heating_1600_m", _HIGH, heating("high"), RISE,
        mistakes=(lambda request: celsius_typed_as_fahrenheit(request, "supply_plenum"),),
    ),
    FaultVisit(
        "return_typed_in_celsius_cooling_sea_level", _SEA, cooling("high"), RISE,
        mistakes=(lambda request: celsius_typed_as_fahrenheit(request, "return_plenum"),),
    ),
    FaultVisit(
        "supply_fahrenheit_as_celsius_heating_1600_m", _HIGH, heating("high"), RISE,
        mistakes=(unit_taken_for("dry_bulb_temperature", "supply_plenum", "Cel"),),
    ),
    FaultVisit(
        "return_fahrenheit_as_celsius_cooling_sea_level", _SEA, cooling("high"), RISE,
        mistakes=(unit_taken_for("dry_bulb_temperature", "return_plenum", "Cel"),),
    ),
    # signs and units of pressure
    FaultVisit("signs_dropped_sea_level", _SEA, cooling("high"), STATICS, mistakes=(sign_dropped,)),
    FaultVisit("signs_turned_1600_m", _HIGH, cooling("high"), STATICS, mistakes=(all_signs_turned,)),
    FaultVisit(
        "pascals_typed_as_inches_1600_m", _HIGH, cooling("high"), STATICS, mistakes=(pascals_typed_as_inches,)
    ),
    FaultVisit(
        "barometer_typed_as_static_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(
            unit_taken_for("static_pressure", "supply_plenum", "[in_i'H2O]"),
            lambda request: changed(
                request, _at("static_pressure", "supply_plenum"), lambda r: r["value"].update(value=83524.0)
            ),
        ),
    ),
    FaultVisit(
        "inches_typed_as_pascals_sea_level", _SEA, cooling("high"), (*STATICS, *RETURN_AIR),
        mistakes=(unit_taken_for("static_pressure", None, "Pa"),),
    ),
    FaultVisit("filter_drop_inverted_1600_m", _PACKAGED, cooling("high"), BOX, mistakes=(drop_inverted,)),
    FaultVisit(
        "coil_stations_exchanged_sea_level", _SEA, cooling("high"), STATICS,
        mistakes=(stations_exchanged("heat_exchanger_outlet", "supply_plenum"),),
    ),
    FaultVisit(
        "hose_leaks_at_filter_outlet_1600_m", _HIGH, cooling("high"),
        ("static:return_plenum", "static:filter_outlet", "difference:filter_inlet>filter_outlet"),
        mistakes=(factor_on("static_pressure", "filter_outlet", 0.6),),
    ),
    FaultVisit(
        "hose_leaks_across_filter_sea_level", _SEA, cooling("high"),
        ("static:return_plenum", "static:filter_outlet", "difference:filter_inlet>filter_outlet"),
        mistakes=(factor_on("pressure_difference", "filter_inlet", 0.3),),
    ),
    # instruments
    FaultVisit("zero_not_checked_1600_m", _HIGH, cooling("high"), STATICS, mistakes=(zero_not_checked,)),
    FaultVisit("zero_offset_left_in_sea_level", _SEA, cooling("high"), STATICS, mistakes=(zero_offset(0.031, False),)),
    FaultVisit(
        "calibrated_two_years_ago_sea_level", _SEA, cooling("high"), STATICS, mistakes=(calibrated("2024-07-01"),)
    ),
    FaultVisit("calibrated_in_1900_1600_m", _HIGH, cooling("high"), STATICS, mistakes=(calibrated("1900-01-01"),)),
    FaultVisit(
        "supply_air_still_warming_1600_m", _HIGH, heating("high"), RISE,
        mistakes=(drifting("dry_bulb_temperature", "supply_plenum", 0.6),),
    ),
    FaultVisit(
        "supply_static_in_turbulence_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(swinging("static_pressure", "supply_plenum", 0.08),),
    ),
    # moist air
    FaultVisit(
        "return_bulbs_swapped_1600_m", _HIGH, cooling("high"), AIR,
        mistakes=(lambda request: bulbs_swapped(request, "return_plenum"),),
    ),
    FaultVisit(
        "supply_bulbs_swapped_sea_level", _SEA, cooling("high", humidity=0.35), AIR,
        mistakes=(lambda request: bulbs_swapped(request, "supply_plenum"),),
    ),
    FaultVisit(
        "return_wet_bulb_in_wrong_unit_1600_m", _HIGH, cooling("high"), AIR,
        mistakes=(
            lambda request: changed(
                request, _at("wet_bulb_temperature", "return_plenum"),
                lambda r: r["value"].update(value=round((r["value"]["value"] - 32) / 1.8, 1)),
            ),
            unit_taken_for("dry_bulb_temperature", "return_plenum", "Cel"),
        ),
    ),
    FaultVisit(
        "supply_wet_bulb_in_wrong_unit_sea_level", _SEA, cooling("high", temperature=84.0, humidity=0.55), AIR,
        mistakes=(unit_taken_for("wet_bulb_temperature", "supply_plenum", "Cel"),),
    ),
    FaultVisit(
        "hygrometer_soaked_1600_m", _HIGH, cooling("high"), ("dry_bulb:return_plenum", "humidity:return_plenum"),
        mistakes=(lambda request: changed(
            request, _at("relative_humidity", None), lambda r: r["value"].update(value=103.4)
        ),),
    ),
    FaultVisit(
        "humidity_percent_as_ratio_sea_level", _SEA, cooling("high"),
        ("dry_bulb:return_plenum", "humidity:return_plenum"),
        mistakes=(unit_taken_for("relative_humidity", None, "1"),),
    ),
    FaultVisit("return_through_attic_1600_m", _HIGH, _ATTIC, ("dry_bulb:return_plenum", "barometer")),
    # barometer
    FaultVisit(
        "sea_level_barometer_1600_m", _HIGH, cooling("high"), ("barometer", "dry_bulb:return_plenum"),
        mistakes=(sea_level_barometer,),
    ),
    FaultVisit(
        "elevation_left_at_zero_1600_m", _HIGH, cooling("high"), ("barometer", "dry_bulb:return_plenum"),
        mistakes=(elevation_left_at_zero,),
    ),
    FaultVisit(
        "barometer_in_wrong_unit_1600_m", _HIGH, cooling("high"), ("barometer", "dry_bulb:return_plenum"),
        mistakes=(unit_taken_for("station_pressure", None, "hPa"),),
    ),
    # what was taken for granted
    FaultVisit(
        "static_across_filter_and_coil_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(
            lambda request: station_not_read(request, "filter_outlet"),
            lambda request: station_not_read(request, "heat_exchanger_outlet"),
        ),
    ),
    FaultVisit("boundary_not_stated_1600_m", _HIGH, cooling("high"), ACROSS),
    FaultVisit(
        "boundary_stated_sea_level", _SEA, cooling("high"), ACROSS,
        mistakes=(boundary_stated("blower", "heat_exchanger"),),
    ),
    FaultVisit("measured_well_1600_m", _HIGH, cooling("high"), (*STATICS, *GRID, *POWER, *AIR, "barometer")),
    FaultVisit(
        "measured_well_heating_1600_m", _HIGH, heating("high"),
        (*STATICS, *GRID, *POWER, *RISE, "humidity:return_plenum"),
    ),
    FaultVisit(
        "station_misnamed_1600_m", _HIGH, cooling("high"), ACROSS,
        mistakes=(station_misnamed("filter_outlet", "after.accessory"),),
    ),
    # values that no method can tell from their limit
    FaultVisit(
        "flow_near_limit_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        Faults(return_undersized=4.8, filter_loading=2.8), omit=PLAIN,
    ),
    FaultVisit(
        "held_flow_near_limit_sea_level", _HELD_LOW, cooling("high"), (*GRID, *POWER, *RETURN_AIR),
        Faults(return_undersized=3.0, filter_loading=2.0), omit=PLAIN,
    ),
    FaultVisit(
        "rise_near_maximum_1600_m", _HIGH, heating("high"), RISE, Faults(return_undersized=8.0, filter_loading=5.0),
        omit=NO_TABLE,
    ),
    FaultVisit("rise_near_minimum_1600_m", _HIGH, heating("high"), RISE, Faults(gas_input=0.61), omit=NO_TABLE),
    FaultVisit(
        "over_fired_power_not_read_1600_m", _HIGH, heating("high"),
        (*ACROSS, *GRID, *RISE, "humidity:return_plenum"), Faults(gas_input=1.55),
    ),
    FaultVisit(
        "under_fired_power_not_read_1600_m", _HIGH, heating("high"),
        (*ACROSS, *GRID, *RISE, "humidity:return_plenum"), Faults(gas_input=0.5),
    ),
    FaultVisit(
        "zero_offset_in_pascals_typed_as_inches_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(zero_offset(8.0, True),),
    ),
    FaultVisit(
        "supply_air_hardly_moving_1600_m", _HIGH, heating("high"), RISE,
        mistakes=(drifting("dry_bulb_temperature", "supply_plenum", 0.01),),
    ),
    FaultVisit(
        "supply_air_nearly_settled_1600_m", _HIGH, heating("high"), RISE,
        mistakes=(drifting("dry_bulb_temperature", "supply_plenum", 0.02),),
    ),
    FaultVisit(
        "supply_static_calm_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(swinging("static_pressure", "supply_plenum", 0.002),),
    ),
    FaultVisit(
        "supply_static_a_little_gusty_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(swinging("static_pressure", "supply_plenum", 0.008),),
    ),
    FaultVisit(
        "static_carried_over_filter_1600_m", _HIGH, cooling("high"),
        ("static:return_plenum", "difference:filter_inlet>filter_outlet", "static:heat_exchanger_outlet"),
    ),
    FaultVisit("elevation_not_given_1600_m", _HIGH, cooling("high"), ACROSS, mistakes=(elevation_not_given,)),
    FaultVisit("mode_not_stated_1600_m", _HIGH, cooling("high"), ACROSS, mistakes=(mode_not_stated,)),
    FaultVisit("flow_alone_1600_m", _HIGH, cooling("high"), (*GRID, *POWER, *RETURN_AIR), omit=PLAIN),
    FaultVisit(
        "flow_and_design_1600_m", _HIGH, cooling("high"), (*GRID, *RETURN_AIR),
        omit=(*NO_TABLE, "nominal_cooling_capacity", "filter", "coil"),
    ),
)  # fmt: skip


def documents() -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in VISITS}


def main() -> None:
    for path, text in documents().items():
        target = ROOT / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
