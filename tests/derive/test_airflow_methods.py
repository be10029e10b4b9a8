"""Airflow by each method against worked examples, and the best estimate of them all."""

from __future__ import annotations

from typing import Any

import pytest

from service.derive import Worksheet
from tests.derive.sheets import reading, request, sheet, static
from tests.visits.house import CFM, INCH

BTU_PER_HOUR = 1055.05585262 / 3600


def cfm(worked: Worksheet, name: str) -> float:
    assert name in worked.quantities, f"{name} lacks {worked.lacking.get(name)}"
    return worked.quantities[name].value / CFM


def dry_bulbs(entering: float, leaving: float) -> list[dict[str, Any]]:
    return [
        reading("dry_bulb_temperature", entering, "degF", location="return_plenum", state="s"),
        reading("dry_bulb_temperature", leaving, "degF", location="supply_plenum", state="s"),
    ]


DRY = reading("relative_humidity", 0.01, "%", location="return_plenum", state="s")
BLOWER_POWER = {"kind": "electric_power", "component": "blower", "state": "s"}
GAS = {
    "gas_heat": {
        "input": {"value": 80000, "unit": "Btu/h"},
        "steady_state_efficiency": {"value": 80, "unit": "%"},
        "input_is_derated": True,
    }
}
HEATING = [{"id": "s", "mode": "heating"}]


# Temperature rise ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("feet", "expected"), [(0.0, 1185.0), (5000.0, 1424.0), (7500.0, 1565.0)])
def test_gas_heat_over_rise(feet: float, expected: float) -> None:
    """80 000 Btu/h x 0.80 over 50 degF: 1185, 1424 and 1565 cfm at 0, 5000 and 7500 ft, told with F = 1.08 x density
    ratio (0.075 lb/ft3, cp 0.240). With entering air of 70 degF instead of 69.2 degF and cp 0.2403 (HOF 2017 ch. 1
    eq. 30) the exact balance differs by less than 0.3 %; a blower of 0.001 W adds nothing."""
    worked = sheet(
        request(
            *dry_bulbs(70.0, 120.0),
            DRY,
            {**BLOWER_POWER, "value": {"value": 0.001, "unit": "W"}},
            equipment=GAS,
            states=HEATING,
            site={"elevation": {"value": feet, "unit": "ft"}},
        )
    )
    assert cfm(worked, "airflow_from_temperature_rise") == pytest.approx(expected, rel=3e-3)


def test_blower_heat_is_part_of_the_rise() -> None:
    """450 W of blower on top of 64 000 Btu/h: 1214 cfm instead of 1185 at sea level."""
    flows = [
        cfm(
            sheet(
                request(
                    *dry_bulbs(70.0, 120.0),
                    DRY,
                    {**BLOWER_POWER, "value": {"value": watts, "unit": "W"}},
                    equipment=GAS,
                    states=HEATING,
                    site={"elevation": {"value": 0, "unit": "ft"}},
                )
            ),
            "airflow_from_temperature_rise",
        )
        for watts in (0.001, 450.0)
    ]
    assert flows[1] / flows[0] == pytest.approx(1214.0 / 1185.0, abs=5e-4)


@pytest.mark.parametrize(("phases", "factor"), [(1, 1.0), (3, 3.0**0.5)])
def test_electric_heat_over_rise(phases: int, factor: float) -> None:
    """240 V x 40 A over 28 degF: 1083 cfm, with 400 W of blower 1128 (F = 1.08); sqrt(3) more on three phases."""
    worked = sheet(
        request(
            *dry_bulbs(70.0, 98.0),
            DRY,
            reading("voltage", 240.0, "V", component="electric_heater", state="s"),
            reading("current", 40.0, "A", component="electric_heater", state="s"),
            {**BLOWER_POWER, "value": {"value": 400.0 * factor, "unit": "W"}},
            arrangement="air_handler_with_internal_coil",
            equipment={"electric_heat": {"phases": phases}},
            states=HEATING,
            site={"elevation": {"value": 0, "unit": "ft"}},
        )
    )
    assert worked.quantities["electric_heater_power"].value == pytest.approx(9600.0 * factor)
    assert cfm(worked, "airflow_from_temperature_rise") == pytest.approx(1128.0 * factor, rel=3e-3)


