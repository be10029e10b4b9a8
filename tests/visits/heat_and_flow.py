"""Writes the visits of the cases on further airflow methods, heat and yearly fan power:
`python -m tests.visits.heat_and_flow`.

Everything is invented. Each visit is a house of the library solved with its hidden fault; the readings added here
(traverse, registers, gas meter, wheel speed, lines of a heater) are told from the same solution, or spoiled by a
mistake of a known size.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.visits.airflow_faults import NO_TABLE, factor_on
from tests.visits.healthy import ROOT, as_json
from tests.visits.house import AS_BUILT, CFM, ElectricHeat, Faults, House, Operation, Solution, solve
from tests.visits.library import HOUSES, cooling, fan_only, heating
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")
FOOT = 0.3048
HEATING_VALUE = 1000.0
"""Btu per cubic foot as the meter counts it."""

STATICS = ("static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum")
ACROSS = ("static:filter_outlet", "static:heat_exchanger_outlet")
BOX = ("static:return_plenum", "static:supply_plenum", "difference:filter_inlet>filter_outlet")
RETURN_AIR = ("dry_bulb:return_plenum", "humidity:return_plenum")
AIR = (*RETURN_AIR, "dry_bulb:supply_plenum")
GRID = ("airflow:filter_inlet",)

LINES = (0.074, 0.288, 0.500, 0.712, 0.926)
"""Log-Tchebycheff positions on five lines (ISO 3966, from memory)."""
CROWDED = (0.94, 1.0, 0.97, 0.9, 0.2, 0.98, 1.05, 1.0, 0.88, 0.2, 1.0, 1.07, 1.02, 0.9, 0.2, 0.95, 1.02, 0.99, 0.2,
           0.15, 0.9, 0.96, 0.93, 0.2, 0.1)  # fmt: skip
"""Velocities behind a bend, as shares: 18 of 25 points lie above a tenth of the largest velocity pressure."""

Extra = Callable[[Request, Solution], None]


def traverse(
    width: float, height: float, location: str, *, pressure_factor: float = 1.0, shares: Sequence[float] | None = None
) -> Extra:
    """25 velocity pressures in a duct of the size in inches, in Pa to one digit; seventh-power walls by default."""

    def add(request: Request, solution: Solution) -> None:
        profile = shares or [
            (min(x, 1 - x) * min(y, 1 - y) * 4) ** (1 / 7) for y in LINES for x in LINES
        ]  # fmt: skip
        mean = sum(profile) / len(profile)
        velocity = solution.flow_at(location) / (width * height * 0.0254**2)
        density = solution.air_at(location).density
        values = [
            round(0.5 * density * (velocity * share / mean) ** 2 * pressure_factor, 1) for share in profile
        ]  # fmt: skip
        request["readings"].append(
            {
                "kind": "velocity_traverse",
                "location": location,
                "duct": {
                    "shape": "rectangular",
                    "width": {"value": width, "unit": "[in_i]"},
                    "height": {"value": height, "unit": "[in_i]"},
                },
                "velocity_pressures": {"values": values, "unit": "Pa"},
                "state": solution.operation.mode,
            }
        )

    return add


def registers(arriving: float, rooms: dict[str, tuple[float, float]]) -> Extra:
    """Supply registers of the rooms: share of the design, share of what arrives. `arriving` of the flow gets there."""

    def add(request: Request, solution: Solution) -> None:
        total = solution.flow_at("supply_register") * arriving / CFM
        design = solution.house.design_flow / CFM
        for room, (planned, taken) in rooms.items():
            request["readings"].append(
                {
                    "kind": "register_airflow",
                    "room": room,
                    "side": "supply",
                    "basis": "actual",
                    "value": {"value": round(total * taken), "unit": "[cft_i]/min"},
                    "design_airflow": {"value": round(design * planned), "unit": "[cft_i]/min"},
                    "state": solution.operation.mode,
                    "accuracy": {"share_of_reading": 0.05, "floor": 2.0, "resolution": 1.0, "unit": "[cft_i]/min"},
                }
            )

    return add


EVEN = {"living room": (0.4, 0.4), "kitchen": (0.25, 0.25), "bedroom": (0.35, 0.35)}
UNEVEN = {"living room": (0.4, 0.5), "kitchen": (0.25, 0.34), "bedroom": (0.35, 0.16)}


def gas_meter(request: Request, solution: Solution) -> None:
    """Two turns of a two-cubic-foot dial, by what the burner truly takes."""
    gas = solution.house.gas
    assert gas is not None
    per_hour = gas.input * solution.faults.gas_input / (1055.05585262 / 3600)
    request["readings"].append(
        {
            "kind": "gas_meter",
            "volume_per_revolution": {"value": 2.0, "unit": "[cft_i]"},
            "revolutions": 2,
            "seconds": round(3600 * 4.0 * HEATING_VALUE / per_hour, 1),
            "heating_value": {"value": HEATING_VALUE, "unit": "[Btu_IT]/[cft_i]"},
            "state": solution.operation.mode,
        }
    )


def not_derated(request: Request, solution: Solution) -> None:
    """The rating is the one for sea level, and the burner still takes it."""
    del request["equipment"]["gas_heat"]["input_is_derated"]


def outlet_maximum(degrees: float) -> Extra:
    """The rating plate's maximum outlet air temperature, degF."""

    def add(request: Request, solution: Solution) -> None:
        request["equipment"]["gas_heat"]["outlet_air_maximum"] = {"value": degrees, "unit": "[degF]"}

    return add


