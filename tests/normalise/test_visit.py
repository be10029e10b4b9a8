"""From requests to visits: places, states, areas, instruments, sample series, ratings, overrides and dates."""

from __future__ import annotations

import itertools
import math
from typing import Any

import msgspec
import pytest

from service import normalise, pipeline
from service.model.visit import AMBIENT, Visit
from service.wire.request import EvaluationRequest

PREPARED = pipeline.working()
INCH = 249.08891
ARRANGEMENTS = [name for name in PREPARED.ruleset.arrangements if name != "custom"]


def normal(*readings: dict[str, Any], arrangement: str = "furnace_with_cased_coil", **more: Any) -> Visit:
    equipment = {"arrangement": arrangement, **more.pop("equipment", {})}
    tree = {"equipment": equipment, "readings": list(readings), **more}
    return normalise.normalise(msgspec.convert(tree, EvaluationRequest, strict=False), PREPARED.ruleset, PREPARED.units)


def static(station: str, value: float = -0.2, unit: str = "inH2O", **more: Any) -> dict[str, Any]:
    return {"kind": "static_pressure", "station": station, "value": {"value": value, "unit": unit}, **more}


def bulb(location: str, value: float = 70.0, **more: Any) -> dict[str, Any]:
    return {"kind": "dry_bulb_temperature", "location": location, "value": {"value": value, "unit": "degF"}, **more}


def asides(visit: Visit) -> list[tuple[str, str]]:
    return [(entry.pointer, entry.code) for entry in visit.set_aside]


# Places ----------------------------------------------------------------------------------------------------------

STATIONS: dict[str, dict[str, str | None]] = {
    "furnace_with_cased_coil": {
        "return_plenum": "return_duct|filter",
        "filter_inlet": "return_duct|filter",
        "filter_outlet": "filter|blower",
        "blower_inlet": "filter|blower",
        "blower_outlet": "blower|heat_exchanger",
        "heat_exchanger_outlet": "heat_exchanger|coil",
        "coil_inlet": "heat_exchanger|coil",
        "coil_outlet": "coil|supply_duct",
        "supply_plenum": "coil|supply_duct",
        "return_grille": "return_grille|return_duct",
        "supply_register": "supply_duct|register",
    },
    "air_handler_with_internal_coil": {
        "return_plenum": "return_duct|filter",
        "filter_outlet": "filter|coil",
        "coil_inlet": "filter|coil",
        "coil_outlet": "coil|blower",
        "blower_inlet": "coil|blower",
        "blower_outlet": "blower|electric_heater",
        "heat_exchanger_outlet": None,
        "supply_plenum": "electric_heater|supply_duct",
    },
    "packaged_unit": {
        "return_plenum": "return_duct|filter",
        "coil_outlet": "coil|blower",
        "heat_exchanger_outlet": "heat_exchanger|supply_duct",
        "supply_plenum": "heat_exchanger|supply_duct",
    },
    "ducted_metric_unit": {
        "return_plenum": "return_duct|filter",
        "coil_outlet": "coil|blower",
        "heat_exchanger_outlet": None,
        "supply_plenum": "blower|supply_duct",
    },
    "belt_driven_unit": {
        "coil_outlet": "coil|heat_exchanger",
        "heat_exchanger_outlet": "heat_exchanger|blower",
        "blower_inlet": "heat_exchanger|blower",
        "supply_plenum": "blower|supply_duct",
    },
    "custom": {
        "return_plenum": "return_duct|filter",
        "blower_inlet": "filter|blower",
        "coil_inlet": None,
        "supply_plenum": "blower|supply_duct",
    },
}


@pytest.mark.parametrize(
    ("arrangement", "name", "station"),
    [(arrangement, name, station) for arrangement, names in STATIONS.items() for name, station in names.items()],
)
def test_trade_name_on_an_arrangement(arrangement: str, name: str, station: str | None) -> None:
    visit = normal(static(name), arrangement=arrangement)
    if station is None:
        assert visit.readings == ()
        assert asides(visit) == [("#/readings/0/station", "unknown_location")]
    else:
        assert [reading.location for reading in visit.readings] == [station]


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_before_and_after_every_element(arrangement: str) -> None:
    path = PREPARED.ruleset.arrangements[arrangement].air_path
    for before, after in itertools.pairwise(path):
        visit = normal(static(f"after.{before}"), static(f"before.{after}"), arrangement=arrangement)
        assert [reading.location for reading in visit.readings] == [f"{before}|{after}"] * 2