def test_gas_and_electric_heat_at_once_cannot_be_told_apart() -> None:
    both = {**GAS, "electric_heat": {}}
    worked = sheet(
        request(
            *dry_bulbs(70.0, 120.0),
            reading("electric_power", 5000.0, "W", component="electric_heater", state="s"),
            equipment=both,
            states=HEATING,
            site={"elevation": {"value": 0, "unit": "ft"}},
        )
    )
    assert "airflow_from_temperature_rise" not in worked.quantities
    assert "alone" in worked.lacking["airflow_from_temperature_rise"][0]


@pytest.mark.parametrize(
    ("dropped", "named"),
    [
        ("efficiency", "gas_heat.steady_state_efficiency"),
        ("temperature", "dry_bulb_temperature at the return and supply plenums"),
        ("site", "site elevation or station_pressure reading"),
    ],
)
def test_what_the_rise_lacks_is_named(dropped: str, named: str) -> None:
    equipment = {"gas_heat": {"input": GAS["gas_heat"]["input"]}} if dropped == "efficiency" else GAS
    site = {} if dropped == "site" else {"site": {"elevation": {"value": 0, "unit": "ft"}}}
    bulbs = dry_bulbs(70.0, 120.0)[: 1 if dropped == "temperature" else 2]
    worked = sheet(request(*bulbs, equipment=equipment, states=HEATING, **site))
    assert worked.lacking["airflow_from_temperature_rise"] == (named,)
    assert "airflow" not in worked.quantities


@pytest.mark.parametrize("leaving", [70.0, 60.0])
def test_no_flow_is_made_of_a_rise_that_is_none(leaving: float) -> None:
    worked = sheet(
        request(
            *dry_bulbs(70.0, leaving), equipment=GAS, states=HEATING, site={"elevation": {"value": 0, "unit": "ft"}}
        )
    )
    assert "airflow_from_temperature_rise" not in worked.quantities
    assert "out of range" in worked.lacking["airflow_from_temperature_rise"][0]
    assert worked.quantities["temperature_rise"].value <= 0.0


def test_cooling_has_a_split_and_no_rise() -> None:
    worked = sheet(request(*dry_bulbs(75.0, 55.0), equipment=GAS, states=[{"id": "s", "mode": "cooling"}]))
    assert worked.quantities["temperature_split"].value == pytest.approx(20.0 * 5 / 9)
    assert "temperature_rise" not in {*worked.quantities, *worked.lacking}
    assert "airflow_from_temperature_rise" not in {*worked.quantities, *worked.lacking}


# Blower table ----------------------------------------------------------------------------------------------------

ROWS = ((0.1, 1350), (0.2, 1310), (0.3, 1265), (0.4, 1210), (0.5, 1150), (0.6, 1080), (0.7, 1000), (0.8, 905))
"""An invented table: in. w.c., cfm at 0.075 lb/ft3."""


def blower(**more: Any) -> dict[str, Any]:
    rows = [
        {"external_static_pressure": {"value": p, "unit": "inH2O"}, "airflow": {"value": q, "unit": "cfm"}}
        for p, q in ROWS
    ]
    return {"blower": {"settings": [{"setting": "high", "rows": rows}], **more}}


def at_table(pressure: float, *, density_ratio: float = 1.0, **more: Any) -> Worksheet:
    """The table entered at an external static pressure, in dry air of 0.075 lb/ft3 times a ratio at 70 degF."""
    hectopascals = 1.201384753 * density_ratio * 287.042 * (70.0 + 459.67) * 5 / 9 / 100
    return sheet(
        request(
            static("filter_outlet", -pressure / 2),
            static("heat_exchanger_outlet", pressure / 2),
            reading("dry_bulb_temperature", 70.0, "degF", location="return_plenum"),
            reading("relative_humidity", 0.0, "%", location="return_plenum"),
            reading("station_pressure", hectopascals, "hPa"),
            equipment=blower(**more),
        )
    )


