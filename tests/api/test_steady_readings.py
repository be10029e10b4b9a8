"""Samples to a settled value: answered without being kept, two hours at once, refused with pointers."""

from collections.abc import Callable
from typing import Any

import pytest

GUSTY = [-3.1, -5.9, -1.2, -7.4, -2.0, -4.4, 0.3, -6.1, -3.9, -1.3]
"""Pa: mean -3.5, standard deviation 2.49 (worked with scipy)."""
FINE = {"share_of_reading": 0.0, "floor": 0.2, "resolution": 0.1, "unit": "Pa"}


def series(values: list[float], unit: str = "Pa", kind: str = "zone_pressure", **more: Any) -> dict[str, Any]:
    return {"series": {"kind": kind, "unit": unit, "interval_seconds": 1.0, "values": values, **more}}


def test_a_gusty_series(post: Callable[..., Any], ours: Any) -> None:
    answer = post("/v1/steady-readings", series(GUSTY, accuracy=FINE), ours.writing)
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert body["value"] == {"value": pytest.approx(-3.5), "unit": "Pa"}
    assert body["standard_deviation"]["value"] == pytest.approx(2.49, abs=0.005)
    assert (body["verdict"], body["settled"], body["dominated_by"]) == ("scattered", False, "gusts")
    assert body["further_time"]["value"] > 60
    assert "location" not in answer.headers


def test_two_hours_of_one_second_samples(post: Callable[..., Any], ours: Any) -> None:
    """7200 samples in one body, below the usual limit of a body."""
    values = [round(12.0 + 0.1 * ((7 * place) % 5 - 2), 1) for place in range(7200)]
    body = post("/v1/steady-readings", series(values), ours.writing).json()
    assert body["settled"]
    assert body["samples"] == 7200
    assert body["duration"] == {"value": 7199.0, "unit": "s"}
    assert body["value"]["value"] == pytest.approx(12.0, abs=1e-3)


def test_answers_are_in_the_unit_of_the_samples(post: Callable[..., Any], ours: Any, theirs: Any) -> None:
    degrees = series([70.0, 70.2, 70.1, 70.3, 70.1], "degF", "dry_bulb_temperature")
    for account in (ours, theirs):
        body = post("/v1/steady-readings", degrees, account.writing).json()
        assert body["value"] == {"value": pytest.approx(70.14), "unit": "[degF]"}
        assert body["expanded_uncertainty"]["unit"] == "[degR]"


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        (series([1.0, 2.0, 3.0]), "#/series/values", "too_few"),
        (series([1.0] * 7201), "#/series/values", "too_many"),
        (series(GUSTY, unit="degF"), "#/series/unit", "unknown_unit"),
        (series(GUSTY, kind="static_presure"), "#/series/kind", "unknown_value"),
        ({**series(GUSTY), "ruleset": "9.9.9"}, "#/ruleset", "ruleset_not_installed"),
        ({"series": {"kind": "airflow"}}, "#/series/unit", "missing_field"),
    ],
)
def test_what_cannot_be_read_is_named(
    post: Callable[..., Any], ours: Any, body: dict[str, Any], pointer: str, code: str
) -> None:
    answer = post("/v1/steady-readings", body, ours.writing)
    assert answer.status_code == 422
    assert (pointer, code) in {(fault["pointer"], fault["code"]) for fault in answer.json()["errors"]}


def test_it_needs_a_key_that_may_judge(post: Callable[..., Any], ours: Any) -> None:
    assert post("/v1/steady-readings", series(GUSTY), {}).status_code == 401
    assert post("/v1/steady-readings", series(GUSTY), ours.reading).status_code == 403
