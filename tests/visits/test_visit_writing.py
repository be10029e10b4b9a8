"""Instruments show, requests carry and mistakes spoil what they say; committed visits are the generator's own."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.wire.request import EvaluationRequest
from tests.visits import mistakes
from tests.visits.healthy import EXAMPLE, EXAMPLE_VISIT, HEALTHY, ROOT, VISITS, documents
from tests.visits.house import CFM, INCH, TON, solve
from tests.visits.instruments import kit
from tests.visits.library import HOUSES, cooling, fan_only, heating
from tests.visits.writing import Request, Run, write_visit

DECODER = msgspec.json.Decoder(EvaluationRequest)


@pytest.fixture(scope="module")
def written() -> dict[Path, str]:
    return documents()


def test_committed_files_are_a_fresh_run(written: dict[Path, str]) -> None:
    for path, text in written.items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, f"{path}: run python -m tests.visits.healthy"
    assert {path.name for path in (ROOT / HEALTHY).iterdir()} == {
        path.name for path in written if path.parent == HEALTHY
    }


def test_every_visit_is_a_request(written: dict[Path, str]) -> None:
    requests = [path for path in written if path.suffix == ".json"]
    assert len(requests) == len(VISITS) + 1 >= 11
    for path in requests:
        assert DECODER.decode(written[path].encode()).readings, path


def measures(node: Any) -> Iterator[tuple[float, str]]:
    if isinstance(node, dict):
        if set(node) == {"value", "unit"}:
            yield node["value"], node["unit"]
        for child in node.values():
            yield from measures(child)
    elif isinstance(node, list):
        for child in node:
            yield from measures(child)


def test_every_unit_is_in_the_vocabulary(written: dict[Path, str]) -> None:
    vocabulary = tomllib.loads((ROOT / "rules/vocabulary/units.toml").read_text(encoding="utf-8"))
    codes = {unit["code"] for dimension in vocabulary.values() for unit in dimension["unit"]}
    for path, text in written.items():
        if path.suffix == ".json":
            request = json.loads(text)
            units = {unit for _, unit in measures(request)}
            units |= {entry["accuracy"]["unit"] for entry in request["instruments"] if "accuracy" in entry}
            assert units <= codes, path


def test_collection_spans_sites_modes_blowers_and_units() -> None:
    houses = [visit.house for visit in VISITS]
    assert len(VISITS) >= 30
    for low, high in ((0, 10), (1500, 1700), (2200, 3000)):
        assert sum(low <= house.elevation <= high for house in houses) >= 6
    assert {len(visit.states) for visit in VISITS} >= {1, 2, 3}
    assert sum(visit.dwelling is not None for visit in VISITS) >= 4
    assert {house.arrangement for house in houses} == {house.arrangement for house in HOUSES.values()}
    assert len({house.blower.kind for house in houses}) == 4
    assert {operation.mode for visit in VISITS for _, operation, _ in visit.states} == {
        "heating", "cooling", "fan_only",
    }  # fmt: skip
    assert {visit.units for visit in VISITS} == {"ip", "si"}


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_healthy_by_design(visit: Any) -> None:
    house = visit.house
    for run in visit.runs():
        truth = run.solution
        flow = truth.flow_at("filter_inlet") / CFM
        assert truth.external_static_pressure <= 0.80 * house.rated_maximum
        assert 350 <= flow / (house.cooling.nominal / TON) <= 425
        assert truth.blower_power / flow < 0.45
        assert 0 < -truth.pressure_at("return_plenum") < 0.20 * INCH
        assert 0 < truth.pressure_at("supply_plenum") < 0.20 * INCH
        if house.gas and truth.operation.mode == "heating":
            low, high = house.gas.rise
            rise = truth.air_at("supply_plenum").temperature - truth.air[0].temperature
            assert low + (high - low) / 4 < rise < high - (high - low) / 4


def test_example_is_restricted_by_filter_and_coil() -> None:
    for run in EXAMPLE_VISIT.runs():
        truth = run.solution
        assert truth.external_static_pressure > 1.2 * truth.house.rated_maximum
        assert truth.drops["filter"] + truth.drops["coil"] > 0.6 * sum(truth.drops.values())
    assert "invented" in (ROOT / EXAMPLE).read_text(encoding="utf-8").lower()


# Instruments -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["ip", "si"])
def test_readings_stay_inside_the_stated_accuracy(units: Any) -> None:
    for seed in range(40):
        for instrument in kit(units).values():
            drawn = instrument.perturbed(seed)
            for value in (-40.0, 0.3, 500.0):
                size, zero = instrument.to_unit(1.0) - instrument.to_unit(0.0), instrument.to_unit(0.0)
                for noise in (-0.1, 0.1):
                    shown = drawn.show((value - zero) / size, noise)
                    allowed = max(instrument.share * abs(value), instrument.floor) + 0.51 * instrument.resolution
                    assert abs(shown - value) <= allowed


def test_display_steps() -> None:
    gauge = replace(kit("ip")["pressure"], resolution=0.01)
    assert gauge.show(0.3149 * INCH) == 0.31
    assert gauge.show(-0.0049 * INCH) == 0.0
    assert replace(gauge, zero_offset=0.02).show(0.30 * INCH) == 0.32
    assert replace(gauge, scale_error=0.10).show(0.50 * INCH) == 0.55


def example_request(seed: int | None = None, offset: float = 0.0) -> Request:
    carried = kit("ip")
    carried["pressure"] = replace(carried["pressure"], zero_offset=offset)
    point = solve(HOUSES["furnace_1600_m"], heating("high"))
    readings = (
        "static:filter_outlet",
        "static:heat_exchanger_outlet",
        "static:supply_plenum",
        "difference:filter_inlet>filter_outlet",
        "dry_bulb:supply_plenum",
        "dry_bulb:return_plenum",
        "wet_bulb:return_plenum",
        "standard_airflow:filter_inlet",
        "power:blower",
        "barometer",
    )
    return write_visit([Run("heating", point, readings)], units="ip", seed=seed, instruments=carried)


def values(request: Request, kind: str) -> list[float]:
    return [reading["value"]["value"] for reading in request["readings"] if reading["kind"] == kind]


def test_a_zero_offset_cancels_between_like_hoses_and_doubles_between_swapped_ones() -> None:
    point = solve(HOUSES["furnace_1600_m"], fan_only("high"))
    carried = kit("ip")
    carried["pressure"] = replace(carried["pressure"], zero_offset=0.02)

    def external(first: str) -> float:
        runs = [Run("fan", point, (first, "static:heat_exchanger_outlet"))]
        low, high = values(write_visit(runs, units="ip", instruments=carried), "static_pressure")
        return high - low

    true = point.external_static_pressure / INCH
    assert external("static:filter_outlet") == pytest.approx(true, abs=0.0015)
    assert external("static:filter_outlet@reference") == pytest.approx(true + 0.04, abs=0.0015)


def test_standard_airflow_is_mass_flow() -> None:
    point = solve(HOUSES["furnace_1600_m"], heating("high"))
    (shown,) = values(example_request(), "airflow")
    mass_flow = point.dry_air_flow * (1 + point.air[0].humidity_ratio)
    assert shown * CFM * 1.201384753 == pytest.approx(mass_flow, rel=0.001)  # 0.075 lb/ft3 in kg/m3


def test_a_sample_series_means_its_value() -> None:
    point = solve(HOUSES["furnace_sea_level"], cooling("high"))
    request = write_visit([Run("cooling", point, ("static:return_plenum*30",))], units="si", seed=5)
    (reading,) = request["readings"]
    series = reading["samples"]["values"]
    assert len(series) == 30
    assert len(set(series)) > 1
    assert reading["value"]["value"] == pytest.approx(sum(series) / 30, abs=0.0501)


def test_a_seed_gives_the_same_visit_again() -> None:
    assert example_request(seed=3) == example_request(seed=3)
    assert example_request(seed=3) != example_request(seed=4)


# Mistakes ----------------------------------------------------------------------------------------------------------


def test_mistakes_spoil_what_they_say() -> None:
    good = example_request()
    before = json.dumps(good)
    low, high, plenum = values(good, "static_pressure")

    assert values(mistakes.hose_swapped(good, "filter_outlet"), "static_pressure") == [-low, high, plenum]
    assert values(mistakes.sign_dropped(good), "static_pressure") == [-low, high, plenum]
    assert values(mistakes.drop_inverted(good), "pressure_difference") == [-values(good, "pressure_difference")[0]]
    in_pascals = values(mistakes.pascals_typed_as_inches(good, "filter_outlet"), "static_pressure")
    assert in_pascals[0] == pytest.approx(low * INCH, abs=0.05)
    assert in_pascals[1:] == [high, plenum]
    offset = mistakes.zero_offset_unnoticed(good, 0.03)
    assert values(offset, "static_pressure") == pytest.approx([low + 0.03, high + 0.03, plenum + 0.03])
    assert all("zero_check" not in instrument for instrument in offset["instruments"])
    moved = mistakes.station_mistaken(good, "supply_plenum", "heat_exchanger_outlet")
    assert values(moved, "static_pressure") == [low, plenum]
    assert [r["station"] for r in moved["readings"][:2]] == ["filter_outlet", "heat_exchanger_outlet"]
    assert values(mistakes.station_not_read(good, "heat_exchanger_outlet"), "static_pressure") == [low, plenum]
    assert values(mistakes.sea_level_barometer(good), "station_pressure") == [29.92]
    swapped = mistakes.bulbs_swapped(good, "return_plenum")
    assert values(swapped, "wet_bulb_temperature")[0] == values(good, "dry_bulb_temperature")[1]
    horsepower = mistakes.power_in_wrong_unit(good, "[HP]")
    assert [r["value"]["unit"] for r in horsepower["readings"] if r["kind"] == "electric_power"] == ["[HP]"]
    celsius = values(mistakes.celsius_typed_as_fahrenheit(good, "supply_plenum"), "dry_bulb_temperature")
    assert celsius[0] == pytest.approx((values(good, "dry_bulb_temperature")[0] - 32) / 1.8, abs=0.05)

    assert json.dumps(good) == before
    for spoiled in (offset, moved, swapped, horsepower):
        DECODER.decode(json.dumps(spoiled).encode())


NOTHING: list[Callable[[Request], Request]] = [
    lambda request: mistakes.hose_swapped(request, "coil_inlet"),
    lambda request: mistakes.station_not_read(request, "coil_inlet"),
    lambda request: mistakes.station_mistaken(request, "coil_inlet", "coil_outlet"),
    lambda request: mistakes.bulbs_swapped(request, "supply_plenum"),
]


@pytest.mark.parametrize("mistake", NOTHING)
def test_a_mistake_needs_something_to_spoil(mistake: Callable[[Request], Request]) -> None:
    with pytest.raises(LookupError):
        mistake(example_request())
