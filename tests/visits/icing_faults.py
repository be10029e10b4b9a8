"""Visits whose coil closes, or only gets wet, while its pressure drop is logged: `python -m tests.visits.icing_faults`.

Everything is invented. The house is solved once for each sample with a little more ice (or water) on the coil, so that
blower and system answer to it; the gauge shows each difference across the coil with its error and its resolution. The
other readings of the visit are those of the last sample.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.visits.healthy import ROOT, as_json
from tests.visits.house import INCH, Faults, House, Solution, solve
from tests.visits.instruments import kit
from tests.visits.library import HOUSES, cooling
from tests.visits.writing import Request, Run, write_visit

FOLDER = Path("rules/cases/visits")
ACROSS = "difference:coil_inlet>coil_outlet"
READINGS = (
    ACROSS, "static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum",
    "airflow:filter_inlet", "dry_bulb:return_plenum", "wet_bulb:return_plenum", "dry_bulb:supply_plenum",
)  # fmt: skip
SAMPLES = 21
INTERVAL = 60.0


@dataclass(frozen=True)
class IcingVisit:
    """A house whose coil resists `first` times as much as new when the logging begins, and `last` when it ends."""

    id: str
    house: House
    first: float
    last: float

    def solutions(self) -> list[Solution]:
        """The house at each sample."""
        step = (self.last - self.first) / (SAMPLES - 1)
        return [
            solve(self.house, cooling("high"), Faults(filter_loading=1.06, coil_fouling=self.first + index * step))
            for index in range(SAMPLES)
        ]

    def request(self) -> Request:
        seed = sum(self.id.encode())
        history = self.solutions()
        request = write_visit(
            [Run("cooling", history[-1], READINGS)], units="ip", seed=seed, visited_at="2026-07-14T14:00:00-06:00"
        )
        request["job_reference"] = f"invented-visit-{self.id}"
        del request["equipment"]["blower"]["settings"], request["equipment"]["blower"]["table_air_density"]
        gauge = kit("ip")["pressure"].perturbed(seed)
        shown = [gauge.show(each.pressure_at("coil_inlet") - each.pressure_at("coil_outlet")) for each in history]
        reading = request["readings"][0]
        reading["samples"] = {"interval_seconds": INTERVAL, "values": shown}
        reading["value"] = {"value": round(sum(shown) / len(shown), 4), "unit": "[in_i'H2O]"}
        return request


_HIGH = HOUSES["furnace_1600_m"]

VISITS: tuple[IcingVisit, ...] = (
    IcingVisit("coil_ices_over_1600_m", _HIGH, 1.0, 4.0),
    IcingVisit("coil_gets_wet_1600_m", _HIGH, 0.8, 1.0),
    IcingVisit("coil_closes_a_little_1600_m", _HIGH, 1.0, 1.573),
)


def documents(visits: Sequence[IcingVisit] = VISITS) -> dict[Path, str]:
    """Path under the repository's root -> text."""
    return {FOLDER / f"{visit.id}.json": as_json(visit.request()) for visit in visits}


def inches(solution: Solution) -> float:
    """True drop of the coil, in. of water."""
    return solution.drops["coil"] / INCH


def main() -> None:
    for path, text in documents().items():
        (ROOT / path).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