def test_an_unknown_place_is_answered_with_what_there_is() -> None:
    visit = normal(static("supply_plenun"), bulb("indoors"))
    assert asides(visit) == [
        ("#/readings/0/station", "unknown_location"),
        ("#/readings/1/location", "unknown_location"),
    ]
    assert visit.set_aside[0].remedy.startswith("Did you mean supply_plenum? This air path has: return_plenum,")
    assert visit.set_aside[1].remedy.startswith("Did you mean indoor? ")
    assert "heat_exchanger_outlet" in visit.set_aside[0].remedy


def test_the_open_ends_have_no_static_pressure() -> None:
    visit = normal(static("before.return_grille"), static("after.register"))
    assert [code for _, code in asides(visit)] == ["open_end", "open_end"]
    assert visit.readings == ()


def test_air_before_the_grille_is_the_rooms_and_after_the_register_nobodys() -> None:
    visit = normal(bulb("before.return_grille"), bulb("after.register"))
    assert [reading.location for reading in visit.readings] == [AMBIENT]
    assert asides(visit) == [("#/readings/1/location", "open_end")]


def test_a_trade_name_means_the_kind_even_where_another_part_took_its_name() -> None:
    path = [
        {"kind": "return_duct"}, {"kind": "accessory", "name": "filter"}, {"kind": "filter", "name": "media"},
        {"kind": "blower"}, {"kind": "supply_duct"},
    ]  # fmt: skip
    visit = normal(static("filter_outlet"), static("after.filter"), equipment={"air_path": path})
    assert [reading.location for reading in visit.readings] == ["media|blower", "filter|media"]


def test_twice_the_same_kind_gets_names_of_its_own() -> None:
    path = [{"kind": "filter"}, {"kind": "filter"}, {"kind": "blower"}, {"kind": "supply_duct"}]
    visit = normal(static("before.filter_2"), equipment={"air_path": path})
    assert [element.name for element in visit.equipment.path] == ["filter", "filter_2", "blower", "supply_duct"]
    assert visit.readings[0].location == "filter|filter_2"
    assert visit.set_aside == ()


@pytest.mark.parametrize(
    ("equipment", "pointer", "code"),
    [
        ({"air_path": [{"kind": "filter"}, {"kind": "coil"}]}, "#/equipment/air_path", "no_blower"),
        (
            {"air_path": [{"kind": "filter", "name": "a"}, {"kind": "blower", "name": "a"}]},
            "#/equipment/air_path/1/name",
            "name_taken",
        ),
        (
            {"rating_boundary": {"inside": ["blower", "coil"]}},
            "#/equipment/rating_boundary/inside",
            "boundary_not_on_path",
        ),
        ({"rating_boundary": {"inside": ["coil"]}}, "#/equipment/rating_boundary/inside", "boundary_not_on_path"),
        (
            {"rating_boundary": {"inside": ["blower", "fan"]}},
            "#/equipment/rating_boundary/inside",
            "boundary_not_on_path",
        ),
    ],
)
def test_an_unusable_path_or_boundary_falls_back_to_the_usual_and_says_so(
    equipment: dict[str, Any], pointer: str, code: str
) -> None:
    visit = normal(static("blower_inlet"), equipment=equipment)
    assert (pointer, code) in asides(visit)
    assert visit.equipment.boundary_assumed
    assert "blower" in {element.kind for element in visit.equipment.path}


def test_both_ends_of_a_difference_must_differ() -> None:
    difference = {
        "kind": "pressure_difference",
        "input_station": "filter_inlet",
        "reference_station": "return_plenum",
        "value": {"value": 0.1, "unit": "inH2O"},
    }
    assert asides(normal(difference)) == [("#/readings/0", "same_station")]


# States and areas ------------------------------------------------------------------------------------------------

TWO = [{"id": "warm", "mode": "heating"}, {"id": "cold", "mode": "cooling"}]


def test_without_states_there_is_one() -> None:
    visit = normal(static("filter_outlet"))
    assert [state.id for state in visit.states] == ["unspecified"]
    assert visit.readings[0].state == "unspecified"


