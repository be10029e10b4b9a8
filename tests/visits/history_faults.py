"""Writes the visits of the cases on repairs and trends: `python -m tests.visits.history_faults`.

Everything is invented. Each is one house solved several times: as found on earlier visits, with what was hidden then,
and as it is on the visit being judged. Every visit is read with instruments that err anew, as from other trucks, so
that no error is shared; only where readings were copied are they the same. `rules/cases/visits/` holds exactly the
requests. The blower table is left out, so that airflow is the airflow reading alone and a case can be followed by hand.
"""

from __future__ import annotations

import copy
import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.visits import house_air
from tests.visits.cooling_faults import table
from tests.visits.healthy import LITTLE_USED, ROOT, as_json
from tests.visits.house import Faults, House, Operation, solve
from tests.visits.library import HOUSES, cooling
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")
EXAMPLE = Path("openapi/examples/repair_visit.json")
EXAMPLE_SERIES = Path("openapi/examples/over_the_years")
COMMAND = "python -m tests.visits.history_faults"

READINGS = (
    "static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum",
    "airflow:filter_inlet", "power:blower",
    "dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum", "wet_bulb:supply_plenum",
)  # fmt: skip
NOW = datetime.datetime.fromisoformat("2026-07-14T14:00:00-06:00")

WorkDone = tuple[tuple[str, int | None], ...]
"""Kinds of work and how many days before the visit being judged each was done; None where that was not written down."""


@dataclass(frozen=True)
class Past:
    """One visit of a history: days before the one being judged, what was hidden then, work done before its readings."""

    days: float
    faults: Faults = LITTLE_USED
    work: WorkDone = ()
    operation: Operation | None = None


@dataclass(frozen=True)
class History:
    """A house over several visits; the last one is judged. `copied` repeats the readings of the one before it, `then`
    is what the earlier visits stated otherwise of the equipment."""

    id: str
    house: House
    past: tuple[Past, ...]
    faults: Faults = LITTLE_USED
    work: WorkDone = ()
    operation: Operation = field(default_factory=lambda: cooling("high"))
    readings: tuple[str, ...] = READINGS
    outdoor: float | None = None
    copied: bool = False
    then: tuple[tuple[str, Any], ...] = ()

    def visits(self) -> tuple[Past, ...]:
        """All visits, oldest first, the one being judged last."""
        return (*self.past, Past(0.0, self.faults, self.work))

    def request(self) -> Request:
        """The visit being judged, with the earlier ones."""
        written = [self._written(index, past) for index, past in enumerate(self.visits())]
        *earlier, request = written
        for name, value in self.then:
            for visit in earlier:
                _put(visit["equipment"], name, value)
        if self.copied:
            request["readings"] = copy.deepcopy(earlier[-1]["readings"])
        request["job_reference"] = f"invented-visit-{self.id}"
        request["earlier_visits"] = earlier
        return request

    def _written(self, index: int, past: Past) -> Request:
        operation = past.operation or self.operation
        run = Run("cooling", solve(self.house, operation, past.faults), self.readings)
        at = NOW - datetime.timedelta(days=past.days)
        seed = sum(self.id.encode()) + 101 * index + 5
        request = write_visit([run], units="ip", seed=seed, visited_at=at.isoformat())
        request["job_reference"] = f"invented-visit-{self.id}-{index + 1}"
        equipment: dict[str, Any] = request["equipment"]
        del equipment["blower"]["settings"], equipment["blower"]["table_air_density"]
        if self.outdoor is not None:
            equipment["cooling_performance"] = table(self.house, operation, "net")
            request["readings"].append(
                {
                    "kind": "dry_bulb_temperature", "location": "outdoor", "state": "cooling",
                    "instrument": "thermometer-1", "value": {"value": self.outdoor, "unit": "[degF]"},
                }
            )  # fmt: skip
        return with_work(request, past.work)


def with_work(request: Request, work: WorkDone) -> Request:
    """The request with the work that was done before its readings."""
    if work:
        request["work_done"] = [
            {"kind": kind}
            if days is None
            else {"kind": kind, "done_on": (NOW.date() - datetime.timedelta(days=days)).isoformat()}
            for kind, days in work
        ]
    return request


def _put(equipment: dict[str, Any], name: str, value: Any) -> None:
    *parents, last = name.split(".")
    for parent in parents:
        equipment = equipment[parent]
    equipment[last] = value


