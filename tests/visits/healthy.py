"""Writes the healthy visits and the example visit: `python -m tests.visits.healthy`.

Everything is invented. `rules/cases/healthy/index.toml` keeps the hidden truth of each visit; each other file there is
exactly one request. Nothing above a note may be said about a healthy visit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import tomli_w

from tests.visits import house_air
from tests.visits.house import CFM, INCH, Faults, House, Operation, Solution, solve
from tests.visits.house_air import BURNERS, COMBUSTION_READINGS, SEALED, Dwelling
from tests.visits.library import HOUSES, cooling, fan_only, heating, permanent_split_capacitor_blower
from tests.visits.writing import ROOT, Request, Run, as_json, write_visit

HEALTHY = Path("rules/cases/healthy")
EXAMPLE = Path("openapi/examples/visit.json")
COMMAND = "python -m tests.visits.healthy"

LITTLE_USED = Faults(filter_loading=1.06)


@dataclass(frozen=True)
class Visit:
    """One visit of the collection: house, hidden faults, operation and readings per state."""

    id: str
    house: House
    units: Literal["ip", "si"]
    seed: int
    faults: Faults
    states: tuple[tuple[str, Operation, tuple[str, ...]], ...]
    omit: tuple[str, ...] = ()
    visited_at: str = "2026-03-10T10:30:00-07:00"
    dwelling: Dwelling | None = None

    def runs(self) -> list[Run]:
        return [
            Run(name, solve(self.house, operation, self.faults), readings) for name, operation, readings in self.states
        ]

    def request(self, runs: Sequence[Run]) -> Request:
        return self._written(runs, self.seed)

    def exact(self) -> Request:
        """The request as exact instruments would bring it."""
        return self._written(self.runs(), None)

    def _written(self, runs: Sequence[Run], seed: int | None) -> Request:
        request = write_visit(runs, units=self.units, seed=seed, omit=self.omit, visited_at=self.visited_at)
        return request if self.dwelling is None else with_records(request, self.dwelling)


def with_records(request: Request, dwelling: Dwelling) -> Request:
    """The visit with what was read of the house as a whole: leakage tests, house pressures, fans, appliances."""
    whole = house_air.request(dwelling)
    records = [
        {**reading, "instrument": f"house-{reading['instrument']}"} if "instrument" in reading else reading
        for reading in whole["readings"]
        if reading["kind"] not in ("static_pressure", "airflow")
    ]
    used = {reading.get("instrument") for reading in records}
    carried = [{**entry, "id": f"house-{entry['id']}"} for entry in whole["instruments"]]
    return {
        **request,
        "site": {**whole["site"], **request["site"]},
        "appliances": whole["appliances"],
        "instruments": [*request["instruments"], *(entry for entry in carried if entry["id"] in used)],
        "states": [*request["states"], *whole["states"]],
        "readings": [*request["readings"], *records],
    }


_FURNACE = (
    "static:return_plenum",
    "static:filter_outlet",
    "static:heat_exchanger_outlet",
    "static:supply_plenum",
)
_INTERNAL_COIL = ("static:return_plenum", "static:filter_outlet", "static:coil_outlet", "static:supply_plenum")
_BOX = ("static:return_plenum", "static:supply_plenum", "difference:filter_inlet>filter_outlet")
_FLOW_AND_POWER = ("airflow:filter_inlet", "power:blower")
_RISE = ("dry_bulb:return_plenum", "dry_bulb:supply_plenum")
_COOLING_AIR = ("dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum", "wet_bulb:supply_plenum")
_COOLING_AIR_HUMIDITY = (
    "dry_bulb:return_plenum",
    "humidity:return_plenum",
    "dry_bulb:supply_plenum",
    "humidity:supply_plenum",
)
_ELECTRIC = ("voltage:electric_heater", "current:electric_heater")


def _healthy(
    house: str,
    units: Literal["ip", "si"],
    seed: int,
    *states: tuple[str, Operation, tuple[str, ...]],
) -> Visit:
    return Visit(house, HOUSES[house], units, seed, LITTLE_USED, states)


def _again(
    id: str,
    house: str,
    units: Literal["ip", "si"],
    seed: int,
    *states: tuple[str, Operation, tuple[str, ...]],
    visited_at: str = "2026-03-10T10:30:00-07:00",
    dwelling: Dwelling | None = None,
) -> Visit:
    """Another visit to a house of the library."""
    return Visit(
        id, HOUSES[house], units, seed, LITTLE_USED, states, visited_at=visited_at, dwelling=dwelling
    )  # fmt: skip


def _dwelling(id: str, **more: Any) -> Dwelling:
    """A sound house around the equipment of a library house."""
    return Dwelling(id, **{"airflow": HOUSES[id].design_flow / CFM, **more})


_WHOLE = ("house", "garage", "room", "ducts", "envelope", "fans")

VISITS: tuple[Visit, ...] = (
    _healthy(
        "furnace_sea_level", "ip", 101,
        ("heating", heating("high"), (*_FURNACE, *_FLOW_AND_POWER, *_RISE, "barometer")),
        ("cooling", cooling("high"), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "furnace_1600_m", "ip", 102,
        ("heating", heating("high"), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
        ("cooling", cooling("high"), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "furnace_held_flow_1600_m", "ip", 103,
        ("heating", heating("high", 67.0), (*_FURNACE, *_FLOW_AND_POWER, *_RISE, "barometer")),
        ("cooling", cooling("high"), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR_HUMIDITY)),
    ),
    _healthy(
        "furnace_held_torque_sea_level", "ip", 104,
        ("cooling", cooling("high", 75.0), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "furnace_2200_m", "si", 105,
        ("fan_only", fan_only("high"), (*_FURNACE, *_FLOW_AND_POWER, "dry_bulb:return_plenum", "barometer")),
        ("heating", heating("high"), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
    ),
    _healthy(
        "air_handler_sea_level", "ip", 106,
        ("cooling", cooling("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_COOLING_AIR)),
        ("heating", heating("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_RISE, *_ELECTRIC)),
    ),
    _healthy(
        "air_handler_1600_m", "ip", 107,
        ("heating", heating("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_RISE, *_ELECTRIC)),
        ("fan_only", fan_only("tap 3"), (*_INTERNAL_COIL, "dry_bulb:return_plenum", "power:blower")),
    ),
    _healthy(
        "packaged_1600_m", "ip", 108,
        ("cooling", cooling("high"), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
        ("heating", heating("high"), (*_BOX, *_FLOW_AND_POWER, *_RISE)),
    ),
    _healthy(
        "packaged_sea_level", "si", 109,
        ("cooling", cooling("high"), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR_HUMIDITY)),
    ),
    _healthy(
        "ducted_metric_sea_level", "si", 110,
        ("cooling", cooling("high"), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "ducted_metric_1600_m", "si", 111,
        ("fan_only", fan_only("high"), (*_BOX, *_FLOW_AND_POWER, "dry_bulb:return_plenum", "barometer")),
    ),
    _healthy(
        "belt_driven_sea_level", "si", 112,
        ("cooling", cooling("sheave as set"), (*_BOX, "airflow:filter_inlet", "voltage:blower", "current:blower")),
    ),
    _healthy(
        "belt_driven_1600_m", "ip", 113,
        ("heating", heating("sheave as set"), (*_BOX, *_FLOW_AND_POWER, *_RISE, "barometer")),
        ("cooling", cooling("sheave as set"), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "furnace_held_flow_sea_level", "si", 114,
        ("cooling", cooling("high", 77.0), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
        ("heating", heating("high"), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
    ),
    _healthy(
        "furnace_held_torque_2300_m", "ip", 115,
        ("heating", heating("high", 66.0, 0.25), (*_FURNACE, *_FLOW_AND_POWER, *_RISE, "barometer")),
        ("cooling", cooling("high", 78.0, 0.40), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "furnace_held_torque_1600_m", "si", 116,
        ("heating", heating("high"), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
    ),
    _healthy(
        "air_handler_sags_sea_level", "ip", 117,
        ("cooling", cooling("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "air_handler_2200_m", "si", 118,
        ("cooling", cooling("tap 3", 75.0, 0.45), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_COOLING_AIR, "barometer")),
        ("heating", heating("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_RISE, *_ELECTRIC)),
    ),
    _healthy(
        "packaged_2400_m", "ip", 119,
        ("heating", heating("high"), (*_BOX, *_FLOW_AND_POWER, *_RISE)),
        ("cooling", cooling("high", 77.0, 0.40), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _healthy(
        "packaged_held_torque_sea_level", "ip", 120,
        ("heating", heating("high"), (*_BOX, *_FLOW_AND_POWER, *_RISE, "barometer")),
    ),
    _healthy(
        "ducted_metric_2300_m", "si", 121,
        ("cooling", cooling("high", 76.0, 0.45), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR_HUMIDITY, "barometer")),
    ),
    _healthy(
        "belt_driven_2250_m", "ip", 122,
        ("cooling", cooling("sheave as set", 76.0, 0.40), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR, "barometer")),
        ("fan_only", fan_only("sheave as set"), (*_BOX, *_FLOW_AND_POWER, "dry_bulb:return_plenum")),
    ),
    _again(
        "furnace_heating_in_january", "furnace_sea_level", "si", 123,
        ("heating", heating("high", 66.0, 0.30), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
        visited_at="2026-01-20T08:15:00+01:00",
    ),
    _again(
        "furnace_fan_alone_1600_m", "furnace_1600_m", "ip", 124,
        ("fan_only", fan_only("high"), (*_FURNACE, *_FLOW_AND_POWER, "dry_bulb:return_plenum", "barometer")),
    ),
    _again(
        "furnace_cooling_in_august_2200_m", "furnace_2200_m", "ip", 125,
        ("cooling", cooling("high", 78.0, 0.40), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
        visited_at="2026-08-05T15:40:00-06:00",
    ),
    _again(
        "packaged_heating_1600_m", "packaged_1600_m", "si", 126,
        ("heating", heating("high", 69.0), (*_BOX, *_FLOW_AND_POWER, *_RISE, "barometer")),
        visited_at="2025-12-02T09:00:00-07:00",
    ),
    _again(
        "belt_driven_heating_sea_level", "belt_driven_sea_level", "si", 127,
        ("heating", heating("sheave as set"), (*_BOX, *_FLOW_AND_POWER, *_RISE)),
        ("cooling", cooling("sheave as set"), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
    ),
    _again(
        "air_handler_fan_alone_sea_level", "air_handler_sea_level", "si", 128,
        ("fan_only", fan_only("tap 3"), (*_INTERNAL_COIL, *_FLOW_AND_POWER, "dry_bulb:return_plenum")),
    ),
    _again(
        "ducted_metric_three_states_sea_level", "ducted_metric_sea_level", "si", 129,
        ("cooling", cooling("high", 75.0), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR)),
        ("humid", cooling("high", 77.0, 0.60), (*_BOX, *_FLOW_AND_POWER, *_COOLING_AIR_HUMIDITY)),
        ("fan_only", fan_only("high"), (*_BOX, *_FLOW_AND_POWER, "dry_bulb:return_plenum")),
    ),
    # with records of the house as a whole
    _again(
        "furnace_and_house_1600_m", "furnace_1600_m", "ip", 130,
        ("cooling", cooling("high", 70.0), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
        dwelling=_dwelling("furnace_1600_m", elevation=1600.0, readings=_WHOLE),
    ),
    _again(
        "air_handler_and_house_sea_level", "air_handler_sea_level", "ip", 131,
        ("heating", heating("tap 3", 69.8), (*_INTERNAL_COIL, *_FLOW_AND_POWER, *_RISE, *_ELECTRIC)),
        dwelling=_dwelling("air_handler_sea_level", readings=("ducts", "envelope", "fans")),
    ),
    _again(
        "furnace_and_ventilation_2200_m", "furnace_2200_m", "si", 132,
        ("heating", heating("high", 69.8), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
        dwelling=_dwelling("furnace_2200_m", elevation=2200.0, readings=("house", "fans"), outdoor=16.0),
    ),
    _again(
        "furnace_and_sealed_burner_sea_level", "furnace_held_torque_sea_level", "ip", 133,
        ("heating", heating("high", 69.8), (*_FURNACE, *_FLOW_AND_POWER, *_RISE)),
        dwelling=_dwelling(
            "furnace_held_torque_sea_level", readings=("house", "zone", "envelope"), airflow=1000.0,
            appliances=(SEALED,),
        ),
    ),
    _again(
        "furnace_and_sound_burners_sea_level", "furnace_sea_level", "ip", 134,
        ("cooling", cooling("high", 77.0), (*_FURNACE, *_FLOW_AND_POWER, *_COOLING_AIR)),
        dwelling=_dwelling(
            "furnace_sea_level", readings=("zone", "house"), indoor=25.0, outdoor=40.0, storey_height=17.0,
            exhausts=(("bath fan", 20.0, True),), appliances=BURNERS, extra=COMBUSTION_READINGS,
        ),
    ),
)  # fmt: skip


def _example() -> Visit:
    """Furnace at 1600 m, filter loaded, coil matted: external static pressure well above its rated maximum.

    Left out on purpose: the wet bulb after the coil, the blower's power in heating, the coil's rated dry drop.
    """
    base = HOUSES["furnace_1600_m"]
    filter_as_new = replace(base.resistances["filter"], drop=0.14 * INCH)
    coil_as_new = replace(base.resistances["coil"], drop=0.20 * INCH)
    house = replace(
        base,
        id="example",
        title="furnace with cased coil at 1600 m",
        filter_size=replace(base.filter_size, kind="pleated", height=0.0254 * 25, width=0.0254 * 16, depth=0.0254),
        resistances=base.resistances | {"filter": filter_as_new, "coil": coil_as_new},
        blower=permanent_split_capacitor_blower(1240, 0.50, 500),
        gas=replace(base.gas, rise=(35 * 5 / 9, 65 * 5 / 9)) if base.gas else None,
    )
    return Visit(
        "example", house, "ip", 7, Faults(filter_loading=3.0, coil_fouling=1.9),
        (
            (
                "heating",
                heating("high"),
                ("static:return_plenum*10", *_FURNACE[1:], "airflow:filter_inlet", *_RISE, "barometer"),
            ),
            (
                "cooling",
                cooling("high"),
                (
                    "static:return_plenum", *_FURNACE[1:], "airflow:filter_inlet", "power:blower",
                    "dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum",
                ),
            ),
            ("fan", fan_only("high"), ("difference:filter_inlet>filter_outlet", "difference:coil_inlet>coil_outlet")),
        ),
    )  # fmt: skip


EXAMPLE_VISIT = _example()


def _truth(solution: Solution) -> dict[str, Any]:
    """What no instrument shows, for the index: SI."""
    supply, entering = solution.air_at("supply_plenum"), solution.air[0]
    return {
        "mode": solution.operation.mode,
        "external_static_pressure_Pa": round(solution.external_static_pressure, 2),
        "return_airflow_m3_per_s": round(solution.flow_at("filter_inlet"), 4),
        "blower_airflow_m3_per_s": round(solution.blower_flow, 4),
        "dry_air_flow_kg_per_s": round(solution.dry_air_flow, 4),
        "blower_density_kg_per_m3": round(solution.air_at("before.blower").density, 4),
        "blower_power_W": round(solution.blower_power, 1),
        "temperature_change_K": round(supply.temperature - entering.temperature, 2),
        "drops_Pa": {element: round(drop, 2) for element, drop in solution.drops.items()},
    }


def _entry(visit: Visit, runs: Sequence[Run], file: str) -> dict[str, Any]:
    house = visit.house
    default = Faults()
    return {
        "id": visit.id,
        "file": file,
        "title": house.title,
        "elevation_m": float(house.elevation),
        "site_pressure_Pa": round(house.pressure, 1),
        "rated_maximum_Pa": round(house.rated_maximum, 2),
        "seed": visit.seed,
        "hidden": {name: value for name, value in vars(visit.faults).items() if value != getattr(default, name)},
        "truth": {run.id: _truth(run.solution) for run in runs},
    }


def documents() -> dict[Path, str]:
    """Path under the repository's root -> text, for every file this module writes."""
    texts: dict[Path, str] = {}
    entries = []
    for visit in (*VISITS, EXAMPLE_VISIT):
        path = EXAMPLE if visit is EXAMPLE_VISIT else HEALTHY / f"{visit.id}.json"
        runs = visit.runs()
        request = visit.request(runs)
        if visit is EXAMPLE_VISIT:
            del request["equipment"]["coil"]["rated_dry"]
        texts[path] = as_json(request)
        entries.append(_entry(visit, runs, path.as_posix()))
    index = {"invented": True, "command": COMMAND, "visit": entries[:-1], "example": entries[-1]}
    header = "# Hidden truth behind the invented visits. Written by the command below; do not edit by hand.\n"
    texts[HEALTHY / "index.toml"] = header + tomli_w.dumps(index)
    return texts


def main() -> None:
    for path, text in documents().items():
        target = ROOT / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