def test_states_named_by_readings_alone_are_understood() -> None:
    visit = normal(static("filter_outlet", state="a"), static("filter_outlet", state="b"))
    assert [state.id for state in visit.states] == ["a", "b"]


def test_one_state_holds_for_all_readings_but_those_of_the_house() -> None:
    visit = normal(static("filter_outlet"), bulb("indoor"), states=TWO[:1])
    assert {reading.kind: reading.state for reading in visit.readings} == {
        "static_pressure": "warm",
        "dry_bulb_temperature": None,
    }


def test_among_several_states_a_reading_must_say_its_own() -> None:
    visit = normal(static("filter_outlet"), static("filter_outlet", state="cold"), states=TWO)
    assert asides(visit) == [("#/readings/0/state", "state_missing")]
    assert [reading.state for reading in visit.readings] == ["cold"]


def test_barometer_and_places_hold_in_every_state() -> None:
    barometer = {"kind": "station_pressure", "value": {"value": 1000, "unit": "hPa"}}
    visit = normal(barometer, bulb("outdoor"), static("filter_outlet", state="cold"), states=TWO)
    assert [reading.state for reading in visit.readings] == [None, None, "cold"]


def test_an_undeclared_state_is_refused_with_those_declared() -> None:
    visit = normal(static("filter_outlet", state="fan"), states=TWO)
    assert asides(visit) == [("#/readings/0/state", "unknown_state")]
    assert visit.set_aside[0].remedy.endswith("warm, cold.")


def test_a_state_declared_twice_counts_once() -> None:
    visit = normal(static("filter_outlet"), states=[TWO[0], {**TWO[1], "id": "warm"}])
    assert asides(visit) == [("#/states/1/id", "id_taken")]
    assert visit.states[0].mode == "heating"


# Instruments -----------------------------------------------------------------------------------------------------


def gauge(**more: Any) -> dict[str, Any]:
    return {"id": "g", "kind": "manometer", **more}


def by_gauge(value: float = -0.22, *, instrument: dict[str, Any] | None = None, **more: Any) -> Any:
    visit = normal(static("filter_outlet", value, instrument="g", **more), instruments=[instrument or gauge()])
    return visit.readings[0]


ACCURACY = {"share_of_reading": 0.01, "floor": 0.005, "unit": "inH2O"}
ZEROED = {"corrected": True}


@pytest.mark.parametrize("value", [0.0, 0.1, -0.22, 0.5, 1.0, -3.0])
def test_the_makers_limit_over_the_square_root_of_three(value: float) -> None:
    """Rectangular, JCGM 100:2008, 4.3.7: of 1 % and 0.005 in. w.c. whichever is larger, no more and no less."""
    reading = by_gauge(value, instrument=gauge(accuracy=ACCURACY, zero_check=ZEROED))
    limit = max(0.01 * abs(value), 0.005) * INCH
    assert reading.measured.uncertainty == pytest.approx(limit / math.sqrt(3.0), rel=1e-9)


def test_resolution_is_a_step_over_the_square_root_of_twelve() -> None:
    reading = by_gauge(instrument=gauge(accuracy={"resolution": 0.01, "unit": "inH2O"}, zero_check=ZEROED))
    assert reading.measured.terms == {"reading.0.resolution": pytest.approx(0.01 * INCH / math.sqrt(12.0))}


def test_a_readings_own_accuracy_comes_before_its_instruments() -> None:
    own = by_gauge(instrument=gauge(accuracy=ACCURACY, zero_check=ZEROED), accuracy={"floor": 1.0, "unit": "Pa"})
    assert own.measured.uncertainty == pytest.approx(1.0 / math.sqrt(3.0))


def test_without_a_stated_accuracy_the_usual_one_of_the_class_is_taken() -> None:
    """rules/instruments/manometer.toml: 1 % or 0.005 in. w.c., steps of 0.001, 0.003 more where zero went unchecked."""
    checked, unchecked = by_gauge(instrument=gauge(zero_check=ZEROED)), by_gauge()
    expected = math.hypot(0.005 / math.sqrt(3.0), 0.001 / math.sqrt(12.0))
    assert checked.measured.uncertainty / INCH == pytest.approx(expected, rel=1e-6)
    assert unchecked.measured.uncertainty / INCH == pytest.approx(
        math.hypot(expected, 0.003 / math.sqrt(3.0)), rel=1e-6
    )
    assert normal(static("filter_outlet", -0.22)).readings[0].measured.uncertainty == pytest.approx(
        unchecked.measured.uncertainty
    )


