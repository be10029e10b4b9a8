"""Readings moved within the stated accuracy of their instruments.

Each instrument draws one zero error and one scale error, shared by everything it reads, and each reading an error of
its own. The three together never leave the accuracy, plus or minus a share of the reading or a floor, whichever is
larger: a tenth of it is left to the single reading, the rest is split between the parts that the maker states.
Then the display rounds to its resolution. Python's own generator keeps its sequence across versions.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from typing import Any

Request = dict[str, Any]

SAME_STEP = {"[degR]": "[degF]", "K": "Cel"}
"""Unit of an accuracy -> unit of a reading with the same step."""

CLASSES: dict[str, dict[str, Any]] = {
    "airflow": {"share_of_reading": 0.07, "floor": 0.0, "resolution": 1.0, "unit": "[cft_i]/min"},
    "dry_bulb_temperature": {"share_of_reading": 0.0, "floor": 0.5, "resolution": 0.1, "unit": "[degR]"},
    "static_pressure": {"share_of_reading": 0.01, "floor": 0.002, "resolution": 0.001, "unit": "[in_i'H2O]"},
    "zone_pressure": {"share_of_reading": 0.01, "floor": 0.2, "resolution": 0.1, "unit": "Pa"},
    "draft_pressure": {"share_of_reading": 0.01, "floor": 0.2, "resolution": 0.1, "unit": "Pa"},
    "duct_leakage": {"share_of_reading": 0.03, "floor": 0.0, "resolution": 1.0, "unit": "[cft_i]/min"},
    "envelope_leakage": {"share_of_reading": 0.03, "floor": 0.0, "resolution": 1.0, "unit": "[cft_i]/min"},
    "ventilation_airflow": {"share_of_reading": 0.05, "floor": 2.0, "resolution": 1.0, "unit": "[cft_i]/min"},
    "register_airflow": {"share_of_reading": 0.05, "floor": 2.0, "resolution": 1.0, "unit": "[cft_i]/min"},
    "carbon_monoxide": {"share_of_reading": 0.05, "floor": 2.0, "resolution": 1.0, "unit": "[ppm]"},
    "flue_carbon_monoxide": {"share_of_reading": 0.05, "floor": 5.0, "resolution": 1.0, "unit": "[ppm]"},
    "combustible_gas": {"share_of_reading": 0.10, "floor": 0.1, "resolution": 0.1, "unit": "%"},
    "rotational_speed": {"share_of_reading": 0.001, "floor": 1.0, "resolution": 1.0, "unit": "{rotation}/min"},
    "velocity_traverse": {"share_of_reading": 0.02, "floor": 0.5, "resolution": 0.1, "unit": "Pa"},
    "station_pressure": {"share_of_reading": 0.0, "floor": 1.0, "resolution": 0.1, "unit": "hPa"},
    "current": {"share_of_reading": 0.02, "floor": 0.1, "resolution": 0.1, "unit": "A"},
    "capacitance": {"share_of_reading": 0.02, "floor": 0.05, "resolution": 0.01, "unit": "uF"},
}
"""Field accuracy by kind of reading where a visit leaves it out (from memory; it is then stated in the request)."""


def stated(request: Request) -> Request:
    """A copy in which every reading has a stated accuracy, its own or its instrument's."""
    told: Request = json.loads(json.dumps(request))
    instruments = {entry["id"]: entry for entry in told.get("instruments", [])}
    for reading in told["readings"]:
        instrument = instruments.get(reading.get("instrument"), {})
        if "accuracy" not in reading and "accuracy" not in instrument and reading["kind"] in CLASSES:
            reading["accuracy"] = dict(CLASSES[reading["kind"]])
    return told


def perturbed(request: Request, seed: object) -> Request:
    """A copy of the request with every reading moved.

    Raises
    ------
    LookupError : a reading that is a number has no stated accuracy in its own unit
    """
    moved: Request = json.loads(json.dumps(request))
    instruments = {entry["id"]: entry for entry in moved.get("instruments", [])}
    noise = random.Random(f"{seed}/readings")
    drawn: dict[object, tuple[float, float]] = {}
    for index, reading in enumerate(moved["readings"]):
        if reading["kind"] == "spillage":
            continue  # seen, not measured
        if reading["kind"] == "gas_meter":
            reading["seconds"] = round(reading["seconds"] + noise.uniform(-0.5, 0.5), 1)  # a hand on a stop watch
            continue
        accuracy = reading.get("accuracy") or instruments.get(reading.get("instrument"), {}).get("accuracy")
        if accuracy is None:
            raise LookupError(f"the accuracy of reading {index}, {reading['kind']}, is not stated")
        name = reading.get("instrument") or reading["kind"]
        if name not in drawn:
            draw = random.Random(f"{seed}/{name}")
            drawn[name] = draw.uniform(-1.0, 1.0), draw.uniform(-1.0, 1.0)
        _move(reading, _error(accuracy, drawn[name], noise), accuracy)
    return moved


def _error(accuracy: dict[str, Any], drawn: tuple[float, float], noise: random.Random) -> Callable[[float, str], float]:
    share, floor = accuracy.get("share_of_reading", 0.0), accuracy.get("floor", 0.0)
    step, unit = accuracy.get("resolution", 0.0), accuracy["unit"]
    part = 0.9 / max(1, (share > 0.0) + (floor > 0.0))
    digits = max(0, math.ceil(-math.log10(step) - 1e-9)) if step else 6

    def shown(value: float, of: str) -> float:
        if SAME_STEP.get(unit, unit) != of:
            raise LookupError(f"a reading in {of} has its accuracy in {unit}")
        own = 0.1 * noise.uniform(-1.0, 1.0) * max(share * abs(value), floor)
        moved = value + part * (drawn[0] * floor + drawn[1] * share * value) + own
        return round(round(moved / step) * step, digits) + 0.0 if step else moved

    return shown


def _move(reading: dict[str, Any], shown: Callable[[float, str], float], accuracy: dict[str, Any]) -> None:
    if "points" in reading:
        for point in reading["points"]:
            point["airflow"]["value"] = shown(point["airflow"]["value"], point["airflow"]["unit"])
        return
    if "velocity_pressures" in reading:
        series = reading["velocity_pressures"]
        series["values"] = [max(0.0, shown(value, series["unit"])) for value in series["values"]]
        return
    unit = reading["value"]["unit"]
    if "samples" in reading:
        values = [shown(value, unit) for value in reading["samples"]["values"]]
        reading["samples"]["values"] = values
        reading["value"]["value"] = round(sum(values) / len(values), 4)
        return
    reading["value"]["value"] = shown(reading["value"]["value"], unit)
