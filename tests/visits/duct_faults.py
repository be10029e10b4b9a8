"""Visits about the size of ducts: `python -m tests.visits.duct_faults`.

Everything is invented. The houses are those of the library; their runs of duct are written down beside them, as a
technician measures them up. Readings are exact but for rounding, so that a case can be followed by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.visits.healthy import LITTLE_USED, ROOT, as_json
from tests.visits.house import Faults, House, Operation, solve
from tests.visits.library import HOUSES, cooling
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")
COMMAND = "python -m tests.visits.duct_faults"

READINGS = (
    "static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum",
    "airflow:filter_inlet", "dry_bulb:return_plenum", "wet_bulb:return_plenum",
)  # fmt: skip


def run(name: str, side: str, size: float | tuple[float, float], length: float, fittings: float, flow: float | None,
        material: str = "galvanized_steel", compression: float = 0.0) -> dict[str, Any]:  # fmt: skip
    """A run as a client writes it: sizes in in., lengths in ft, flow in cfm."""
    inch, foot = "[in_i]", "[ft_i]"
    if isinstance(size, tuple):
        shape: dict[str, Any] = {
            "shape": "rectangular",
            "width": {"value": size[0], "unit": inch},
            "height": {"value": size[1], "unit": inch},
        }
    else:
        shape = {"shape": "round", "diameter": {"value": size, "unit": inch}}
    written: dict[str, Any] = {"name": name, "side": side, **shape, "material": material}
    written |= {
        "length": {"value": length, "unit": foot},
        "fittings_equivalent_length": {"value": fittings, "unit": foot},
    }
    if compression:
        written["compression"] = compression
    if flow is not None:
        written["design_airflow"] = {"value": flow, "unit": "[cft_i]/min"}
    return written


SOUND_RUNS = (
    run("return trunk", "return", 22.0, 20.0, 30.0, 1240.0),
    run("supply trunk", "supply", (10.0, 28.0), 5.0, 10.0, 1240.0),
    run("east bedroom", "supply", 8.0, 20.0, 25.0, 100.0, "flexible", 0.02),
)


@dataclass(frozen=True)
class DuctVisit:
    """One house with its runs of duct."""

    id: str
    house: House
    runs: tuple[dict[str, Any], ...] = SOUND_RUNS
    faults: Faults = LITTLE_USED
    operation: Operation = field(default_factory=lambda: cooling("high"))

    def request(self) -> Request:
        request = write_visit(
            [Run("cooling", solve(self.house, self.operation, self.faults), READINGS)],
            units="ip",
            visited_at="2026-07-14T09:00:00-06:00",
        )
        request["job_reference"] = f"invented-visit-{self.id}"
        request["equipment"]["duct_runs"] = list(self.runs)
        return request


_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]

VISITS: tuple[DuctVisit, ...] = (
    DuctVisit(
        "ducts_small_1600_m",
        _HIGH,
        (
            run("return trunk", "return", 14.0, 20.0, 30.0, 1240.0),
            run("supply trunk", "supply", (8.0, 20.0), 5.0, 10.0, 1240.0),
            run("east bedroom", "supply", 8.0, 20.0, 25.0, 100.0, "flexible", 0.15),
        ),
    ),
    DuctVisit("ducts_sound_sea_level", _SEA, tuple(
        {**entry, "design_airflow": {"value": 1200.0, "unit": "[cft_i]/min"}} if "trunk" in entry["name"] else entry
        for entry in SOUND_RUNS
    )),
    DuctVisit("ducts_behind_loaded_filter_1600_m", _HIGH, faults=Faults(filter_loading=6.0)),
)  # fmt: skip


def documents(visits: Sequence[DuctVisit] = VISITS) -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in visits}


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