def table_speed(turns: float) -> Extra:
    """Speed of the blower table, rpm, and the tachometer's reading of the wheel."""

    def add(request: Request, solution: Solution) -> None:
        request["equipment"]["blower"]["table_speed"] = {"value": turns, "unit": "{rotation}/min"}
        shown = round(turns * solution.faults.blower_speed)
        request["readings"].append(
            {"kind": "rotational_speed", "value": {"value": shown, "unit": "{rotation}/min"}, "state": "fan_only"}
        )

    return add


def three_lines(open_elements: int) -> Extra:
    """Currents of a delta of three equal elements, one of them open or none (the two lines at it carry 1/sqrt(3))."""

    def add(request: Request, solution: Solution) -> None:
        electric = solution.house.electric
        assert electric is not None
        full = electric.power / (math.sqrt(3) * electric.voltage)
        for share in (1.0, *([1.0, 1.0] if not open_elements else [1 / math.sqrt(3)] * 2)):
            request["readings"].append(
                {
                    "kind": "current",
                    "component": "electric_heater",
                    "value": {"value": round(full * share, 1), "unit": "A"},
                    "state": "heating",
                }
            )

    return add


def heat_pump(request: Request, solution: Solution) -> None:
    """The heat came from the coil: there is no electric heater."""
    request["equipment"].pop("electric_heat", None)


@dataclass(frozen=True)
class ExtraVisit:
    """One house in one state with readings from its solution and the further ones."""

    id: str
    house: House
    operation: Operation
    readings: tuple[str, ...]
    extras: tuple[Extra, ...]
    faults: Faults = AS_BUILT
    mistakes: tuple[Callable[[Request], Request], ...] = ()
    omit: tuple[str, ...] = ()

    def request(self) -> Request:
        solution = solve(self.house, self.operation, self.faults)
        run = Run(self.operation.mode, solution, self.readings)
        request = write_visit([run], units="ip", visited_at="2026-07-14T10:30:00-06:00")
        request["job_reference"] = f"invented-visit-{self.id}"
        equipment: dict[str, Any] = request["equipment"]
        for name in self.omit:
            holder, _, key = name.rpartition(".")
            del (equipment[holder] if holder else equipment)[key]
        for extra in self.extras:
            extra(request, solution)
        for mistake in self.mistakes:
            request = mistake(request)
        return request


_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
_HELD_LOW = replace(HOUSES["furnace_held_flow_1600_m"], id="held_flow_sea_level", elevation=0.0, barometer=None)
_HANDLER = HOUSES["air_handler_1600_m"]
_BELT = HOUSES["belt_driven_1600_m"]
_DELTA = replace(_HANDLER, id="handler_three_phase", electric=ElectricHeat(9600.0, 240.0, 3))
_PUMP = replace(_HANDLER, id="heat_pump", electric=ElectricHeat(3600.0, 240.0))
NO_RATED_DROPS = ("filter.rated", "coil")

