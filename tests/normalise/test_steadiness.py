"""Sample series in a visit and by themselves: settled value, what is left out, what dominates, how long to go on."""

from __future__ import annotations

import math
from typing import Any, get_args

import msgspec
import numpy as np
import pytest

from service.model.visit import SteadyReading
from service.normalise import steady_reading
from service.normalise.accuracy import READING_DIMENSIONS
from service.wire.request import SERIES_DIMENSIONS, AnySeries, SteadyReadingRequest
from tests.derive.sheets import PREPARED, reading, request, sheet

GAUGE = {"share_of_reading": 0.01, "floor": 1.0, "resolution": 0.1, "unit": "Pa"}
STEADY = [0.512, 0.509, 0.511, 0.510, 0.513, 0.508, 0.511, 0.510, 0.512, 0.509]
DRIFT = [0.48, 0.486, 0.491, 0.497, 0.503, 0.507, 0.514, 0.519, 0.526, 0.531]
GUSTY = [-3.1, -5.9, -1.2, -7.4, -2.0, -4.4, 0.3, -6.1, -3.9, -1.3]


def settled(values: list[float], unit: str = "Pa", kind: str = "static_pressure", **more: Any) -> SteadyReading:
    tree = {"series": {"kind": kind, "unit": unit, "interval_seconds": 1.0, "values": values, **more}}
    return steady_reading(msgspec.convert(tree, SteadyReadingRequest), PREPARED.ruleset, PREPARED.units)


@pytest.mark.parametrize(
    ("values", "unit", "verdict", "dominated_by"),
    [(STEADY, "inH2O", "settled", None), (DRIFT, "inH2O", "drifting", "drift"), (GUSTY, "Pa", "scattered", "gusts")],
)
def test_published_vectors(values: list[float], unit: str, verdict: str, dominated_by: str | None) -> None:
    """Mean .5105 and slope p .68; slope .00566 a sample; Pa of mean -3.5 and deviation 2.49 (computed with scipy)."""
    fine = {"share_of_reading": 0.0, "floor": 0.004, "resolution": 0.001, "unit": "inH2O"}
    said = settled(values, unit, accuracy=fine if unit == "inH2O" else {**GAUGE, "floor": 0.5})
    assert (said.steadiness.verdict, said.steadiness.dominated_by) == (verdict, dominated_by)
    assert said.value / (249.08891 if unit == "inH2O" else 1.0) == pytest.approx(np.mean(values))


def test_two_hours_of_one_second_samples() -> None:
    """A zero-mean swell of a minute and flutter around 12 Pa: the mean is found within twice what is said of it."""
    chance = np.random.default_rng(7)
    values = [12.0 + math.sin(2 * math.pi * s / 60.0) + float(chance.standard_normal()) for s in range(7200)]
    said = settled(values, accuracy=GAUGE)
    assert said.steadiness.settled
    assert said.steadiness.samples == 7200
    assert said.steadiness.duration == 7199.0
    assert abs(said.value - 12.0) < 2.0 * said.uncertainty


def test_one_slammed_door_is_left_out_and_said() -> None:
    values = [10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 10.0] * 3
    values[17] = 60.0
    said = settled(values, accuracy=GAUGE)
    assert said.value == pytest.approx(10.0, abs=0.02)
    assert said.steadiness.left_out == 1
    assert said.steadiness.mean == pytest.approx(np.mean(values))
    assert said.steadiness.median == 10.0


def test_many_that_stand_apart_are_how_the_air_behaves() -> None:
    values = [10.0, 10.1, 9.9, 10.0, 30.0, 10.1, 9.9, 25.0, 10.1, 9.9] * 2
    said = settled(values, accuracy=GAUGE)
    assert said.steadiness.left_out == 0
    assert said.value == pytest.approx(np.mean(values))
    assert said.steadiness.dominated_by == "gusts"


def test_going_on_for_as_long_as_told_settles_a_gusty_reading() -> None:
    """White gusts of deviation 4 Pa against 0.5 Pa want 64 samples; told from 10 of them, within a factor of 3."""
    chance = np.random.default_rng(11)
    told = [
        settled([4.0 * float(g) for g in chance.standard_normal(10)], accuracy={**GAUGE, "floor": 0.5})
        for _ in range(40)
    ]
    waits = [said.steadiness.further_seconds for said in told if not said.steadiness.settled]
    assert 64 / 3 < 10 + float(np.median([wait for wait in waits if wait is not None])) < 64 * 3


@pytest.mark.parametrize("kind", sorted(str(arm.__struct_config__.tag) for arm in get_args(AnySeries)))
def test_every_kind_of_reading_with_one_number_may_be_sampled(kind: str) -> None:
    arm = next(arm for arm in get_args(AnySeries) if arm.__struct_config__.tag == kind)
    assert SERIES_DIMENSIONS[arm] == READING_DIMENSIONS[kind]
    unit = next(iter(PREPARED.units.scales[SERIES_DIMENSIONS[arm]]))
    said = settled([1.0, 1.0, 1.0, 1.0], unit, kind)
    assert said.steadiness.settled
    assert said.uncertainty > 0.0
    assert said.tolerance > 0.0


def test_the_answer_does_not_depend_on_the_unit() -> None:
    inches = settled(DRIFT, "inH2O")
    pascals = settled([249.08891 * value for value in DRIFT], "Pa")
    assert pascals.value == pytest.approx(inches.value)
    assert pascals.uncertainty == pytest.approx(inches.uncertainty)
    assert pascals.steadiness.further_seconds == pytest.approx(inches.steadiness.further_seconds)
    degrees = [70.0, 70.4, 70.1, 70.3, 70.2, 70.0]
    fahrenheit = settled(degrees, "[degF]", "dry_bulb_temperature")
    kelvin = settled([(d - 32.0) / 1.8 + 273.15 for d in degrees], "K", "dry_bulb_temperature")
    assert kelvin.value == pytest.approx(fahrenheit.value)
    assert kelvin.uncertainty == pytest.approx(fahrenheit.uncertainty)


def test_a_series_in_a_visit_says_the_same_and_names_its_reading() -> None:
    series = {"interval_seconds": 1.0, "values": GUSTY}
    gusty = reading(
        "static_pressure", -3.5, "Pa", station="supply_plenum", samples=series, accuracy={**GAUGE, "floor": 0.5}
    )
    found = sheet(request(gusty))
    alone = settled(GUSTY, accuracy={**GAUGE, "floor": 0.5})
    assert found.readings[0].steadiness == alone.steadiness
    assert {"reading.scattered", "reading.gusty"} <= found.observations
    entry = found.quantities["further_sampling_time"]
    assert entry.value == alone.steadiness.further_seconds
    assert entry.subject == "reading.0"


def test_no_series_no_entry() -> None:
    found = sheet(request(reading("static_pressure", 20.0, "Pa", station="supply_plenum")))
    assert "further_sampling_time" not in {*found.quantities, *found.lacking}
    assert not {token for token in found.observations if token.startswith("reading.")}