@dataclass(frozen=True)
class Sealing:
    """A house of three bodies of air, its ducts tested twice, or the pressure of its combustion zone read twice."""

    id: str
    before: house_air.Dwelling
    after: house_air.Dwelling
    work: WorkDone = (("ducts_sealed", 2),)

    def request(self) -> Request:
        """The visit being judged, with the earlier one."""
        request, earlier = (house_air.request(house) for house in (self.after, self.before))
        request["visited_at"] = NOW.isoformat()
        earlier["visited_at"] = (NOW - datetime.timedelta(days=5)).isoformat()
        request["earlier_visits"] = [earlier]
        return with_work(request, self.work)


_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
_HELD = HOUSES["furnace_held_flow_1600_m"]
_LEAKY = house_air.Dwelling(
    "duct_leaks", elevation=1600.0, indoor=20.4, outdoor=16.5, airflow=985.0, duct_total=300.0, duct_outside=200.0,
    readings=("ducts", "flow"),
    states=(house_air.BLOWING,),
)  # fmt: skip
_SEALED = replace(_LEAKY, indoor=21.0, outdoor=18.0, airflow=1000.0)
_ZONE = house_air.Dwelling(
    "zone", elevation=1600.0, return_leak=20.0, supply_leak=20.0, readings=("zone", "house"),
    states=(house_air.BLOWING,), outdoor=21.0,
    appliances=({"id": "heater", "kind": "water_heater", "venting": "natural_draft"},),
)  # fmt: skip


def _loading(*loadings: float) -> tuple[Faults, ...]:
    return tuple(Faults(filter_loading=loading) for loading in loadings)


def _fouling(*foulings: float) -> tuple[Faults, ...]:
    return tuple(Faults(filter_loading=1.06, coil_fouling=fouling) for fouling in foulings)


VISITS: tuple[History | Sealing, ...] = (
    History("filter_changed_1600_m", _HIGH, (Past(0.1, Faults(filter_loading=7.9)),), work=(("filter_replaced", 0),)),
    History(
        "filter_changed_in_vain_sea_level", _SEA, (Past(0.1, Faults(filter_loading=3.0)),),
        Faults(filter_loading=2.95), (("filter_replaced", 0),),
    ),
    History(
        "filter_denser_after_change_1600_m", _HIGH, (Past(40, Faults(filter_loading=1.6)),),
        Faults(filter_loading=12.0), (("filter_replaced", 30),),
    ),
    History(
        "coil_cleaned_sea_level", _SEA, (Past(3, *_fouling(4.0)),), *_fouling(1.15), (("coil_cleaned", 2),),
    ),
    History(
        "coil_cleaned_in_vain_1600_m", _HIGH, (Past(3, *_fouling(2.6)),), *_fouling(2.6), (("coil_cleaned", 2),),
    ),
    History(
        "coil_worse_after_cleaning_sea_level", _SEA, (Past(3, *_fouling(1.6)),), *_fouling(4.2),
        (("coil_cleaned", 2),),
    ),
    History(
        "airflow_fell_1600_m", _HIGH, (Past(365, LITTLE_USED),), Faults(filter_loading=1.06, return_undersized=9.0),
    ),
    History(
        "held_flow_power_up_1600_m", _HELD, (Past(365, LITTLE_USED),), Faults(filter_loading=5.5),
    ),
    History(
        "filter_loads_fast_1600_m", _HIGH,
        (
            Past(14, *_loading(1.05), (("filter_replaced", 14),)), Past(9, *_loading(1.31)),
            Past(5, *_loading(1.53)),
        ),
        *_loading(1.78),
    ),
    History(
        "filter_near_its_limit_sea_level", _SEA,
        (
            Past(48, *_loading(1.0), (("filter_replaced", 48),)), Past(32, *_loading(1.27)),
            Past(16, *_loading(1.53)),
        ),
        *_loading(1.8),
    ),
    History(
        "coil_creeps_1600_m", _HIGH,
        (Past(1095, *_fouling(1.0)), Past(730, *_fouling(1.5)), Past(365, *_fouling(2.0))), *_fouling(2.7),
    ),
    History(
        "static_pressure_creeps_sea_level", _SEA,
        tuple(
            Past(days, Faults(filter_loading=1.06, supply_restricted=factor))
            for days, factor in ((1095, 1.0), (730, 1.9), (365, 2.8))
        ),
        Faults(filter_loading=1.06, supply_restricted=3.7),
    ),
    History("setting_differs_1600_m", _HIGH, (Past(365, operation=cooling("medium")),)),
    History(
        "facts_differ_sea_level", _SEA, (Past(365),),
        then=(("nominal_cooling_capacity.value", 30000.0), ("filter.rated.pressure_drop.value", 0.11)),
    ),
    History("readings_copied_1600_m", _HIGH, (Past(365),), copied=True),
    History(
        "capacity_fell_sea_level", _SEA, (Past(365, LITTLE_USED),), replace(LITTLE_USED, cooling_capacity=0.55),
        outdoor=90.0,
    ),
    Sealing("ducts_sealed_1600_m", _LEAKY, replace(_SEALED, duct_total=90.0, duct_outside=50.0)),
    Sealing("ducts_sealed_in_vain_1600_m", _LEAKY, replace(_SEALED, duct_total=291.0, duct_outside=195.0)),
    Sealing("ducts_opened_1600_m", _LEAKY, replace(_SEALED, duct_total=420.0, duct_outside=300.0)),
    Sealing("zone_lower_after_sealing_1600_m", _ZONE, replace(_ZONE, supply_leak=300.0, envelope=800.0)),
)  # fmt: skip