def test_a_share_of_a_temperature_counts_from_the_zero_of_its_scale() -> None:
    """1 % of 70 degF is 0.7 degF, not 1 % of 294 K."""
    thermometer = {"id": "t", "kind": "thermometer", "accuracy": {"share_of_reading": 0.01, "unit": "degF"}}
    visit = normal(bulb("indoor", instrument="t"), instruments=[thermometer])
    assert visit.readings[0].measured.uncertainty == pytest.approx(0.7 * 5 / 9 / math.sqrt(3.0), rel=1e-9)


@pytest.mark.parametrize(("port", "sign"), [("input", 1.0), ("reference", -1.0)])
def test_an_offset_that_was_left_in_is_taken_out_with_the_hoses_sign(port: str, sign: float) -> None:
    """A gauge that stands at +0.02 shows p + 0.02; with the hose on the other port -p + 0.02, written as p - 0.02."""
    check = {"offset_found": {"value": 0.02, "unit": "inH2O"}, "corrected": False}
    reading = by_gauge(-0.22 + sign * 0.02, instrument=gauge(zero_check=check), probe_port=port)
    assert reading.measured.value / INCH == pytest.approx(-0.22)


def test_an_offset_that_was_corrected_is_not_taken_out_again() -> None:
    check = {"offset_found": {"value": 0.02, "unit": "inH2O"}, "corrected": True}
    assert by_gauge(-0.22, instrument=gauge(zero_check=check)).measured.value / INCH == pytest.approx(-0.22)


def test_the_zero_counts_against_the_reading_where_the_hose_was_swapped() -> None:
    terms = [
        by_gauge(0.31, instrument=gauge(accuracy=ACCURACY, zero_check=ZEROED), probe_port=port).measured.terms
        for port in ("input", "reference")
    ]
    assert terms[0]["instrument.g.zero"] == pytest.approx(-terms[1]["instrument.g.zero"])
    assert terms[0]["instrument.g.scale"] == pytest.approx(terms[1]["instrument.g.scale"])


@pytest.mark.parametrize(
    ("instruments", "reading", "expected"),
    [
        ([], {"instrument": "lost"}, ("#/readings/0/instrument", "unknown_instrument")),
        ([gauge(), gauge()], {"instrument": "g"}, ("#/instruments/1/id", "id_taken")),
        (
            [gauge(accuracy={"floor": 1.0, "unit": "degF"})],
            {"instrument": "g"},
            ("#/instruments/0/accuracy/unit", "unit_of_another_kind"),
        ),
        ([], {"accuracy": {"floor": 1.0, "unit": "%"}}, ("#/readings/0/accuracy/unit", "unit_of_another_kind")),
    ],
)
def test_what_is_wrong_with_an_instrument_is_said_and_the_reading_kept(
    instruments: list[dict[str, Any]], reading: dict[str, Any], expected: tuple[str, str]
) -> None:
    visit = normal(static("filter_outlet", **reading), instruments=instruments)
    assert expected in asides(visit)
    assert len(visit.readings) == 1
    assert visit.readings[0].measured.uncertainty > 0.0


def test_a_fault_of_the_third_instrument_points_to_the_third() -> None:
    spoiled = {"id": "t", "kind": "thermometer", "accuracy": {"floor": 1.0, "unit": "Pa"}}
    visit = normal(bulb("indoor", instrument="t"), instruments=[gauge(), gauge(), spoiled])
    assert ("#/instruments/2/accuracy/unit", "unit_of_another_kind") in asides(visit)


# Sample series ---------------------------------------------------------------------------------------------------

STEADY = [0.512, 0.509, 0.511, 0.510, 0.513, 0.508, 0.511, 0.510, 0.512, 0.509]
DRIFTING = [0.48, 0.486, 0.491, 0.497, 0.503, 0.507, 0.514, 0.519, 0.526, 0.531]
GUSTY = [-3.1, -5.9, -1.2, -7.4, -2.0, -4.4, 0.3, -6.1, -3.9, -1.3]
"""Means 0.5105, 0.5054 and -3.5; the first slope is no slope (p 0.68), the second is one (4e-13): scipy.stats."""


