"""External static pressure across its rating's boundary, drops along the path, and what is said where they lack."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.derive.pressure import PressureNetwork
from service.model.quantity import Measured
from service.model.visit import AMBIENT, Reading
from tests.derive.sheets import PREPARED, reading, request, sheet, sheets, static, visit
from tests.visits.house import INCH
from tests.visits.library import HOUSES, cooling, fan_only
from tests.visits.mistakes import station_not_read

RETURN, FILTER_OUT = static("return_plenum", -0.10), static("filter_outlet", -0.22)
FURNACE_OUT, SUPPLY = static("heat_exchanger_outlet", 0.31), static("supply_plenum", 0.12)


def inches(worked, name: str) -> float:
    return worked.quantities[name].value / INCH


# The boundary ----------------------------------------------------------------------------------------------------


def test_furnace_is_rated_without_filter_and_coil() -> None:
    """0.31 - (-0.22) = 0.53: after the filter to before the coil, where such a rating sheet puts its ports."""
    worked = sheet(request(RETURN, FILTER_OUT, FURNACE_OUT, SUPPLY))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.53)
    assert inches(worked, "filter_pressure_drop") == pytest.approx(0.12)
    assert inches(worked, "coil_pressure_drop") == pytest.approx(0.19)
    assert inches(worked, "return_duct_pressure_drop") == pytest.approx(0.10)
    assert inches(worked, "supply_duct_pressure_drop") == pytest.approx(0.12)
    assert worked.quantities["filter_share"].value == pytest.approx(0.12 / 0.53)


def test_air_handler_is_not_charged_with_its_coil() -> None:
    """The coil sits inside the box: 0.12 - (-0.22) = 0.34, though 0.20 more is lost across the coil."""
    worked = sheet(
        request(RETURN, FILTER_OUT, static("coil_outlet", -0.42), SUPPLY, arrangement="air_handler_with_internal_coil")
    )
    assert inches(worked, "external_static_pressure") == pytest.approx(0.34)
    assert inches(worked, "coil_pressure_drop") == pytest.approx(0.20)
    assert "coil_share" not in worked.quantities
    assert "coil_share" not in worked.lacking


@pytest.mark.parametrize("arrangement", ["packaged_unit", "ducted_metric_unit", "belt_driven_unit"])
def test_boxes_with_everything_inside_are_rated_at_their_openings(arrangement: str) -> None:
    worked = sheet(request(RETURN, FILTER_OUT, SUPPLY, arrangement=arrangement))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.22)
    assert "filter_share" not in worked.quantities


def test_a_stated_boundary_overrides_the_usual_one() -> None:
    inside = ["filter", "blower", "heat_exchanger"]
    worked = sheet(request(RETURN, FILTER_OUT, FURNACE_OUT, SUPPLY, equipment={"rating_boundary": {"inside": inside}}))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.41)
    assert "rating_boundary.assumed" not in worked.observations
    assert "rating_boundary.assumed" in sheet(request(RETURN)).observations


def test_a_reading_after_the_coil_is_carried_over_with_the_measured_drop() -> None:
    """Read 0.12 after the coil, 0.19 lost across it: 0.31 before it, so 0.53 as at the boundary."""
    across = reading(
        "pressure_difference", 0.19, "[in_i'H2O]", input_station="coil_inlet", reference_station="coil_outlet"
    )
    worked = sheet(request(FILTER_OUT, SUPPLY, across))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.53)
    assert "external_static_pressure.corrected" in worked.observations
    assert "external_static_pressure.elsewhere" not in worked.observations
    assert set(worked.quantities["external_static_pressure"].inputs) == {"reading.0", "reading.1", "reading.2"}


def test_a_reading_after_the_coil_alone_is_said_to_be_elsewhere() -> None:
    worked = sheet(request(FILTER_OUT, SUPPLY))
    assert "external_static_pressure" not in worked.quantities
    assert worked.lacking["external_static_pressure"] == (
        "static_pressure between the heat exchanger and the indoor coil",
    )
    assert "external_static_pressure.elsewhere" in worked.observations
    assert "external_static_pressure_to_rating" in worked.lacking


def test_a_difference_read_across_more_than_the_boundary_is_said_to_be_elsewhere() -> None:
    across = reading(
        "pressure_difference", 0.34, "[in_i'H2O]", input_station="supply_plenum", reference_station="filter_outlet"
    )
    worked = sheet(request(across))
    assert "external_static_pressure" not in worked.quantities
    assert "external_static_pressure.elsewhere" in worked.observations


def test_a_difference_read_across_the_boundary_is_taken_as_it_is() -> None:
    across = reading(
        "pressure_difference",
        0.53,
        "[in_i'H2O]",
        input_station="heat_exchanger_outlet",
        reference_station="filter_outlet",
    )
    worked = sheet(request(across))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.53)
    assert "external_static_pressure.corrected" not in worked.observations


def test_one_side_alone_names_the_other() -> None:
    worked = sheet(request(FURNACE_OUT))
    assert worked.lacking["external_static_pressure"] == ("static_pressure between the filter and the blower",)
    assert "external_static_pressure.elsewhere" not in worked.observations


def test_no_reading_means_no_pressure() -> None:
    worked = sheet(request(reading("dry_bulb_temperature", 70.0, "F", location="indoor")))
    assert not [name for name in worked.quantities if "pressure" in name]
    assert worked.lacking["filter_pressure_drop"] == ("static_pressure before and after the filter",)
    assert worked.lacking["return_duct_pressure_drop"] == ("static_pressure at the return plenum",)


def test_a_boundary_around_the_whole_path_gives_nothing_rather_than_zero() -> None:
    equipment = {
        "air_path": [{"kind": "filter"}, {"kind": "blower"}],
        "rating_boundary": {"inside": ["filter", "blower"]},
    }
    worked = sheet(request(static("filter_outlet", -0.2), arrangement="custom", equipment=equipment))
    assert "external_static_pressure" not in worked.quantities
    assert worked.lacking["external_static_pressure"]


def test_a_box_that_blows_into_the_room_is_rated_against_it() -> None:
    """Without ducts downstream the leaving pressure is the room's: 0 - (-0.22)."""
    path = [{"kind": "return_duct"}, {"kind": "filter"}, {"kind": "blower"}]
    worked = sheet(request(RETURN, FILTER_OUT, arrangement="custom", equipment={"air_path": path}))
    assert inches(worked, "external_static_pressure") == pytest.approx(0.22)


