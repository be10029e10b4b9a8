"""Visits whose readings bring sample series: `python -m tests.visits.series_faults`. Everything is invented."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from tests.visits.airflow_faults import RISE, STATICS, Change, FaultVisit, swinging
from tests.visits.healthy import ROOT, as_json
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.mistakes import Reading, changed

FOLDER = Path("rules/cases/visits")

_HIGH = HOUSES["furnace_1600_m"]
_SEA = HOUSES["furnace_sea_level"]


def sampled(kind: str, place: str, steps: Sequence[float], interval: float, digits: int) -> Change:
    """The reading as the mean of a series that departs from what it showed by these steps, in its own unit."""

    def change(reading: Reading) -> None:
        values = [round(reading["value"]["value"] + step, digits) for step in steps]
        reading["value"]["value"] = round(sum(values) / len(values), digits + 1)
        reading["samples"] = {"interval_seconds": interval, "values": values}

    return lambda request: changed(
        request,
        lambda reading: reading["kind"] == kind and place in (reading.get("station"), reading.get("location")),
        change,
    )


def slowing(interval: float) -> Change:
    """Supply air that has 12 degF to go, and goes them as a first-order lag of 10 samples; 20 samples are taken."""
    steps = [-12.0 * math.exp(-place / 10.0) for place in range(20)]
    return sampled("dry_bulb_temperature", "supply_plenum", steps, interval, 1)


def door_slammed(request: dict[str, object]) -> dict[str, object]:
    """One sample of twenty while somebody slammed a door; the others flutter by two steps of the gauge."""
    flutter = (0.0, 0.002, -0.001, 0.001, -0.002, 0.0, 0.001, -0.001, 0.002, -0.002)
    steps = [*flutter, *flutter]
    steps[13] = 0.24
    return sampled("static_pressure", "supply_plenum", steps, 1.0, 3)(request)


VISITS: tuple[FaultVisit, ...] = (
    FaultVisit("supply_air_slowing_down_1600_m", _HIGH, heating("high"), RISE, mistakes=(slowing(60.0),)),
    FaultVisit("supply_static_door_slammed_sea_level", _SEA, cooling("high"), STATICS, mistakes=(door_slammed,)),
    FaultVisit(
        "supply_static_in_gusts_sea_level", _SEA, cooling("high"), STATICS,
        mistakes=(swinging("static_pressure", "supply_plenum", 0.03),),
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
