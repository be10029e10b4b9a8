"""Offsets that readings prove, instruments that disagree, calibration out of date, range of an instrument."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.derive import Worksheet
from tests.derive.sheets import reading, request, sheet, static

GAUGE = {"share_of_reading": 0.01, "floor": 0.002, "resolution": 0.001, "unit": "[in_i'H2O]"}
INCH = 249.08891
TRUE = {"filter_inlet": -0.06, "filter_outlet": -0.16, "heat_exchanger_outlet": 0.24, "supply_plenum": 0.10}
ENDS = (("filter_inlet", "filter_outlet"), ("heat_exchanger_outlet", "supply_plenum"))


def gauge(name: str = "gauge", **more: Any) -> dict[str, Any]:
    return {"id": name, "kind": "manometer", "accuracy": GAUGE, "zero_check": {}, **more}


def drop(high: str, low: str, value: float, name: str = "gauge") -> dict[str, Any]:
    return {
        "kind": "pressure_difference", "input_station": high, "reference_station": low,
        "value": {"value": value, "unit": "[in_i'H2O]"}, "instrument": name,
    }  # fmt: skip


def read(offset: float, *, moved: tuple[float, float] = (0.0, 0.0), ports: dict[str, str] | None = None) -> Worksheet:
    """Four static pressures and two differences with one gauge off by `offset`, the pressures moving in between."""
    ports = ports or {}
    statics = [
        static(
            place,
            true + (-offset if ports.get(place) == "reference" else offset),
            instrument="gauge",
            probe_port=ports.get(place, "input"),
        )
        for place, true in TRUE.items()
    ]
    differences = [
        drop(high, low, TRUE[high] - TRUE[low] + offset + by) for (high, low), by in zip(ENDS, moved, strict=True)
    ]
    return sheet(request(*statics, *differences, instruments=[gauge()]))


@pytest.mark.parametrize("offset", [0.03, -0.05, 0.2])
@pytest.mark.parametrize("ports", [{}, {"filter_outlet": "reference", "supply_plenum": "reference"}])
def test_an_offset_that_two_closures_agree_on_is_found_and_taken_off(offset: float, ports: dict[str, str]) -> None:
    """Each reading is written as true plus offset (minus it on the reference port); the true drops come out again."""
    found = read(offset, ports=ports)
    assert "zero_offset.proven" in found.observations
    entry = found.quantities["zero_offset_in_readings"]
    assert entry.value == pytest.approx(offset * INCH, rel=1e-9)
    assert entry.subject == "gauge"
    by_place = {r.location: r.measured.value for r in found.readings if r.kind == "static_pressure"}
    assert sorted(by_place.values()) == pytest.approx(sorted(true * INCH for true in TRUE.values()))
    assert found.quantities["filter_pressure_drop"].value == pytest.approx(0.10 * INCH)


def test_what_is_said_of_the_offset_is_what_drawn_errors_scatter_by() -> None:
    """2000 draws of resolution, scale and pressures that move by 1 Pa (one standard deviation): within 5 %."""
    chance = np.random.default_rng(5)
    found, said = [], []
    for _ in range(2000):
        scale = chance.uniform(-1, 1) * 0.01
        statics = {place: true * (1 + scale) + chance.uniform(-0.0005, 0.0005) for place, true in TRUE.items()}
        closures = []
        for high, low in ENDS:
            direct = (TRUE[high] - TRUE[low]) * (1 + scale) + chance.uniform(-0.0005, 0.0005)
            closures.append(direct - statics[high] + statics[low] + chance.standard_normal() / INCH)
        found.append(np.mean(closures) * INCH)
    said.append(read(0.05).quantities["zero_offset_in_readings"].uncertainty)
    assert said[0] == pytest.approx(np.std(found), rel=0.05)


def test_one_closure_two_that_disagree_and_small_ones_prove_nothing() -> None:
    statics = [static(place, true + 0.05, instrument="gauge") for place, true in TRUE.items()]
    one = sheet(request(*statics, drop("filter_inlet", "filter_outlet", 0.15), instruments=[gauge()]))
    for found in (one, read(0.03, moved=(0.0, -0.03)), read(0.003)):
        assert "zero_offset.proven" not in found.observations
        assert "zero_offset_in_readings" not in found.quantities
    assert one.quantities["pressure_closure_error"].value == pytest.approx(0.05 * INCH)


def test_readings_of_other_gauges_are_left_alone() -> None:
    statics = [static(place, true + 0.05, instrument="gauge") for place, true in TRUE.items()]
    differences = [drop(high, low, TRUE[high] - TRUE[low] + 0.05) for high, low in ENDS]
    other = static("supply_plenum", 0.10, instrument="other")
    found = sheet(request(*statics, *differences, other, instruments=[gauge(), gauge("other")]))
    assert found.readings[-1].measured.value == pytest.approx(0.10 * INCH)
    assert found.quantities["gauge_disagreement"].value == pytest.approx(0.0, abs=1e-6)


def test_two_gauges_at_one_station() -> None:
    """0.05 apart; u by hand: each sqrt(floor^2 / 3 + step^2 / 12), twice, with no error in common."""
    found = sheet(
        request(
            static("supply_plenum", 0.10, instrument="a"), static("supply_plenum", 0.15, instrument="b"),
            instruments=[gauge("a"), gauge("b")],
        )
    )  # fmt: skip
    entry = found.quantities["gauge_disagreement"]
    assert entry.value == pytest.approx(0.05 * INCH)
    assert entry.uncertainty == pytest.approx((2 * (0.002**2 / 3 + 0.001**2 / 12)) ** 0.5 * INCH, rel=1e-6)


def test_barometers_are_compared_wherever_on_the_site_they_were_read() -> None:
    """835.0 against 841.0 hPa; each u by hand: sqrt(1.0^2 / 3 + 0.1^2 / 12)."""
    accuracy = {"share_of_reading": 0.0, "floor": 1.0, "resolution": 0.1, "unit": "hPa"}

    def read(value: float, name: str, place: str) -> dict[str, Any]:
        return reading("station_pressure", value, "hPa", instrument=name, place=place, state="state")

    def found(*readings: dict[str, Any]) -> Worksheet:
        kits = [{"id": name, "kind": "barometer", "accuracy": accuracy} for name in ("a", "b")]
        return sheet(request(*readings, instruments=kits, states=[{"id": "state", "mode": "cooling"}]))

    entry = found(read(835.0, "a", "indoor"), read(841.0, "b", "outdoor")).quantities["barometer_disagreement"]
    assert entry.value == pytest.approx(600.0)
    assert entry.uncertainty == pytest.approx(100.0 * (2 * (1.0 / 3 + 0.1**2 / 12)) ** 0.5, rel=1e-6)
    carried = found(read(835.0, "a", "indoor"), read(835.1, "a", "outdoor"), read(835.0, "a", "indoor"))
    assert "barometer_disagreement" not in carried.quantities


def test_one_instrument_and_no_redundancy_no_entry() -> None:
    found = sheet(request(static("supply_plenum", 0.10, instrument="a"), instruments=[gauge("a")]))
    names = {*found.quantities, *found.lacking}
    assert not names & {"gauge_disagreement", "thermometer_disagreement", "zero_offset_in_readings"}


@pytest.mark.parametrize(
    ("calibrated", "times"),
    [("2026-01-01", 1.0), ("2025-03-10", 1.0), ("2024-03-10", 1.5), ("2023-03-10", 2.0), ("2000-01-01", 3.0)],
)
def test_a_calibration_out_of_date_widens_the_accuracy(calibrated: str, times: float) -> None:
    """Half of itself more for each year beyond the first, at most threefold (common practice, no source)."""

    def spread(**more: Any) -> float:
        found = sheet(
            request(
                static("supply_plenum", 0.10, instrument="a"),
                instruments=[gauge("a", **more)],
                visited_at="2026-03-10T10:00:00-07:00",
            )
        )
        return found.readings[0].measured.terms["instrument.a.zero"]

    assert spread(calibrated_on=calibrated) / spread() == pytest.approx(times, rel=2e-3)


def test_a_reading_beyond_its_instruments_range_is_set_aside() -> None:
    limits = {"low": -0.5, "high": 0.5, "unit": "inH2O"}
    found = sheet(
        request(
            static("supply_plenum", 0.6, instrument="a"), static("filter_outlet", -0.5, instrument="a"),
            instruments=[gauge("a", measuring_range=limits)],
        )
    )  # fmt: skip
    assert [r.location for r in found.readings] == ["filter|blower"]
    (entry,) = found.visit.set_aside
    assert (entry.pointer, entry.code) == ("#/readings/0/value", "beyond_measuring_range")


# As recorded -----------------------------------------------------------------------------------------------------


def test_the_oldest_calibration_counts_days() -> None:
    """From 1 March 2025 to 10 March 2026 are 374 days, from 1 March 2024 739 (the calendar, 2024 being a leap year)."""
    instruments = [gauge("a", calibrated_on="2025-03-01"), gauge("b", calibrated_on="2024-03-01")]
    readings = [static("return_plenum", -0.1, instrument="a"), static("supply_plenum", 0.1, instrument="b")]
    found = sheet(request(*readings, instruments=instruments, visited_at="2026-03-10T09:00:00Z"))
    assert found.quantities["time_since_calibration"].value / 86400.0 == 739.0
    used = sheet(request(readings[0], instruments=instruments, visited_at="2026-03-10T09:00:00Z"))
    assert used.quantities["time_since_calibration"].value / 86400.0 == 374.0


def test_the_largest_offset_recorded_counts() -> None:
    """0.02 in. w.c. are 4.98 Pa (NIST SP 811: 249.0889 Pa for an inch of water)."""
    offsets = ((0.01, "a"), (-0.02, "b"))
    instruments = [
        gauge(name, zero_check={"offset_found": {"value": inches, "unit": "[in_i'H2O]"}}) for inches, name in offsets
    ]
    readings = [static("return_plenum", -0.1, instrument="a"), static("supply_plenum", 0.1, instrument="b")]
    found = sheet(request(*readings, instruments=instruments))
    assert found.quantities["zero_offset_found"].value == pytest.approx(0.02 * 249.0889, rel=1e-6)
