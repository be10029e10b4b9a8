"""Cooling capacity as derived from a visit, against a worked example, the truth of simulated houses and laws."""

from __future__ import annotations

from typing import Any

import pytest

from service.derive import Worksheet
from tests.derive.sheets import PREPARED, reading, request, sheet, visit
from tests.visits.cooling_faults import VISITS, CoolingVisit
from tests.visits.house import BTU_PER_HOUR, CFM
from tests.visits.library import HOUSES, cooling, heating

NAMES = {
    "dry_air_mass_flow", "supply_air_humidity_ratio", "net_sensible_capacity", "latent_capacity", "net_total_capacity",
    "blower_heat", "gross_total_capacity", "sensible_heat_ratio", "condensate_rate", "delivered_sensible_capacity",
    "delivered_to_net_sensible_capacity", "net_total_capacity_to_nominal", "total_capacity_to_rated",
}  # fmt: skip


def value(worked: Worksheet, name: str) -> float:
    return worked.quantities[name].value


def example(elevation: float, *more: dict[str, Any], **extra: Any) -> dict[str, Any]:
    """80/67 degF in, 60/58 degF out, 1200 cfm at the return."""
    return request(
        reading("dry_bulb_temperature", 80.0, "[degF]", location="return_plenum"),
        reading("wet_bulb_temperature", 67.0, "[degF]", location="return_plenum"),
        reading("dry_bulb_temperature", 60.0, "[degF]", location="supply_plenum"),
        reading("wet_bulb_temperature", 58.0, "[degF]", location="supply_plenum"),
        reading("airflow", 1200.0, "[cft_i]/min", location="filter_inlet", basis="actual"),
        *more,
        site={"elevation": {"value": elevation, "unit": "[ft_i]"}},
        states=[{"id": "cooling", "mode": "cooling"}],
        **extra,
    )


@pytest.mark.parametrize(
    ("elevation", "total", "sensible", "latent"),
    [(0.0, 33_181, 25_470, 7_711), (5000.0, 31_407, None, None)],
    ids=["sea level", "5000 ft"],
)
def test_worked_example(elevation: float, total: float, sensible: float | None, latent: float | None) -> None:
    """Expected by psychrolib in inch-pound units, outside this project; 1 % covers its other enthalpy constants."""
    worked = sheet(example(elevation))
    assert value(worked, "net_total_capacity") / BTU_PER_HOUR == pytest.approx(total, rel=0.01)
    if sensible is not None and latent is not None:
        assert value(worked, "net_sensible_capacity") / BTU_PER_HOUR == pytest.approx(sensible, rel=0.01)
        assert value(worked, "latent_capacity") / BTU_PER_HOUR == pytest.approx(latent, rel=0.01)
        assert value(worked, "sensible_heat_ratio") == pytest.approx(0.768, abs=0.004)
        # 5198.8 lb/h of dry air, same source.
        assert value(worked, "dry_air_mass_flow") * 3600 / 0.45359237 == pytest.approx(5198.8, rel=2e-3)


@pytest.mark.parametrize("house", ["furnace_1600_m", "furnace_sea_level", "packaged_1600_m", "air_handler_sea_level"])
def test_simulated_houses_give_what_their_air_gives(house: str) -> None:
    """Truth by CoolProp: dry-air flow times the fall of enthalpy; 1.5 % covers the humidity of other formulas."""
    setting = next(iter(HOUSES[house].blower.settings))
    readings = (
        "dry_bulb:return_plenum", "humidity:return_plenum", "dry_bulb:supply_plenum", "humidity:supply_plenum",
        "airflow:filter_inlet", "power:blower", "barometer",
    )  # fmt: skip
    written, truth = visit(HOUSES[house], cooling(setting), readings)
    worked = sheet(written)
    entering, leaving = truth.air_at("return_plenum"), truth.air_at("supply_plenum")
    net = truth.dry_air_flow * (entering.enthalpy - leaving.enthalpy)
    assert value(worked, "net_total_capacity") == pytest.approx(net, rel=0.015)
    assert value(worked, "gross_total_capacity") == pytest.approx(net + truth.blower_power, rel=0.015)
    water = truth.dry_air_flow * (entering.humidity_ratio - leaving.humidity_ratio)
    assert value(worked, "condensate_rate") == pytest.approx(water, rel=0.02)
    assert value(worked, "dry_air_mass_flow") == pytest.approx(truth.dry_air_flow, rel=2e-3)