@pytest.mark.parametrize("house", ["furnace_sea_level", "air_handler_1600_m", "packaged_1600_m"])
def test_without_one_boundary_reading_no_number_is_made_up(house: str) -> None:
    written, _ = visit(HOUSES[house], cooling(list(HOUSES[house].blower.settings)[-1]))
    station = "supply_plenum" if house != "furnace_sea_level" else "heat_exchanger_outlet"
    worked = sheet(station_not_read(written, station))
    assert "external_static_pressure" not in worked.quantities
    assert "airflow_from_blower_table" not in worked.quantities
    assert "air_power" not in worked.quantities


# Uncertainty along the path --------------------------------------------------------------------------------------

GAUGE = {
    "id": "gauge",
    "kind": "manometer",
    "accuracy": {"floor": 0.005, "unit": "[in_i'H2O]"},
    "zero_check": {"corrected": True},
}
OTHER = {**GAUGE, "id": "other"}


def external_uncertainty(second_gauge: str, port: str = "input") -> float:
    worked = sheet(
        request(
            static("heat_exchanger_outlet", 0.31, instrument="gauge"),
            static("filter_outlet", -0.22, instrument=second_gauge, probe_port=port),
            instruments=[GAUGE, OTHER],
        )
    )
    return worked.quantities["external_static_pressure"].uncertainty / INCH


def test_two_readings_of_one_gauge_share_its_error() -> None:
    """As in tests/derive/test_propagate.py, now from the request on: 0.00408, 0, 0.00577 in. w.c."""
    assert external_uncertainty("other") == pytest.approx(0.00408, abs=5e-6)
    assert external_uncertainty("gauge") == pytest.approx(0.0, abs=1e-12)
    assert external_uncertainty("gauge", "reference") == pytest.approx(0.00577, abs=5e-6)


def test_repeats_at_one_station_are_averaged_and_their_disagreement_counts() -> None:
    worked = sheet(request(static("filter_outlet", -0.20), static("filter_outlet", -0.24), FURNACE_OUT))
    quantity = worked.quantities["external_static_pressure"]
    assert quantity.value / INCH == pytest.approx(0.53)
    assert quantity.uncertainty / INCH > 0.02


# Drops, shares, checks -------------------------------------------------------------------------------------------


def test_a_filter_behind_the_grille_belongs_to_neither_duct() -> None:
    """Grille 0.03, filter 0.12, duct 0.10: the return side is the grille and the duct, 0.13."""
    path = [{"kind": kind} for kind in ("return_grille", "filter", "return_duct", "blower", "supply_duct", "register")]
    worked = sheet(
        request(
            static("filter_inlet", -0.03),
            static("filter_outlet", -0.15),
            static("blower_inlet", -0.25),
            arrangement="custom",
            equipment={"air_path": path},
        )
    )
    assert inches(worked, "return_duct_pressure_drop") == pytest.approx(0.13)
    assert inches(worked, "filter_pressure_drop") == pytest.approx(0.12)


