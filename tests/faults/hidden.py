"""What a hidden fault is, and how a visit to its house is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from tests.faults.perturbing import perturbed, stated
from tests.visits.cooling_faults import table
from tests.visits.heat_and_flow import Extra
from tests.visits.house import AS_BUILT, Faults, House, Operation, Solution, solve
from tests.visits.house_air import Dwelling
from tests.visits.house_air import request as request_of
from tests.visits.resistance_faults import LongerPath
from tests.visits.writing import Request, Run, write_visit

Mistake = Callable[[Request], Request]


@dataclass(frozen=True)
class HiddenFault:
    """One fault in one house, and the causes that name it.

    `cause` names it, and `named_as` are ids that say the same. `also` are causes that these readings cannot tell from
    it; `because` says why. It counts as found where one of its names is ranked first and nothing but `also` shares that
    rank.
    `hazards` are the findings about people at risk that belong to it. `mistakes` happen between instrument and tablet,
    so after the instruments have shown what they show.
    """

    id: str
    title: str
    cause: str
    visit: Callable[[], Request]
    named_as: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    because: str = ""
    mistakes: tuple[Mistake, ...] = ()
    hazards: frozenset[str] = frozenset()

    @cached_property
    def exact(self) -> Request:
        """The readings as a technician with exact instruments would take them."""
        return stated(self.visit())

    def request(self, seed: int | None) -> Request:
        """The request as it arrives: readings moved within accuracy (None: exact), then the mistakes."""
        told = self.exact if seed is None else perturbed(self.exact, f"{self.id}/{seed}")
        for mistake in self.mistakes:
            told = mistake(told)
        return told


State = tuple[Operation, tuple[str, ...]]


def equipment_visit(
    house: House,
    *states: State,
    faults: Faults = AS_BUILT,
    units: Literal["ip", "si"] = "ip",
    extras: Sequence[Extra] = (),
    omit: Sequence[str] = (),
    noted: Sequence[str] = (),
) -> Callable[[], Request]:
    """A visit to equipment and ducts: the house solved with its fault in each state, and what was read there.

    `extras` add readings from the first state's solution. `omit` leaves ratings out, named with dots.
    """

    def visit() -> Request:
        runs = [Run(operation.mode, solve(house, operation, faults), readings) for operation, readings in states]
        request = write_visit(runs, units=units, visited_at="2026-07-14T10:30:00-06:00")
        equipment: dict[str, Any] = request["equipment"]
        for name in omit:
            holder, _, key = name.rpartition(".")
            del (equipment[holder] if holder else equipment)[key]
        if isinstance(house, LongerPath):
            equipment["air_path"] = [{"kind": element} for element in house.path]
        for extra in extras:
            extra(request, runs[0].solution)
        if noted:
            request["noted"] = [{"what": what} for what in noted]
        return request

    return visit


def house_visit(house: Dwelling) -> Callable[[], Request]:
    """A visit to the house as a whole. Static pressures are read across the rating boundary as well."""

    def visit() -> Request:
        request = request_of(house)
        for reading in [entry for entry in request["readings"] if entry["kind"] == "static_pressure"]:
            inner = {"return_plenum": "filter_outlet", "supply_plenum": "heat_exchanger_outlet"}[reading["station"]]
            value = round(reading["value"]["value"] * 1.2, 3)
            request["readings"].append({**reading, "station": inner, "value": {**reading["value"], "value": value}})
        return request

    return visit


def performance(outdoor: float, kind: Literal["gross", "net"] = "net") -> Extra:
    """The maker's cooling table, and the air outdoors in degF."""

    def add(request: Request, solution: Solution) -> None:
        request["equipment"]["cooling_performance"] = table(solution.house, solution.operation, kind)
        request["readings"].append(
            {
                "kind": "dry_bulb_temperature", "location": "outdoor", "state": "cooling",
                "value": {"value": outdoor, "unit": "[degF]"},
            }
        )  # fmt: skip

    return add


def runs_of_duct(*runs: dict[str, Any]) -> Extra:
    """Runs of duct as measured up."""
    return lambda request, solution: request["equipment"].update(duct_runs=list(runs))


def wheel_speed(table_speed: float) -> Extra:
    """The table's speed of the setting, rpm, and what a tachometer shows in the state solved."""

    def add(request: Request, solution: Solution) -> None:
        request["equipment"]["blower"]["table_speed"] = {"value": table_speed, "unit": "{rotation}/min"}
        shown = round(table_speed * solution.faults.blower_speed)
        request["readings"].append(
            {
                "kind": "rotational_speed", "value": {"value": shown, "unit": "{rotation}/min"},
                "state": solution.operation.mode,
            }
        )  # fmt: skip

    return add


def run_capacitor(rated: float, read: float) -> Extra:
    """The run capacitor's label and what a meter shows of it, uF."""

    def add(request: Request, solution: Solution) -> None:
        request["equipment"]["blower"]["run_capacitance"] = {"value": rated, "unit": "uF"}
        request["readings"].append({"kind": "capacitance", "value": {"value": read, "unit": "uF"}})

    return add