@pytest.mark.parametrize("entry", VISITS, ids=lambda entry: entry.id)
def test_sensible_and_latent_make_the_total(entry: CoolingVisit) -> None:
    """First law; the parts' errors are correlated, so the total is surer than their sum in squares."""
    worked = sheet(entry.request())
    sensible, latent = worked.quantities["net_sensible_capacity"], worked.quantities["latent_capacity"]
    total = worked.quantities["net_total_capacity"]
    assert total.value == pytest.approx(sensible.value + latent.value, rel=1e-12)
    assert total.uncertainty < (sensible.uncertainty**2 + latent.uncertainty**2) ** 0.5
    assert value(worked, "gross_total_capacity") == pytest.approx(total.value + value(worked, "blower_power"))


@pytest.mark.parametrize(
    ("name", "share"),
    [("cooling_sound_1600_m", 1.0), ("cooling_sound_sea_level", 1.0)],
)
def test_a_sound_unit_gives_what_its_table_says(name: str, share: float) -> None:
    """The tables are laid through the simulated coils; what is left is the instruments' error."""
    worked = sheet(next(entry for entry in VISITS if entry.id == name).request())
    found = worked.quantities["total_capacity_to_rated"]
    assert abs(found.value - share) < 2.0 * found.uncertainty


def test_nothing_is_extrapolated_beyond_the_table() -> None:
    written = next(entry for entry in VISITS if entry.id == "cooling_sound_1600_m").request()
    written["readings"][-2]["value"]["value"] = 112.0
    assert written["readings"][-2]["location"] == "outdoor"
    worked = sheet(written)
    assert "total_capacity_to_rated" not in worked.quantities
    assert worked.lacking["total_capacity_to_rated"] == (
        "rows of the performance table around today's outdoor temperature",
    )
    assert "cooling_performance.beyond" in worked.observations


def test_the_same_visit_in_other_units_gives_the_same_capacity() -> None:
    celsius = {"80.0": 80.0, "67.0": 67.0, "60.0": 60.0, "58.0": 58.0}
    inch_pound = example(5000.0)
    metric = example(5000.0)
    metric["site"]["elevation"] = {"value": 5000.0 * 0.3048, "unit": "m"}
    for entry in metric["readings"]:
        if entry["kind"] == "airflow":
            entry["value"] = {"value": 1200.0 * CFM * 3600, "unit": "m3/h"}
        else:
            entry["value"] = {"value": (celsius[str(entry["value"]["value"])] - 32.0) / 1.8, "unit": "Cel"}
    first, second = sheet(inch_pound), sheet(metric)
    for name in NAMES & set(first.quantities):
        assert second.quantities[name].value == pytest.approx(first.quantities[name].value, rel=1e-9)
        assert second.quantities[name].uncertainty == pytest.approx(first.quantities[name].uncertainty, rel=1e-6)


def test_heating_says_nothing_of_cooling_capacity() -> None:
    written, _ = visit(HOUSES["furnace_sea_level"], heating("high"))
    worked = sheet(written)
    assert NAMES & set(worked.quantities) == set()
    assert NAMES & set(worked.lacking) == set()


def test_what_is_missing_is_said() -> None:
    dry = example(0.0)
    dry["readings"] = [entry for entry in dry["readings"] if entry["kind"] != "wet_bulb_temperature"]
    worked = sheet(dry)
    assert "net_sensible_capacity" in worked.quantities
    assert worked.lacking["net_total_capacity"] == (
        "wet_bulb_temperature or relative_humidity at the return plenum",
        "wet_bulb_temperature or relative_humidity at the supply plenum",
    )


def test_every_quantity_is_in_the_vocabulary() -> None:
    assert set(PREPARED.ruleset.quantities) >= NAMES
