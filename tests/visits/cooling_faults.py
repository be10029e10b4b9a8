"""Visits about cooling capacity: `python -m tests.visits.cooling_faults`.

Everything is invented. A performance table is laid through each house's own coil: what it takes from the air at a
flow, a little more in humid rooms and a little less in outdoor heat; net tables leave out the blower of the maker's
design point. The simulated ducts let no heat through, so registers read as the plenum does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from tests.visits.air import STANDARD_DENSITY, Air
from tests.visits.healthy import LITTLE_USED, ROOT, as_json
from tests.visits.house import BTU_PER_HOUR, CFM, Faults, House, Operation, solve
from tests.visits.library import HOUSES, cooling
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")
COMMAND = "python -m tests.visits.cooling_faults"

STATICS = (
    "static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum",
)  # fmt: skip
AIR = ("dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum", "wet_bulb:supply_plenum")
TWO_METHODS = (*STATICS, "airflow:filter_inlet", "power:blower", *AIR)
ONE_METHOD = ("airflow:filter_inlet", "power:blower", *AIR)

WET_BULBS = (55.0, 60.0, 65.0, 70.0)
OUTDOORS = (75.0, 85.0, 95.0, 105.0)
"""degF."""


def table(house: House, operation: Operation, kind: Literal["gross", "net"]) -> dict[str, Any]:
    """The maker's table of the house's pair of units, in rows of standard airflow."""
    room = Air.from_relative_humidity(house.pressure, operation.return_temperature, operation.return_humidity)
    design = house.design_flow * room.density / STANDARD_DENSITY / CFM
    rows = []
    for share in (0.5, 0.75, 1.0, 1.25):
        flow = round(design * share / 25) * 25
        coil = house.cooling.total * math.expm1(-1.5 * flow / design) / math.expm1(-1.5)
        for wet_bulb in WET_BULBS:
            for outdoor in OUTDOORS:
                total = coil * (1 + 0.012 * (wet_bulb - 60.5)) * (1 - 0.005 * (outdoor - 90.0))
                if kind == "net":
                    total -= 400.0
                rows.append(
                    {
                        "return_wet_bulb": {"value": wet_bulb, "unit": "[degF]"},
                        "outdoor_temperature": {"value": outdoor, "unit": "[degF]"},
                        "airflow": {"value": float(flow), "unit": "[cft_i]/min"},
                        "total_capacity": {
                            "value": float(round(total / BTU_PER_HOUR / 100) * 100), "unit": "[Btu_IT]/h"
                        },
                    }
                )  # fmt: skip
    return {"capacity_is": kind, "rows": rows}


@dataclass(frozen=True)
class CoolingVisit:
    """One visit while cooling, with its performance table and the air outdoors (degF)."""

    id: str
    house: House
    faults: Faults = LITTLE_USED
    readings: tuple[str, ...] = TWO_METHODS
    kind: Literal["gross", "net"] = "net"
    outdoor: float = 90.0
    registers: bool = False
    table: bool = True
    operation: Operation = field(default_factory=lambda: cooling("high"))
    omit: tuple[str, ...] = ()

    def request(self) -> Request:
        solution = solve(self.house, self.operation, self.faults)
        request = write_visit(
            [Run("cooling", solution, self.readings)],
            units="ip",
            seed=31,
            visited_at="2026-07-14T14:00:00-06:00",
            omit=self.omit,
        )
        if self.table:
            request["equipment"]["cooling_performance"] = table(self.house, self.operation, self.kind)
        thermometer = next(r["instrument"] for r in request["readings"] if r["kind"] == "dry_bulb_temperature")

        def dry_bulb(location: str, value: float) -> dict[str, Any]:
            return {
                "kind": "dry_bulb_temperature", "location": location,
                "value": {"value": round(value, 1), "unit": "[degF]"}, "state": "cooling", "instrument": thermometer,
            }  # fmt: skip

        request["readings"].append(dry_bulb("outdoor", self.outdoor))
        if self.registers:
            supply = next(
                r["value"]["value"]
                for r in request["readings"]
                if r["kind"] == "dry_bulb_temperature" and r["location"] == "supply_plenum"
            )
            request["readings"].append(dry_bulb("supply_register", supply))
        return request


_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]

VISITS: tuple[CoolingVisit, ...] = (
    CoolingVisit("cooling_sound_1600_m", _HIGH, registers=True),
    CoolingVisit("cooling_sound_sea_level", _SEA, kind="gross"),
    CoolingVisit("cooling_weak_1600_m", _HIGH, Faults(cooling_capacity=0.55)),
    CoolingVisit("cooling_weak_sea_level", _SEA, Faults(cooling_capacity=0.6), kind="gross"),
    CoolingVisit("cooling_weak_one_method_1600_m", _HIGH, Faults(cooling_capacity=0.55), ONE_METHOD),
    CoolingVisit(
        "cooling_weak_little_air_sea_level", _SEA, Faults(cooling_capacity=0.5, filter_loading=14.0), ONE_METHOD
    ),
    CoolingVisit("cooling_weak_no_table_1600_m", _HIGH, Faults(cooling_capacity=0.45), table=False),
    CoolingVisit(
        "cooling_dry_room_1600_m", replace(_HIGH, cooling=replace(_HIGH.cooling, sensible_heat_ratio=1.0)),
        Faults(filter_loading=6.0), operation=replace(cooling("high"), return_humidity=0.25), table=False,
    ),
)  # fmt: skip


def documents(visits: Sequence[CoolingVisit] = VISITS) -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in visits}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
