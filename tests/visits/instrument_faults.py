"""Visits whose instruments are off: `python -m tests.visits.instrument_faults`. Everything is invented."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from tests.visits.airflow_faults import RISE, STATICS, Change, FaultVisit
from tests.visits.healthy import ROOT, as_json
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.mistakes import zero_offset_unnoticed
from tests.visits.writing import Request

FOLDER = Path("rules/cases/visits")
DIFFERENCES = (
    "difference:filter_inlet>filter_outlet", "difference:heat_exchanger_outlet>supply_plenum",
)  # fmt: skip

_HIGH = HOUSES["furnace_1600_m"]
_SEA = HOUSES["furnace_sea_level"]


def read_again(kind: str, place: str, off: float) -> Change:
    """The reading taken once more with a second instrument of the same make, which shows `off` too much."""

    def change(request: Request) -> Request:
        twice = copy.deepcopy(request)
        (first,) = [
            reading
            for reading in twice["readings"]
            if reading["kind"] == kind and place in (reading.get("station"), reading.get("location"))
        ]
        (instrument,) = [entry for entry in twice["instruments"] if entry["id"] == first["instrument"]]
        name = instrument["id"].replace("-1", "-2")
        second: dict[str, Any] = {**copy.deepcopy(first), "instrument": name}
        second["value"]["value"] = round(first["value"]["value"] + off, 3)
        twice["instruments"].append({**instrument, "id": name})
        twice["readings"].append(second)
        return twice

    return change


VISITS: tuple[FaultVisit, ...] = (
    FaultVisit(
        "two_gauges_disagree_1600_m", _HIGH, cooling("high"), STATICS,
        mistakes=(read_again("static_pressure", "supply_plenum", 0.03),),
    ),
    FaultVisit(
        "two_thermometers_disagree_sea_level", _SEA, heating("high"), RISE,
        mistakes=(read_again("dry_bulb_temperature", "supply_plenum", 6.0),),
    ),
    FaultVisit(
        "zero_offset_in_every_reading_1600_m", _HIGH, cooling("high"), (*STATICS, *DIFFERENCES),
        mistakes=(lambda request: zero_offset_unnoticed(request, 0.04),),
    ),
)  # fmt: skip


def documents() -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in VISITS}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