def test_two_filters_are_two_quantities() -> None:
    path = [{"kind": kind} for kind in ("return_duct", "filter", "filter", "blower", "supply_duct")]
    worked = sheet(
        request(
            static("before.filter", -0.10),
            static("after.filter_2", -0.30),
            static("after.blower", 0.2),
            reading(
                "pressure_difference",
                0.05,
                "[in_i'H2O]",
                input_station="before.filter_2",
                reference_station="after.filter_2",
            ),
            arrangement="custom",
            equipment={"air_path": path},
        )
    )
    drops = {q.subject: q.value / INCH for q in worked.quantities.values() if q.name == "filter_pressure_drop"}
    assert drops == {"filter": pytest.approx(0.15), "filter_2": pytest.approx(0.05)}


def test_closure_compares_the_direct_reading_with_the_way_round() -> None:
    across = reading(
        "pressure_difference", 0.15, "[in_i'H2O]", input_station="filter_inlet", reference_station="filter_outlet"
    )
    worked = sheet(request(RETURN, FILTER_OUT, across))
    assert inches(worked, "pressure_closure_error") == pytest.approx(0.03)


def test_signs_are_looked_at_on_both_sides_of_the_blower() -> None:
    worked = sheet(request(static("return_plenum", 0.10), FILTER_OUT, FURNACE_OUT, static("supply_plenum", -0.12)))
    assert inches(worked, "highest_return_static_pressure") == pytest.approx(0.10)
    assert inches(worked, "lowest_supply_static_pressure") == pytest.approx(-0.12)
    assert inches(worked, "largest_pressure_reading") == pytest.approx(0.31)


@pytest.mark.parametrize("state", [{"id": "s", "blower": "off"}, {"id": "s", "mode": "off"}])
def test_a_blower_that_stands_still_has_no_external_static_pressure(state: dict[str, str]) -> None:
    readings = [{**entry, "state": "s"} for entry in (RETURN, FILTER_OUT, FURNACE_OUT, SUPPLY)]
    worked = sheet(request(*readings, states=[state]))
    assert "blower.off" in worked.observations
    assert "blower.on" not in worked.observations
    assert set(worked.quantities) == {"largest_pressure_reading"}
    assert "airflow" not in worked.lacking
    assert "external_static_pressure" not in worked.lacking


def test_areas_are_never_mixed() -> None:
    upstairs = [{**entry, "area": "upstairs"} for entry in (FILTER_OUT, FURNACE_OUT)]
    downstairs = [{**static("filter_outlet", -0.40), "area": "downstairs"}]
    worked = sheets(request(*upstairs, *downstairs))
    assert [entry.area for entry in worked] == ["downstairs", "upstairs"]
    assert "external_static_pressure" not in worked[0].quantities
    assert inches(worked[1], "external_static_pressure") == pytest.approx(0.53)


def test_the_barometer_and_the_rooms_air_belong_to_every_area() -> None:
    worked = sheets(
        request(
            {**FILTER_OUT, "area": "upstairs"},
            {**FILTER_OUT, "area": "downstairs"},
            reading("station_pressure", 850.0, "hPa", area="upstairs"),
            reading("dry_bulb_temperature", 70.0, "degF", location="indoor"),
        )
    )
    assert [entry.area for entry in worked] == ["downstairs", "upstairs"]
    for entry in worked:
        assert entry.quantities["station_pressure"].value == pytest.approx(85000.0)
        assert "return_air_temperature" in entry.quantities


@pytest.mark.parametrize("area", [None, "attic"])
def test_no_reading_is_lost_between_states_and_areas(area: str | None) -> None:
    attic = reading("dry_bulb_temperature", 110.0, "degF", location="attic", **({"area": area} if area else {}))
    worked = sheets(
        request(
            {**FILTER_OUT, "state": "a"},
            {**FILTER_OUT, "state": "b", "area": "upstairs"},
            attic,
            states=[{"id": "a"}, {"id": "b"}],
        )
    )
    used = {entry.key for context in worked for entry in context.readings}
    assert used == {"reading.0", "reading.1", "reading.2"}


# The network itself ----------------------------------------------------------------------------------------------


def link(key: str, high: str, value: float, low: str | None = None) -> Reading:
    kind = "static_pressure" if low is None else "pressure_difference"
    return Reading(key, "#", kind, Measured(value, {key: 1.0}), location=high, low=low)


def test_the_chain_with_the_fewest_readings_is_taken_and_its_errors_add() -> None:
    network = PressureNetwork([link("a", "s1", 10.0), link("b", "s2", 4.0, "s1"), link("c", "s3", 3.0, "s2")])
    rise = network.rise(AMBIENT, "s3")
    assert rise is not None
    assert rise.measured.value == pytest.approx(17.0)
    assert rise.measured.uncertainty == pytest.approx(math.sqrt(3.0))
    assert rise.keys == ("a", "b", "c")
    back = network.rise("s3", AMBIENT)
    assert back is not None
    assert back.measured.value == pytest.approx(-17.0)