@pytest.mark.parametrize(("pressure", "expected"), [(0.55, 1115.0), (0.47, 1168.0), (0.1001, 1350.0), (0.8, 905.0)])
def test_table_between_its_rows(pressure: float, expected: float) -> None:
    """Linear interpolation by hand: 0.55 lies half way between 1150 and 1080."""
    assert cfm(at_table(pressure), "airflow_from_blower_table") == pytest.approx(expected, abs=1.0)


def test_table_is_entered_at_its_own_density() -> None:
    """Duct of 0.5 in. at 1200 cfm, n = 2: 0.4725 in. and 1166.5 cfm in standard air, 0.3925 in. and the same 1166.5 cfm
    where density is 0.8307 of it (fan laws: same volume, pressure with density)."""
    assert cfm(at_table(0.4725), "airflow_from_blower_table") == pytest.approx(1166.5, abs=1.0)
    assert cfm(at_table(0.3925, density_ratio=0.8307), "airflow_from_blower_table") == pytest.approx(1166.5, abs=1.0)


def test_a_table_made_for_thin_air_is_entered_as_it_stands() -> None:
    thin = {"table_air_density": {"value": 0.075 * 0.8307, "unit": "lb/ft3"}}
    assert cfm(at_table(0.47, density_ratio=0.8307, **thin), "airflow_from_blower_table") == pytest.approx(
        1168.0, abs=1.0
    )


def test_held_torque_keeps_pressure_and_gains_flow_in_thin_air() -> None:
    """Torque ~ density speed^2 held: pressure as in the table, flow by 1/sqrt(0.8307) more (from the fan laws)."""
    held = at_table(0.47, density_ratio=0.8307, kind="constant_torque")
    assert cfm(held, "airflow_from_blower_table") == pytest.approx(1168.0 / 0.8307**0.5, abs=1.5)


@pytest.mark.parametrize("pressure", [0.05, 0.85])
def test_nothing_is_extrapolated(pressure: float) -> None:
    worked = at_table(pressure)
    assert "airflow_from_blower_table" not in worked.quantities
    assert "blower_table.beyond" in worked.observations
    assert "within the rows" in worked.lacking["airflow_from_blower_table"][0]


def test_a_table_needs_its_setting() -> None:
    two = blower()
    two["blower"]["settings"].append({**two["blower"]["settings"][0], "setting": "low"})
    statics = [static("filter_outlet", -0.2), static("heat_exchanger_outlet", 0.27)]
    site = {"elevation": {"value": 0, "unit": "ft"}}
    for states, known in (([{"id": "s"}], False), ([{"id": "s", "speed_setting": "low"}], True)):
        worked = sheet(request(*statics, equipment=two, states=states, site=site))
        assert ("airflow_from_blower_table" in worked.quantities) == known
    worked = sheet(request(*statics, equipment=two, states=[{"id": "s", "speed_setting": "turbo"}], site=site))
    assert "speed_setting" in worked.lacking["airflow_from_blower_table"][0]


# Readings --------------------------------------------------------------------------------------------------------


def flow_reading(value: float, **more: Any) -> dict[str, Any]:
    return reading("airflow", value, "cfm", **{"location": "filter_inlet", "basis": "actual", **more})


def test_an_airflow_reading_is_taken_with_the_accuracy_of_its_method() -> None:
    """Usual accuracy of a flow grid 7 %, of a flow hood 10 %, of a powered hood 5 %: over sqrt(3)."""
    for method, share in (("flow_grid", 0.07), ("flow_hood", 0.10), ("powered_hood", 0.05)):
        quantity = sheet(request(flow_reading(1200.0, method=method))).quantities["airflow_measured"]
        floor = {"flow_grid": 10.0, "flow_hood": 10.0, "powered_hood": 5.0}[method]
        assert quantity.uncertainty / quantity.value == pytest.approx(share / 3.0**0.5, rel=1e-2), (method, floor)


