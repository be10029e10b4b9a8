"""Projections over HTTP: answered and not kept, in either unit system, with every fault of the body at once."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from litestar import Litestar
from litestar.testing import TestClient

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "projections" / "filter_coil_and_return.json"


def body() -> Any:
    return json.loads(EXAMPLE.read_bytes())


def test_changes_are_projected_and_nothing_is_kept(
    client: TestClient[Litestar], post: Callable[..., Any], account: Callable[..., Any]
) -> None:
    someone = account()
    answer = post("/v1/projections", body(), someone.full)
    assert answer.status_code == 200, answer.text
    cooling = next(context for context in answer.json()["contexts"] if context["context"]["state"] == "cooling")
    (airflow,) = [entry for entry in cooling["each"][0]["quantities"] if entry["name"] == "airflow"]
    assert airflow["after"]["value"] > airflow["before"]["value"]
    assert airflow["after"]["unit"] == "[cft_i]/min"
    assert cooling["together"]["changes"]
    assert "null" not in answer.text
    assert client.get("/v1/evaluations", headers=someone.full).json() == {"items": []}


def test_the_visits_unit_system_counts(post: Callable[..., Any], ours: Any) -> None:
    asked = body()
    asked["visit"]["units"] = "si"
    answer = post("/v1/projections", asked, ours.full).json()
    assert answer["units"] == "si"
    assert answer["contexts"][0]["each"][0]["quantities"][0]["after"]["unit"] == "m3/h"


def test_every_fault_is_told_with_its_place(post: Callable[..., Any], ours: Any) -> None:
    asked = body()
    asked["changes"][0] = {"kind": "paint_the_ducts"}
    asked["changes"][2]["diameter"]["unit"] = "furlong"
    asked["visit"]["ruleset"] = "99.0.0"
    answer = post("/v1/projections", asked, ours.full)
    assert answer.status_code == 422
    faults = {(fault["pointer"], fault["code"]) for fault in answer.json()["errors"]}
    assert faults == {
        ("#/changes/0/kind", "unknown_value"),
        ("#/changes/2/diameter/unit", "unknown_unit"),
        ("#/visit/ruleset", "ruleset_not_installed"),
    }


def test_a_key_is_needed(post: Callable[..., Any], ours: Any) -> None:
    assert post("/v1/projections", body(), {}).status_code == 401
    assert post("/v1/projections", body(), ours.reading).status_code == 403
