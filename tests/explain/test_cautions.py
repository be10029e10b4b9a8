"""Cautions of whole visits: what the equipment brings up by itself, whatever was read."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from service.explain import cautions_of
from service.model.evaluation import ContextResult
from service.pipeline import evaluate, load
from service.ruleset import rules_folder
from service.wire.request import EvaluationRequest

PREPARED = load().current
HEALTHY = rules_folder() / "cases" / "healthy"


def told(visit: str, **changed: Any) -> frozenset[str]:
    """Codes of the cautions of a healthy visit, its equipment changed."""
    request = msgspec.json.decode((HEALTHY / f"{visit}.json").read_bytes())
    for name, value in changed.items():
        if value is None:
            request["equipment"].pop(name, None)
        else:
            request["equipment"][name] = value
    evaluation = evaluate(msgspec.convert(request, EvaluationRequest), PREPARED)
    assert all(caution.title and caution.checked for caution in evaluation.cautions)
    return frozenset(caution.code for caution in evaluation.cautions)


GAS = {"combustion_spillage", "gas_smell", "gas_burner_adjustment", "limits_never_bypassed"}


@pytest.mark.parametrize(
    ("visit", "there", "absent"),
    [
        ("furnace_sea_level", {*GAS, "capacitor_charge", "refrigerant"}, {"roof_and_outdoor_cabinet", "hot_water"}),
        (
            "air_handler_sea_level",
            {"capacitor_charge", "refrigerant", "limits_never_bypassed", "hot_surfaces"},
            {"belts_and_sheaves", "gas_burner_adjustment"},
        ),
        ("packaged_sea_level", {"refrigerant", "roof_and_outdoor_cabinet"}, {"hot_water"}),
        ("ducted_metric_sea_level", {"refrigerant"}, {*GAS, "roof_and_outdoor_cabinet", "belts_and_sheaves"}),
        ("belt_driven_sea_level", {"belts_and_sheaves", "roof_and_outdoor_cabinet"}, {"capacitor_charge"}),
    ],
)
def test_equipment_brings_its_cautions_to_every_visit(visit: str, there: set[str], absent: set[str]) -> None:
    codes = told(visit)
    assert {"data_is_advisory", "energised_and_moving_parts"} | there <= codes
    assert not absent & codes


def test_a_heat_exchanger_tells_of_gas_where_no_rating_was_given() -> None:
    assert told("furnace_sea_level", gas_heat=None) >= GAS


def test_a_blower_of_unknown_kind_may_hold_a_charge() -> None:
    assert "capacitor_charge" in told("belt_driven_sea_level", blower=None)


def test_an_accessory_in_the_path_brings_its_cautions() -> None:
    path = ["return_grille", "return_duct", "filter", "accessory", "blower", "heat_exchanger", "coil", "supply_duct"]
    with_accessory = told("furnace_sea_level", air_path=[{"kind": kind} for kind in [*path, "register"]])
    assert {"high_voltage_air_cleaner", "ultraviolet_lamp"} <= with_accessory
    assert not {"high_voltage_air_cleaner", "ultraviolet_lamp"} & told("furnace_sea_level")


def test_nothing_judged_brings_only_what_holds_always() -> None:
    contexts: list[ContextResult] = []
    assert [caution.code for caution in cautions_of(PREPARED.ruleset, contexts)] == ["data_is_advisory"]