@pytest.mark.parametrize("where", ["outdoor", "attic", "garage"])
def test_an_airflow_elsewhere_is_not_the_equipments(where: str) -> None:
    worked = sheet(request(flow_reading(1200.0, location=where)))
    assert "airflow" not in worked.quantities
    assert worked.lacking["airflow_measured"] == ("an airflow reading at a station of the air path",)


def test_a_standard_airflow_needs_the_density() -> None:
    worked = sheet(request(flow_reading(1200.0, basis="standard")))
    assert worked.lacking["airflow_measured"] == ("site elevation or station_pressure reading, for the density",)


def test_a_negative_airflow_is_not_used_as_one() -> None:
    worked = sheet(request(flow_reading(-1200.0)))
    assert "airflow" not in worked.quantities


# The best estimate -----------------------------------------------------------------------------------------------


def test_one_method_stands_alone_and_says_so() -> None:
    worked = sheet(request(flow_reading(1200.0)))
    assert worked.quantities["airflow"].value == worked.quantities["airflow_measured"].value
    assert worked.quantities["airflow"].method == "one method alone: airflow reading"
    assert "airflow_agreement" in worked.lacking


def test_agreeing_methods_are_weighed_by_their_variances() -> None:
    """Independent values are weighed by inverse variance (JCGM 100 and any text on least squares)."""
    worked = at_and_measured(0.47, 1150.0)
    first, second = (worked.quantities[name] for name in ("airflow_measured", "airflow_from_blower_table"))
    weights = [1.0 / entry.uncertainty**2 for entry in (first, second)]
    expected = (weights[0] * first.value + weights[1] * second.value) / sum(weights)
    best = worked.quantities["airflow"]
    assert best.value == pytest.approx(expected, rel=1e-6)
    assert best.uncertainty == pytest.approx(sum(weights) ** -0.5, rel=1e-6)
    assert worked.quantities["airflow_agreement"].value > 0.5


def test_methods_that_disagree_widen_the_estimate() -> None:
    """Birge ratio: of two values d apart with variances u1, u2, chi-square is d^2 / (u1^2 + u2^2)."""
    worked = at_and_measured(0.47, 700.0)
    first, second = (worked.quantities[name] for name in ("airflow_measured", "airflow_from_blower_table"))
    spread = abs(first.value - second.value) / (first.uncertainty**2 + second.uncertainty**2) ** 0.5
    best = worked.quantities["airflow"]
    alone = (first.uncertainty**-2 + second.uncertainty**-2) ** -0.5
    assert spread > 3.0
    assert best.uncertainty == pytest.approx(spread * alone, rel=1e-6)
    assert worked.quantities["airflow_agreement"].value < 0.01
    assert "disagree" in best.method


def at_and_measured(pressure: float, flow: float) -> Worksheet:
    return sheet(
        request(
            static("filter_outlet", -pressure / 2),
            static("heat_exchanger_outlet", pressure / 2),
            flow_reading(flow, method="flow_grid"),
            equipment=blower(),
            site={"elevation": {"value": 0, "unit": "ft"}},
        )
    )


def test_methods_that_share_their_errors_never_leave_their_own_range() -> None:
    """Two readings by one grid scaled to two places: generalised least squares would extrapolate beyond both."""
    from service.derive.airflow import _best
    from service.model.quantity import Measured

    worked = sheet(request(static("filter_outlet", -0.2)))
    shared = {"grid": 40.0}
    for name, value, own in (("airflow_measured", 1000.0, 1.0), ("airflow_from_blower_table", 1100.0, 60.0)):
        worked.record(name, Measured(value, {**shared, name: own} | ({"grid": 70.0} if own > 10 else {})), "test", ())
    _best(worked)
    best = worked.quantities["airflow"]
    assert 1000.0 <= best.value <= 1100.0
    assert "surest" in best.method


