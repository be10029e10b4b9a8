"""Writes the visits of the cases on static pressure, filter, coil, return and supply:
`python -m tests.visits.resistance_faults`.

Everything is invented. Each visit is a house of the library solved with one hidden fault (or two, where a rule is about
two), read with the usual kit and its errors. `rules/cases/visits/` holds exactly the requests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.visits.healthy import ROOT, as_json
from tests.visits.house import INCH, Faults, House, Operation, Resistance, solve
from tests.visits.library import HOUSES, cooling
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")

FURNACE = ("static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum")
AIR_HANDLER = ("static:return_plenum", "static:filter_outlet", "static:coil_outlet", "static:supply_plenum")
BOX = ("static:return_plenum", "static:supply_plenum", "difference:filter_inlet>filter_outlet")
FLOW = ("airflow:filter_inlet",)
AIR = ("dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum", "wet_bulb:supply_plenum")


@dataclass(frozen=True)
class LongerPath(House):
    """A house with a further element in its path, before the element named in `before`."""

    further: str = ""
    before: str = ""

    @property
    def path(self) -> tuple[str, ...]:
        base = super().path
        place = base.index(self.before)
        return (*base[:place], self.further, *base[place:])


@dataclass(frozen=True)
class FaultVisit:
    """One house with its hidden fault, as read in cooling. The blower table is left out unless a rule is about it,
    so that airflow is the airflow reading alone and a case can be followed by hand."""

    id: str
    house: House
    faults: Faults
    readings: tuple[str, ...] = (*FURNACE, *FLOW, *AIR)
    operation: Operation = field(default_factory=lambda: cooling("high"))
    table: bool = False

    def request(self) -> Request:
        run = Run("cooling", solve(self.house, self.operation, self.faults), self.readings)
        request = write_visit([run], units="ip", seed=sum(self.id.encode()), visited_at="2026-07-14T10:30:00-06:00")
        request["job_reference"] = f"invented-visit-{self.id}"
        equipment: dict[str, Any] = request["equipment"]
        if not self.table:
            del equipment["blower"]["settings"], equipment["blower"]["table_air_density"]
        if isinstance(self.house, LongerPath):
            equipment["air_path"] = [{"kind": element} for element in self.house.path]
        return request


def _with(house: House, **drops: float) -> House:
    """The house with other drops as built, in in. w.c. at the flow they were given for."""
    resistances = {name: replace(house.resistances[name], drop=drop * INCH) for name, drop in drops.items()}
    return replace(house, resistances=house.resistances | resistances)


def _filter_of(house: House, width: float, height: float, depth: float, drop: float) -> House:
    """The house with a filter of other sides (in.) and drop (in. w.c. at the design flow)."""
    size = replace(
        house.filter_size, kind="pleated", width=width * 0.0254, height=height * 0.0254, depth=depth * 0.0254
    )
    return replace(_with(house, filter=drop), filter_size=size)


def _longer(house: House, element: str, before: str, drop: float, exponent: float) -> LongerPath:
    """The house with a further element of `drop` in. w.c. at its design flow."""
    fields = {name: getattr(house, name) for name in House.__dataclass_fields__}
    fields["resistances"] = house.resistances | {element: Resistance(drop * INCH, house.design_flow, exponent)}
    return LongerPath(**fields, further=element, before=before)


_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]

VISITS: tuple[FaultVisit, ...] = (
    FaultVisit("filter_loaded_1600_m", _HIGH, Faults(filter_loading=7.92)),
    FaultVisit("filter_loading_1600_m", _HIGH, Faults(filter_loading=2.04)),
    FaultVisit("filter_dense_sea_level", _filter_of(_SEA, 20, 20, 1, 0.36), Faults(filter_loading=1.05)),
    FaultVisit("filter_small_1600_m", _filter_of(_HIGH, 14, 20, 1, 0.55), Faults(filter_loading=1.1)),
    FaultVisit("filter_face_small_sea_level", _filter_of(_SEA, 14, 20, 1, 0.20), Faults(filter_loading=1.05)),
    FaultVisit("filter_missing_coil_fouled_sea_level", _SEA, Faults(filter_loading=0.1, coil_fouling=2.6)),
    FaultVisit("coil_fouled_sea_level", _SEA, Faults(coil_fouling=4.0)),
    FaultVisit("coil_bypassed_1600_m", _HIGH, Faults(coil_fouling=0.35)),
    FaultVisit(
        "air_handler_coil_fouled_1600_m", HOUSES["air_handler_1600_m"], Faults(coil_fouling=2.87),
        readings=(*AIR_HANDLER, *FLOW, *AIR), operation=cooling("tap 3"),
    ),
    FaultVisit("return_small_1600_m", _HIGH, Faults(return_undersized=8.0)),
    FaultVisit("return_tight_sea_level", _SEA, Faults(return_undersized=2.0)),
    FaultVisit("return_and_filter_sea_level", _SEA, Faults(return_undersized=5.0, filter_loading=5.5)),
    FaultVisit("return_apart_1600_m", _HIGH, Faults(return_disconnected=0.08)),
    FaultVisit("supply_restricted_sea_level", _SEA, Faults(supply_restricted=5.5, registers_closed=2.5)),
    FaultVisit("supply_tight_sea_level", _SEA, Faults(supply_restricted=1.6, registers_closed=1.6)),
    FaultVisit("supply_apart_1600_m", _HIGH, Faults(supply_disconnected=0.08)),
    FaultVisit("both_sides_tight_1600_m", _HIGH, Faults(return_undersized=6.5, supply_restricted=5.5)),
    FaultVisit("near_rating_sea_level", _SEA, Faults(filter_loading=4.28)),
    FaultVisit(
        "held_flow_filter_loaded_1600_m", HOUSES["furnace_held_flow_1600_m"], Faults(filter_loading=6.5),
    ),
    FaultVisit(
        "coil_near_freezing_1600_m", _HIGH, Faults(filter_loading=11.0), operation=cooling("high", 61.0, 0.55),
    ),
    FaultVisit(
        "packaged_ducts_apart_1600_m", HOUSES["packaged_1600_m"],
        Faults(supply_disconnected=0.05, return_disconnected=0.3), readings=(*BOX, *FLOW, *AIR),
    ),
    FaultVisit("blower_weak_sea_level", _SEA, Faults(blower_speed=0.58)),
    FaultVisit(
        "accessory_dirty_1600_m", _longer(_HIGH, "accessory", "supply_duct", 0.62, 1.9), Faults(),
        readings=(*FURNACE, "static:coil_outlet", *FLOW, *AIR),
    ),
    FaultVisit(
        "zone_damper_stuck_sea_level", _longer(_SEA, "zone_damper", "supply_duct", 0.16, 2.0), Faults(),
        readings=(*FURNACE[:3], "static:before.zone_damper", "static:after.zone_damper", *FLOW, *AIR),
    ),
)  # fmt: skip


def documents(visits: Sequence[FaultVisit] = VISITS) -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in visits}


def main() -> None:
    for path, text in documents().items():
        target = ROOT / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
