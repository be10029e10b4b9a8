"""Earlier visits that a request brings: put in order, or set aside with a pointer into the right visit."""

from __future__ import annotations

import copy
from typing import Any

import msgspec
import pytest

from service.model.visit import Visit
from service.normalise import normalise
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED
from tests.visits.history_faults import VISITS

BY_ID = {visit.id: visit for visit in VISITS}


def request() -> dict[str, Any]:
    """Four visits to one filter."""
    return copy.deepcopy(BY_ID["filter_loads_fast_1600_m"].request())


def normal(payload: dict[str, Any]) -> Visit:
    decoded = msgspec.convert(payload, EvaluationRequest, strict=False)
    return normalise(decoded, PREPARED.ruleset, PREPARED.units)


def asides(visit: Visit) -> set[tuple[str, str]]:
    return {(aside.pointer, aside.code) for aside in visit.set_aside}


def test_visits_are_put_in_order_of_time() -> None:
    payload = request()
    payload["earlier_visits"].reverse()
    visit = normal(payload)
    moments = [earlier.visited_at for earlier in visit.earlier]
    assert len(moments) == 3
    assert moments == sorted(moments)  # type: ignore[type-var]
    assert visit.set_aside == ()


@pytest.mark.parametrize(
    ("changes", "pointer", "code"),
    [
        ({"visited_at": None}, "#/earlier_visits/1/visited_at", "visit_undated"),
        ({"visited_at": "2026-07-14T14:00:00-06:00"}, "#/earlier_visits/1/visited_at", "visit_not_earlier"),
        ({"visited_at": "2027-01-01T00:00:00Z"}, "#/earlier_visits/1/visited_at", "visit_not_earlier"),
        ({"visited_at": "2026-06-30T14:00:00-06:00"}, "#/earlier_visits/1/visited_at", "visit_moment_taken"),
    ],
)
def test_a_visit_that_has_no_place_before_is_set_aside(changes: dict[str, Any], pointer: str, code: str) -> None:
    payload = request()
    for name, value in changes.items():
        if value is None:
            del payload["earlier_visits"][1][name]
        else:
            payload["earlier_visits"][1][name] = value
    visit = normal(payload)
    assert asides(visit) == {(pointer, code)}
    assert len(visit.earlier) == 2


def test_a_visit_to_another_equipment_is_set_aside() -> None:
    payload = request()
    payload["earlier_visits"][2]["equipment"]["reference"] = "another"
    assert asides(normal(payload)) == {("#/earlier_visits/2/equipment/reference", "other_equipment")}


def test_without_a_date_of_its_own_nothing_comes_before_a_visit() -> None:
    payload = request()
    del payload["visited_at"]
    visit = normal(payload)
    assert visit.earlier == ()
    assert asides(visit) == {(f"#/earlier_visits/{index}", "visit_order_unknown") for index in range(3)}


def test_what_an_earlier_visit_cannot_use_points_into_it() -> None:
    payload = request()
    payload["earlier_visits"][1]["readings"][0]["station"] = "after.accessory"
    payload["readings"][1]["station"] = "after.accessory"
    visit = normal(payload)
    assert asides(visit) == {
        ("#/readings/1/station", "unknown_location"),
        ("#/earlier_visits/1/readings/0/station", "unknown_location"),
    }
    assert all(earlier.set_aside == () for earlier in visit.earlier)


def test_work_after_the_visit_that_states_it_is_taken_as_undated() -> None:
    payload = request()
    payload["work_done"] = [{"kind": "coil_cleaned", "done_on": "2026-07-15"}, {"kind": "other"}]
    visit = normal(payload)
    assert asides(visit) == {("#/work_done/0/done_on", "work_after_visit")}
    assert [(work.kind, work.done_on) for work in visit.work] == [("coil_cleaned", None), ("other", None)]