# What follows ----------------------------------------------------------------------------------------------------


def test_airflow_per_ton_face_velocity_and_fan_power() -> None:
    """1200 cfm on 3 tons is 400 cfm/ton; through 20 x 25 in. it is 345.6 fpm; 540 W on it are 0.450 W/cfm."""
    worked = sheet(
        request(
            flow_reading(1200.0),
            reading("electric_power", 540.0, "W", component="blower"),
            equipment={
                "nominal_cooling_capacity": {"value": 3, "unit": "tons"},
                "filter": {"width": {"value": 20, "unit": "in"}, "height": {"value": 25, "unit": "in"}},
                "design_airflow": {"value": 1000, "unit": "cfm"},
            },
        )
    )
    per_ton = CFM / (12000 * BTU_PER_HOUR)
    assert worked.quantities["airflow_per_capacity"].value / per_ton == pytest.approx(400.0)
    assert worked.quantities["filter_face_velocity"].value / 0.00508 == pytest.approx(345.6)
    assert worked.quantities["power_per_airflow"].value * CFM == pytest.approx(0.450)
    assert worked.quantities["airflow_to_design"].value == pytest.approx(1.2)


def test_air_power_and_efficiency() -> None:
    """1200 cfm x 0.5 in. w.c. = 70.5 W; of 450 W that is 15.7 %."""
    worked = sheet(
        request(
            flow_reading(1200.0),
            static("filter_outlet", -0.2),
            static("heat_exchanger_outlet", 0.3),
            reading("electric_power", 450.0, "W", component="blower"),
        )
    )
    assert worked.quantities["air_power"].value == pytest.approx(70.5, abs=0.05)
    assert worked.quantities["blower_efficiency"].value == pytest.approx(0.157, abs=5e-4)
    assert worked.quantities["external_static_pressure"].value == pytest.approx(0.5 * INCH)


def test_filter_drop_is_carried_to_todays_flow() -> None:
    """0.12 in. at 1000 cfm becomes 0.173 in. at 1300 cfm with n = 1.4; a drop of 0.346 is twice that."""
    rated = {"pressure_drop": {"value": 0.12, "unit": "inH2O"}, "airflow": {"value": 1000, "unit": "cfm"}}
    worked = sheet(
        request(
            flow_reading(1300.0),
            static("return_plenum", -0.1),
            static("filter_outlet", -0.446),
            reading("dry_bulb_temperature", 69.2, "degF", location="return_plenum"),
            reading("relative_humidity", 0.0, "%", location="return_plenum"),
            reading("station_pressure", 1013.25, "hPa"),
            equipment={"filter": {"rated": rated}},
        )
    )
    assert worked.quantities["filter_pressure_drop_to_rated"].value == pytest.approx(2.0, abs=0.01)


def test_what_a_comparison_with_a_rating_lacks_is_named() -> None:
    worked = sheet(request(static("filter_outlet", -0.2)))
    assert worked.lacking["filter_pressure_drop_to_rated"] == (
        "static_pressure before and after the filter",
        "filter.rated: the clean pressure drop at a flow",
        "an airflow method that rests on no part's drop",
        "site elevation or station_pressure reading",
    )
    assert worked.lacking["power_per_airflow"] == ("electric_power of the blower",)
    assert worked.lacking["filter_face_velocity"] == ("any airflow method", "filter.width and filter.height")