def series(values: list[float], unit: str, **more: Any) -> Any:
    mean = sum(values) / len(values)
    samples = {"interval_seconds": 1.0, "values": values}
    return normal(static("supply_plenum", mean, unit, samples=samples, **more)).readings[0]


def test_a_steady_series_is_its_mean() -> None:
    reading = series(STEADY, "inH2O")
    assert reading.steadiness.verdict == "settled"
    assert reading.measured.value / INCH == pytest.approx(0.5105)
    assert reading.steadiness.standard_deviation / INCH == pytest.approx(0.00158, abs=5e-6)
    assert reading.steadiness.slope_probability > 0.5
    assert reading.steadiness.duration == 9.0
    assert reading.measured.terms["reading.0.repeatability"] / INCH == pytest.approx(
        0.00158 / math.sqrt(10.0), abs=1e-5
    )


def test_a_drifting_series_says_so_and_carries_its_drift() -> None:
    reading = series(DRIFTING, "inH2O")
    assert reading.steadiness.verdict == "drifting"
    assert not reading.steadiness.settled
    assert reading.steadiness.slope / INCH == pytest.approx(0.00566, abs=1e-5)
    assert reading.measured.terms["reading.0.drift"] / INCH == pytest.approx(9 * 0.00566 / math.sqrt(12.0), rel=2e-3)


def test_a_gusty_series_is_scattered_where_the_gauge_is_fine() -> None:
    reading = series(GUSTY, "Pa", accuracy={"floor": 0.2, "unit": "Pa"})
    assert reading.steadiness.verdict == "scattered"
    assert reading.measured.value == pytest.approx(-3.5)
    assert reading.steadiness.standard_deviation == pytest.approx(2.49, abs=0.005)


def test_a_value_that_is_not_of_its_series_is_said() -> None:
    samples = {"interval_seconds": 1.0, "values": STEADY}
    visit = normal(static("supply_plenum", 5.1, samples=samples))
    assert asides(visit) == [("#/readings/0/value", "value_not_of_series")]
    assert visit.readings[0].measured.value / INCH == pytest.approx(0.5105)
    rounded = normal(static("supply_plenum", 0.5071, samples=samples))
    assert rounded.set_aside == ()


# Ratings ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("equipment", "pointer", "code"),
    [
        (
            {"rated_maximum_external_static_pressure": {"value": 0, "unit": "inH2O"}},
            "rated_maximum_external_static_pressure",
            "rating_not_positive",
        ),
        (
            {"nominal_cooling_capacity": {"value": -3, "unit": "tons"}},
            "nominal_cooling_capacity",
            "rating_not_positive",
        ),
        ({"design_airflow": {"value": 0, "unit": "cfm"}}, "design_airflow", "rating_not_positive"),
        ({"gas_heat": {"input": {"value": 0, "unit": "Btu/h"}}}, "gas_heat/input", "rating_not_positive"),
        (
            {"gas_heat": {"input": {"value": 1, "unit": "kW"}, "steady_state_efficiency": {"value": 80, "unit": "1"}}},
            "gas_heat/steady_state_efficiency",
            "efficiency_above_one",
        ),
        (
            {
                "gas_heat": {
                    "input": {"value": 1, "unit": "kW"},
                    "temperature_rise_minimum": {"value": 60, "unit": "degF"},
                    "temperature_rise_maximum": {"value": 30, "unit": "degF"},
                }
            },
            "gas_heat",
            "range_reversed",
        ),
        (
            {"filter": {"width": {"value": 0, "unit": "in"}, "height": {"value": 20, "unit": "in"}}},
            "filter",
            "size_not_positive",
        ),
        (
            {
                "filter": {
                    "rated": {"pressure_drop": {"value": -1, "unit": "Pa"}, "airflow": {"value": 1, "unit": "cfm"}}
                }
            },
            "filter/rated",
            "rating_not_positive",
        ),
        ({"blower": {"power_factor": 0.0}}, "blower/power_factor", "rating_not_positive"),
        (
            {"blower": {"table_air_density": {"value": 0, "unit": "kg/m3"}}},
            "blower/table_air_density",
            "rating_not_positive",
        ),
    ],
)
def test_a_rating_that_cannot_be_is_left_out_with_pointer_and_remedy(
    equipment: dict[str, Any], pointer: str, code: str
) -> None:
    visit = normal(static("filter_outlet"), equipment=equipment)
    assert asides(visit) == [(f"#/equipment/{pointer}", code)]
    assert visit.set_aside[0].remedy
    assert len(visit.readings) == 1


