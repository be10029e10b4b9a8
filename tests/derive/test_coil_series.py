"""A coil that closes while it is logged: against the houses it was simulated in, and against sampled noise."""

from __future__ import annotations

import copy
import datetime
from typing import Any

import numpy as np
import pytest

from tests.derive.sheets import sheet
from tests.visits.healthy import ROOT
from tests.visits.icing_faults import VISITS, documents, inches

NAME = "coil_pressure_drop_rise"
BY_ID = {visit.id: visit for visit in VISITS}
START = datetime.datetime.fromisoformat("2026-07-14T13:30:00-06:00")


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_the_rise_is_that_of_the_house(visit: Any) -> None:
    """A line through a drop that grows ever slower starts too high and ends too high; its ends know it as doubt."""
    history = visit.solutions()
    assert history[-1].blower_flow < history[0].blower_flow
    found = sheet(visit.request()).quantities[NAME]
    true = inches(history[-1]) / inches(history[0])
    assert abs(found.value - true) < 2.5 * found.uncertainty + 0.005


def logged(values: list[float], **changes: Any) -> dict[str, Any]:
    """The visit with another series across the coil, in. of water."""
    request = copy.deepcopy(BY_ID["coil_gets_wet_1600_m"].request())
    reading = request["readings"][0]
    reading["samples"]["values"] = values
    reading["value"]["value"] = sum(values) / len(values)
    request["states"][0].update(changes)
    return request


def test_turning_the_hoses_round_changes_nothing() -> None:
    plain = BY_ID["coil_ices_over_1600_m"].request()
    turned = copy.deepcopy(plain)
    reading = turned["readings"][0]
    reading["input_station"], reading["reference_station"] = reading["reference_station"], reading["input_station"]
    reading["value"]["value"] *= -1.0
    reading["samples"]["values"] = [-value for value in reading["samples"]["values"]]
    one, other = (sheet(request).quantities[NAME] for request in (plain, turned))
    assert other.value == pytest.approx(one.value)
    assert other.uncertainty == pytest.approx(one.uncertainty)


def test_the_noise_of_the_samples_is_not_underrated() -> None:
    """Over many draws of the noise the ratio scatters less than it is said to: an end counts as one sample."""
    chance = np.random.default_rng(7)
    line = np.linspace(0.10, 0.14, 21)
    found = [
        sheet(logged([float(value) for value in line + 0.003 * chance.standard_normal(21)])).quantities[NAME]
        for _ in range(60)
    ]
    scatter = float(np.std([quantity.value for quantity in found], ddof=1))
    assert np.mean([quantity.value for quantity in found]) == pytest.approx(1.4, abs=0.02)
    # An end of a straight line through n samples scatters by 2 / sqrt(n) of one sample: 0.44 for 21.
    assert 0.3 < scatter / np.median([quantity.uncertainty for quantity in found]) < 0.75


@pytest.mark.parametrize(
    "changes", [{"mode": "heating"}, {"coil_surface": "dry"}, {"mode": "fan_only"}, {"blower": "off"}]
)
def test_only_a_wet_coil_while_cooling_can_close_by_ice(changes: dict[str, Any]) -> None:
    assert NAME in sheet(logged([0.1 + 0.002 * i for i in range(21)])).quantities
    assert NAME not in sheet(logged([0.1 + 0.002 * i for i in range(21)], **changes)).quantities


def test_a_short_series_tells_nothing() -> None:
    request = logged([0.1 + 0.002 * i for i in range(21)])
    request["readings"][0]["samples"]["interval_seconds"] = 20.0
    assert NAME not in sheet(request).quantities


@pytest.mark.parametrize(("minutes", "known"), [(9.0, False), (12.0, True)])
def test_two_readings_that_say_when_they_were_taken(minutes: float, known: bool) -> None:
    request = logged([0.1] * 21)
    first = request["readings"][0]
    del first["samples"]
    first["taken_at"] = START.isoformat()
    later = copy.deepcopy(first)
    later["taken_at"] = (START + datetime.timedelta(minutes=minutes)).isoformat()
    later["value"]["value"] = 0.18
    request["readings"].append(later)
    worked = sheet(request)
    assert (NAME in worked.quantities) == known
    if known:
        assert worked.quantities[NAME].value == pytest.approx(1.8)
        # One gauge: its scale drops out; zero (part of 0.002 in.) and resolution (0.001 in.) are what is left.
        assert 0.003 < worked.quantities[NAME].uncertainty < 0.015
        later["instrument"] = "another"
        request["instruments"].append({**request["instruments"][0], "id": "another"})
        assert NAME not in sheet(request).quantities