def test_no_chain_is_no_answer() -> None:
    network = PressureNetwork([link("a", "s1", 10.0), link("c", "s3", 3.0, "s2")])
    assert network.rise("s1", "s3") is None
    assert network.rise("s1", AMBIENT, without=(AMBIENT, "s1")) is None


DOUBT = PREPARED.ruleset.assumptions
"""A gap is proven at three standard uncertainties: of 1 Pa each here, and 1 Pa each for a pressure that moved."""


def test_a_direct_reading_that_two_chains_contradict_is_left_out() -> None:
    """s1 to s2 read as 25; by the statics 10, by way of s3 4 + 6 = 10: the direct one alone explains both gaps."""
    statics = [link("a", "s1", -20.0), link("b", "s2", -10.0)]
    around = [link("c", "s3", 4.0, "s1"), link("d", "s2", 6.0, "s3")]
    network = PressureNetwork([*statics, *around, link("x", "s2", 25.0, "s1")], DOUBT)
    assert network.outvoted is not None
    assert network.outvoted[0] == ("s1", "s2")
    rise = network.rise("s1", "s2")
    assert rise is not None
    assert rise.measured.value == pytest.approx(10.0)
    assert "x" not in rise.keys


def test_a_static_reading_that_two_differences_contradict_is_left_out() -> None:
    """s1 read as 30 instead of -20: the differences from s2 and from s3 both say -20."""
    readings = [
        link("x", "s1", 30.0), link("b", "s2", -10.0), link("c", "s3", -14.0),
        link("d", "s2", 10.0, "s1"), link("e", "s3", 6.0, "s1"),
    ]  # fmt: skip
    network = PressureNetwork(readings, DOUBT)
    assert network.outvoted is not None
    assert network.outvoted[0] == (AMBIENT, "s1")
    rise = network.rise(AMBIENT, "s1")
    assert rise is not None
    assert rise.measured.value == pytest.approx(-20.0)


@pytest.mark.parametrize("off", [0.0, 3.0])
def test_readings_that_close_within_their_doubt_are_all_kept(off: float) -> None:
    statics = [link("a", "s1", -20.0), link("b", "s2", -10.0)]
    around = [link("c", "s3", 4.0, "s1"), link("d", "s2", 6.0, "s3")]
    network = PressureNetwork([*statics, *around, link("x", "s2", 10.0 + off, "s1")], DOUBT)
    assert network.outvoted is None
    rise = network.rise("s1", "s2")
    assert rise is not None
    assert rise.keys == ("x",)


def test_one_closure_alone_does_not_tell_which_reading_is_off() -> None:
    network = PressureNetwork([link("a", "s1", -20.0), link("b", "s2", -10.0), link("x", "s2", 25.0, "s1")], DOUBT)
    assert network.outvoted is None
    rise = network.rise("s1", "s2")
    assert rise is not None
    assert rise.keys == ("x",)


def test_two_readings_off_are_not_laid_on_one() -> None:
    """The direct one and a static are off, by different amounts: no single reading explains all gaps."""
    readings = [
        link("x", "s2", 40.0, "s1"), link("a", "s1", 40.0), link("b", "s2", -10.0),
        link("c", "s3", 4.0, "s1"), link("d", "s2", 6.0, "s3"),
    ]  # fmt: skip
    assert PressureNetwork(readings, DOUBT).outvoted is None


def test_the_filter_drop_is_taken_from_what_the_other_readings_agree_on() -> None:
    """Across the filter 0.12 by the statics, and by way of the coil's far side; the direct reading says 0.30."""

    def across(high: str, low: str, value: float) -> dict[str, Any]:
        ends = {"input_station": high, "reference_station": low}
        return reading("pressure_difference", value, "[in_i'H2O]", **ends)

    wrong, through = across("return_plenum", "filter_outlet", 0.30), across("supply_plenum", "filter_outlet", 0.34)
    back = across("supply_plenum", "return_plenum", 0.22)
    worked = sheet(request(RETURN, FILTER_OUT, FURNACE_OUT, SUPPLY, wrong, through, back))
    assert inches(worked, "filter_pressure_drop") == pytest.approx(0.12, abs=1e-6)
    assert inches(worked, "pressure_closure_error") == pytest.approx(0.18, abs=1e-6)
    alone = sheet(request(RETURN, FILTER_OUT, FURNACE_OUT, SUPPLY, wrong))
    assert inches(alone, "filter_pressure_drop") == pytest.approx(0.30)


def test_fan_only_is_worked_out_as_any_other_mode() -> None:
    written, solution = visit(HOUSES["furnace_2200_m"], fan_only("high"))
    value = sheet(written).quantities["external_static_pressure"].value
    assert value == pytest.approx(solution.external_static_pressure, rel=1e-5)