VISITS: tuple[ExtraVisit, ...] = (
    # traverses
    ExtraVisit(
        "traverse_large_duct_1600_m", _HIGH, cooling("high"), (*ACROSS, *RETURN_AIR),
        (traverse(28, 24, "return_plenum"),), omit=(*NO_TABLE, *NO_RATED_DROPS),
    ),
    ExtraVisit(
        "traverse_behind_bend_1600_m", _HIGH, cooling("high"), (*ACROSS, *RETURN_AIR),
        (traverse(14, 12, "return_plenum", shares=CROWDED),), omit=(*NO_TABLE, *NO_RATED_DROPS),
    ),
    ExtraVisit(
        "traverse_probe_askew_sea_level", _SEA, cooling("high"), (*ACROSS, *GRID, *RETURN_AIR),
        (traverse(16, 14, "return_plenum", pressure_factor=0.45),), omit=NO_RATED_DROPS,
    ),
    # registers and rooms
    ExtraVisit(
        "room_short_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *RETURN_AIR, "dry_bulb:supply_plenum"),
        (registers(0.97, UNEVEN),), omit=NO_RATED_DROPS,
    ),
    ExtraVisit(
        "registers_short_1600_m", _HIGH, cooling("high"), (*ACROSS, *GRID, *RETURN_AIR, "dry_bulb:supply_plenum"),
        (registers(0.62, EVEN),), omit=NO_RATED_DROPS,
    ),
    # odd method, and no method
    ExtraVisit(
        "airflow_reading_short_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *AIR), (gas_meter,),
        mistakes=(factor_on("airflow", None, 0.6),), omit=NO_RATED_DROPS,
    ),
    ExtraVisit("coil_drop_alone_1600_m", _HIGH, cooling("high"), (*STATICS, *RETURN_AIR), (), omit=NO_TABLE),
    # wheel speed
    ExtraVisit(
        "wheel_slow_1600_m", _BELT, fan_only("sheave as set"), (*BOX, *GRID, *RETURN_AIR), (table_speed(900.0),),
        Faults(blower_speed=0.85), omit=NO_RATED_DROPS,
    ),
    # gas
    ExtraVisit(
        "gas_over_rating_sea_level", _SEA, heating("high"), (*ACROSS, *GRID, *AIR), (gas_meter,),
        Faults(gas_input=1.15), omit=NO_RATED_DROPS,
    ),
    ExtraVisit(
        "gas_under_rating_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *AIR), (gas_meter,),
        Faults(gas_input=0.82), omit=NO_RATED_DROPS,
    ),
    ExtraVisit(
        "gas_not_derated_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *AIR), (gas_meter, not_derated),
        omit=NO_RATED_DROPS,
    ),
    ExtraVisit(
        "outlet_air_hot_1600_m", _HIGH, heating("high"), (*ACROSS, *GRID, *AIR), (outlet_maximum(120.0),),
        Faults(gas_input=1.55), omit=NO_RATED_DROPS,
    ),
    # electric heat
    ExtraVisit(
        "heater_element_out_1600_m", _HANDLER, heating("tap 3"),
        (*GRID, *AIR, "voltage:electric_heater", "current:electric_heater"), (), Faults(electric_heat=0.667),
        omit=(*NO_TABLE, *NO_RATED_DROPS),
    ),
    ExtraVisit(
        "heater_line_open_1600_m", _DELTA, heating("tap 3"), (*GRID, *AIR, "voltage:electric_heater"),
        (three_lines(1),), Faults(electric_heat=0.667), omit=(*NO_TABLE, *NO_RATED_DROPS),
    ),
    ExtraVisit(
        "heat_pump_weak_1600_m", _PUMP, heating("tap 3"), (*GRID, *AIR), (heat_pump,),
        omit=(*NO_TABLE, *NO_RATED_DROPS),
    ),
    # power of a held airflow
    ExtraVisit(
        "held_flow_watts_sea_level", _HELD_LOW, cooling("high"), (*GRID, "power:blower", *RETURN_AIR), (),
        Faults(return_undersized=3.2, filter_loading=2.5), omit=("design_airflow", *NO_RATED_DROPS),
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