def test_what_the_comparison_of_blower_power_with_the_table_lacks_is_named() -> None:
    rows = [
        {"external_static_pressure": {"value": x, "unit": "inH2O"}, "airflow": {"value": 1400 - 800 * x, "unit": "cfm"}}
        for x in (0.1, 0.5, 0.9)
    ]
    with_power = [{**row, "power": {"value": 500.0 - 10.0 * place, "unit": "W"}} for place, row in enumerate(rows)]
    watts = reading("electric_power", 500.0, "W", component="blower")
    for table, readings, missing in (
        (with_power, [], "electric_power of the blower"),
        (with_power, [watts], "external static pressure"),
        (rows, [watts], "blower.settings with the power of each row"),
    ):
        equipment = {"blower": {"settings": [{"setting": "high", "rows": table}]}}
        worked = sheet(request(flow_reading(1200.0), *readings, equipment=equipment))
        assert worked.lacking["blower_power_to_table"] == (missing,)
    worked = sheet(request(flow_reading(1200.0), watts))
    assert "blower_power_to_table" not in worked.lacking


def test_blower_power_by_voltage_and_current_needs_the_power_factor() -> None:
    pair = [
        reading("voltage", 400.0, "V", component="blower"),
        reading("current", 2.0, "A", component="blower"),
    ]
    plain = sheet(request(*pair, equipment={"blower": {"phases": 3}}))
    assert "power_factor" in plain.lacking["blower_power"][0]
    known = sheet(request(*pair, equipment={"blower": {"phases": 3, "power_factor": 0.82}}))
    assert known.quantities["blower_power"].value == pytest.approx(3.0**0.5 * 400.0 * 2.0 * 0.82)


# Air at the site -------------------------------------------------------------------------------------------------


def test_nothing_is_told_of_air_nobody_read() -> None:
    worked = sheet(request(reading("wet_bulb_temperature", 62.0, "degF", location="indoor")))
    assert "return_air.assumed" in worked.observations
    assert not {"return_air_temperature", "return_wet_bulb_depression", "return_air_humidity_ratio"} & set(
        worked.quantities
    )
    assert "station_pressure.unknown" in worked.observations


def test_assumed_air_widens_the_density_and_is_said() -> None:
    read = sheet(
        request(
            reading("dry_bulb_temperature", 21.0, "Cel", location="return_plenum"),
            reading("relative_humidity", 45.0, "%", location="return_plenum"),
            site={"elevation": {"value": 0, "unit": "m"}},
        )
    ).quantities["return_air_density"]
    assumed = sheet(request(static("filter_outlet", -0.2), site={"elevation": {"value": 0, "unit": "m"}}))
    density = assumed.quantities["return_air_density"]
    assert density.value == pytest.approx(read.value, rel=1e-9)
    assert density.uncertainty > 1.5 * read.uncertainty
    assert "return_air.assumed" in assumed.observations


def test_air_at_the_open_end_of_the_supply_is_not_the_rooms() -> None:
    bulb = reading("dry_bulb_temperature", 120.0, "degF", location="after.register")
    worked = sheet(request(bulb, reading("dry_bulb_temperature", 70.0, "degF", location="before.return_grille")))
    assert worked.quantities["return_air_temperature"].value == pytest.approx((70.0 + 459.67) * 5 / 9)
    assert [entry.code for entry in worked.visit.set_aside] == ["open_end"]


def test_supply_air_is_that_behind_the_last_heat_source_wherever_it_stands() -> None:
    """A duct heater sits behind the supply duct: air before it is not yet the supply's."""
    path = [
        {"kind": kind} for kind in ("return_duct", "filter", "blower", "supply_duct", "electric_heater", "register")
    ]
    worked = sheet(
        request(
            reading("dry_bulb_temperature", 70.0, "degF", location="return_plenum", state="s"),
            reading("dry_bulb_temperature", 71.0, "degF", location="after.blower", state="s"),
            reading("dry_bulb_temperature", 98.0, "degF", location="after.electric_heater", state="s"),
            reading("electric_power", 9600.0, "W", component="electric_heater", state="s"),
            arrangement="custom",
            equipment={"air_path": path},
            states=HEATING,
            site={"elevation": {"value": 0, "unit": "ft"}},
        )
    )
    assert worked.quantities["temperature_rise"].value == pytest.approx(28.0 * 5 / 9)
    assert worked.quantities["return_air_temperature"].inputs == ("reading.0",)
