"""Writes the healthy visits and the example visit: `python -m tests.visits.healthy`.

Everything is invented. `rules/cases/healthy/index.toml` keeps the hidden truth of each visit; each other file there is
exactly one request. Nothing above a note may be said about a healthy visit.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import tomli_w

from tests.visits.house import INCH, Faults, House, Operation, Solution, solve
from tests.visits.library import HOUSES, cooling, fan_only, heating, permanent_split_capacitor_blower
from tests.visits.writing import Request, Run, write_visit

ROOT = Path(__file__).resolve().parents[2]
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

    def runs(self) -> list[Run]:
        return [
            Run(name, solve(self.house, operation, self.faults), readings) for name, operation, readings in self.states
        ]

    def request(self, runs: Sequence[Run]) -> Request:
        return write_visit(runs, units=self.units, seed=self.seed, omit=self.omit, visited_at=self.visited_at)


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


def as_json(request: Request) -> str:
    """Indented, with each measure and each series of samples on one line."""
    text = json.dumps(request, indent=2, ensure_ascii=False)
    text = re.sub(r'\{\s+"value": (\S+),\s+"unit": ("[^"]*")\s+\}', r'{"value": \1, "unit": \2}', text)
    text = re.sub(r"\[\s+([-+.\d,\s]+?)\s+\]", lambda found: f"[{' '.join(found[1].split())}]", text)
    return text + "\n"


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