EXAMPLE_VISIT = History(
    "repair", _HIGH,
    (
        Past(400, LITTLE_USED, (("filter_replaced", 400),)),
        Past(0.1, Faults(filter_loading=6.4, coil_fouling=1.9)),
    ),
    Faults(filter_loading=1.02, coil_fouling=1.9), (("filter_replaced", 0),),
)  # fmt: skip
"""As found a year ago, as found today, and after a new filter: the coil behind it has fouled meanwhile."""


EXAMPLE_YEARS = History(
    "over_the_years", _HIGH,
    (
        Past(500, Faults(filter_loading=1.05), (("filter_replaced", 505),)),
        Past(420, Faults(filter_loading=1.9)),
        Past(330, Faults(filter_loading=2.85)),
        Past(240, Faults(filter_loading=1.05), (("filter_replaced", 245),)),
        Past(160, Faults(filter_loading=1.9)),
        Past(80, Faults(filter_loading=2.75)),
    ),
    Faults(filter_loading=3.5),
)  # fmt: skip
"""Two filters of one kind loading alike; to be kept one by one, for a timeline and trends."""


def series() -> dict[Path, str]:
    """The visits of `EXAMPLE_YEARS` one by one, in the order to keep them."""
    request = EXAMPLE_YEARS.request()
    visits = [*request.pop("earlier_visits"), request]
    for visit in visits:
        visit["equipment"]["reference"] = "invented-equipment-over-the-years"
        visit["site"]["reference"] = "invented-site-over-the-years"
    return {EXAMPLE_SERIES / f"visit_{place}.json": as_json(visit) for place, visit in enumerate(visits, start=1)}


def before_and_after() -> dict[Path, str]:
    """The example of a comparison: one invented house before and after a new filter, each visit sent by itself."""
    visits: dict[Path, str] = {}
    for name, days, loading in (("before", 1, 6.4), ("after", 0, 1.02)):
        run = Run("cooling", solve(_HIGH, cooling("high"), Faults(filter_loading=loading)), READINGS)
        at = NOW - datetime.timedelta(days=days)
        request = write_visit([run], units="ip", seed=17 + days, visited_at=at.isoformat())
        request["job_reference"] = f"invented-visit-{name}-filter-change"
        request["equipment"]["reference"] = "invented-furnace-of-comparison"
        work: WorkDone = (("filter_replaced", 0),) if name == "after" else ()
        visits[EXAMPLE.with_name(f"visit_{name}_filter_change.json")] = as_json(with_work(request, work))
    return visits


def documents(visits: Sequence[History | Sealing] = VISITS) -> dict[Path, str]:
    """Path under the repository's root -> text; the example of the contract among them."""
    written = {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in visits}
    return {**written, EXAMPLE: as_json(EXAMPLE_VISIT.request()), **series(), **before_and_after()}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).parent.mkdir(exist_ok=True)
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