def rows(*entries: tuple[float, float, float | None]) -> dict[str, Any]:
    written = []
    for pressure, flow, power in entries:
        row = {
            "external_static_pressure": {"value": pressure, "unit": "inH2O"},
            "airflow": {"value": flow, "unit": "cfm"},
        }
        written.append(row if power is None else {**row, "power": {"value": power, "unit": "W"}})
    return {"blower": {"settings": [{"setting": "high", "rows": written}]}}


@pytest.mark.parametrize(
    "table",
    [
        rows((0.1, 1000.0, None)),
        rows((0.1, 1000.0, None), (0.1, 900.0, None)),
        rows((-0.1, 1000.0, None), (0.1, 900.0, None)),
        rows((0.1, -1000.0, None), (0.2, 900.0, None)),
        rows((0.1, 1000.0, 0.0), (0.2, 900.0, 400.0)),
    ],
)
def test_a_table_that_cannot_be_is_left_out(table: dict[str, Any]) -> None:
    visit = normal(static("filter_outlet"), equipment=table)
    assert asides(visit) == [("#/equipment/blower/settings/0", "table_unusable")]
    assert visit.equipment.tables == ()


def test_a_table_is_sorted_and_power_known_for_some_rows_is_known_for_none() -> None:
    visit = normal(static("filter_outlet"), equipment=rows((0.5, 1000.0, 400.0), (0.1, 1200.0, None)))
    (table,) = visit.equipment.tables
    pressures = [point.external_static_pressure for point in table.points]
    assert pressures == sorted(pressures)
    assert all(point.power is None for point in table.points)


# Overrides and dates ---------------------------------------------------------------------------------------------


def override(**more: Any) -> dict[str, Any]:
    return {"criterion": "external_static_pressure_maximum", "unit": "inH2O", "reason": "The owner's limit.", **more}


def test_a_limit_of_the_clients_own() -> None:
    visit = normal(static("filter_outlet"), limit_overrides=[override(upper=0.8)])
    (limit,) = visit.overrides
    assert limit.upper == pytest.approx(0.8 * INCH)
    assert limit.lower is None
    assert limit.reason == "The owner's limit."


@pytest.mark.parametrize(
    ("entry", "pointer", "code"),
    [
        (override(upper=1.0, criterion="no_such_criterion"), "criterion", "unknown_criterion"),
        (override(upper=1.0, unit="degF"), "unit", "unit_of_another_kind"),
        (override(), "", "no_range"),
        (override(lower=0.8, upper=0.8), "", "no_range"),
        (override(lower=0.9, upper=0.8), "", "no_range"),
    ],
)
def test_a_limit_that_cannot_be_is_left_out(entry: dict[str, Any], pointer: str, code: str) -> None:
    visit = normal(static("filter_outlet"), limit_overrides=[entry])
    assert visit.overrides == ()
    assert asides(visit) == [(f"#/limit_overrides/0{'/' if pointer else ''}{pointer}", code)]


@pytest.mark.parametrize(
    ("moment", "kept"),
    [
        ("1969-12-31T23:00:00+00:00", False),
        ("1970-01-01T00:00:00+00:00", True),
        ("2200-12-31T23:00:00+00:00", True),
        ("2201-01-01T00:00:00+00:00", False),
        ("0001-01-01T00:00:00+14:00", False),
        ("9999-12-31T23:59:59-12:00", False),
    ],
)
def test_dates_that_the_record_cannot_hold_are_left_out(moment: str, kept: bool) -> None:
    visit = normal(static("filter_outlet"), visited_at=moment)
    assert (visit.visited_at is not None) == kept
    assert asides(visit) == ([] if kept else [("#/visited_at", "date_implausible")])


def test_references_and_elevation_come_through() -> None:
    visit = normal(
        static("filter_outlet"),
        site={"reference": "site-1", "elevation": {"value": 5280, "unit": "ft"}},
        job_reference="job-1",
        equipment={"reference": "unit-1"},
    )
    assert (visit.site_reference, visit.job_reference, visit.equipment.reference) == ("site-1", "job-1", "unit-1")
    assert visit.elevation is not None
    assert visit.elevation.value == pytest.approx(1609.344)
