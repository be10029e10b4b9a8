"""Hidden faults are varied, told by physics alone, and found; healthy houses stay healthy."""

from __future__ import annotations

import ast
import json
from collections import Counter
from pathlib import Path

import pytest

from service.pipeline import Prepared, prepare
from service.ruleset import load_ruleset, rules_folder
from tests.faults.confusion import FAULTS, KEPT, LEAST, Row, found, kept, row, summary, table
from tests.faults.hidden import HiddenFault
from tests.faults.perturbing import perturbed, stated
from tests.faults.steadfast import invented
from tests.visits.healthy import VISITS, Visit

TESTS = Path(__file__).parents[1]
JUDGING = {"confusion.py", "steadfast.py"}
"""Modules that ask the service; all others only make visits."""
FEW = 3


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(load_ruleset(rules_folder()))


def test_visits_are_made_without_the_service() -> None:
    """Nothing that makes a visit imports what judges it."""
    makers = [
        path
        for folder in ("visits", "faults")
        for path in (TESTS / folder).glob("*.py")
        if path.name not in JUDGING and not path.name.startswith("test_")
    ]
    assert len(makers) >= 18
    for path in makers:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] == "service"], path


def test_faults_are_many_and_of_many_houses(prepared: Prepared) -> None:
    assert len(FAULTS) >= 40
    assert len({fault.id for fault in FAULTS}) == len(FAULTS)
    assert len({fault.cause for fault in FAULTS}) >= 30
    requests = [fault.exact for fault in FAULTS]
    assert len({request["equipment"]["arrangement"] for request in requests}) >= 4
    assert len({request["equipment"].get("blower", {}).get("kind") for request in requests}) >= 5
    heights = [
        request["site"]["elevation"]["value"] * (0.3048 if request["units"] == "ip" else 1.0) for request in requests
    ]
    for low, high in ((-10, 10), (1500, 1700), (2100, 3000)):
        assert sum(low <= height <= high for height in heights) >= 2
    assert min(Counter(request["units"] for request in requests).values()) >= 5
    assert sum(bool(fault.hazards) for fault in FAULTS) >= 4


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.id)
def test_causes_are_the_vocabularys(fault: HiddenFault, prepared: Prepared) -> None:
    assert {fault.cause, *fault.named_as, *fault.also} <= set(prepared.ruleset.causes)
    assert bool(fault.also) == bool(fault.because), "a cause that cannot be told apart needs its reason"
    concluded = {rule.concludes or rule.id for rule in prepared.ruleset.diagnoses.values()}
    assert fault.hazards <= concluded


def test_readings_move_within_their_accuracy() -> None:
    exact = FAULTS[0].exact
    instruments = {entry["id"]: entry for entry in exact["instruments"]}
    moved = [perturbed(exact, seed) for seed in range(30)]
    assert perturbed(exact, 1) == moved[1]
    for place, reading in enumerate(exact["readings"]):
        accuracy = reading.get("accuracy") or instruments[reading["instrument"]]["accuracy"]
        value = reading["value"]["value"]
        limit = max(accuracy["share_of_reading"] * abs(value), accuracy["floor"]) + 0.5 * accuracy["resolution"]
        errors = [request["readings"][place]["value"]["value"] - value for request in moved]
        assert max(map(abs, errors)) <= limit + 1e-9
        assert min(errors) < 0.0 < max(errors)
        assert max(map(abs, errors)) > 0.4 * (limit - accuracy["resolution"])


def test_one_gauge_errs_alike_at_every_station() -> None:
    """The error of a difference of two readings of one gauge is far below that of the readings."""
    exact = FAULTS[0].exact
    places = [i for i, reading in enumerate(exact["readings"]) if reading["kind"] == "static_pressure"][:2]
    first, second = (exact["readings"][place]["value"]["value"] for place in places)
    common, between = [], []
    for seed in range(60):
        one, two = (perturbed(exact, seed)["readings"][place]["value"]["value"] for place in places)
        common.append(abs((one - first) + (two - second)))
        between.append(abs((one - first) - (two - second)))
    assert sum(between) < sum(common)


def test_an_accuracy_that_is_not_stated_is_refused() -> None:
    request = json.loads(json.dumps(FAULTS[0].visit()))
    request["readings"][0].pop("instrument")
    with pytest.raises(LookupError, match="not stated"):
        perturbed(request, 1)
    assert perturbed(stated(request), 1)["readings"]


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_nothing_grave_is_invented_about_a_healthy_house(visit: Visit, prepared: Prepared) -> None:
    result = invented(visit, prepared, FEW)
    assert result.judged == FEW
    assert not result.graver
    assert not result.advisories


def test_a_wrong_name_is_noticed() -> None:
    """What counts as found, and what the table then says."""
    fault = next(fault for fault in FAULTS if fault.also)
    assert found(fault, frozenset({fault.cause}))
    assert found(fault, frozenset({fault.cause, fault.also[0]}))
    for first in (set(), {fault.also[0]}, {fault.cause, "gas_leak"}, {"gas_leak"}):
        assert not found(fault, frozenset(first))
    sound = Row(fault, judged=100, found=95)
    assert sound.sound()
    for unsound in (
        Row(fault, judged=100, found=94, instead=Counter({"gas_leak": 6})),
        Row(fault, judged=100, found=100, missed=Counter({"flue_gas_spills": 1})),
        Row(fault, judged=100, found=100, invented=Counter({"flue_gas_spills": 1})),
    ):
        assert not unsound.sound()
        assert "gas_leak" in table([unsound]) or "flue_gas_spills" in table([unsound])


def test_the_hidden_fault_is_named_first(prepared: Prepared) -> None:
    """A few perturbations here; the command takes all of them and holds every fault to the least share."""
    rows = [row(fault, prepared, FEW) for fault in FAULTS]
    assert sum(entry.found for entry in rows) >= LEAST * sum(entry.judged for entry in rows)
    assert not [entry.fault.id for entry in rows if entry.missed or entry.invented]


def test_the_summary_is_kept_between_its_marks() -> None:
    rows = [Row(FAULTS[0], judged=100, found=99, instead=Counter({"gas_leak": 1}))]
    told = summary(rows)
    assert "99" in told
    assert "gas_leak (1)" in told
    text = KEPT.read_text(encoding="utf-8")
    assert kept(text, told) != text
    assert told in kept(text, told)
    assert f"{len(FAULTS)} hidden faults, {100 * len(FAULTS)} visits" in text
