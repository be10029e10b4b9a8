"""House, room and zone pressures, answers between states, combustion zones and ventilation, against truth and print."""

from __future__ import annotations

import datetime
import math
from typing import Any

import numpy as np
import pytest

from service.derive import Worksheet
from tests.derive.sheets import reading, request, sheets
from tests.visits import house_air
from tests.visits.house_air import DWELLINGS, Dwelling, pressures

CFM = 4.719474432e-4
SQUARE_INCH = 0.00064516
BY_ID = {dwelling.id: dwelling for dwelling in DWELLINGS}
START = datetime.datetime(2026, 4, 14, 9, 0, tzinfo=datetime.UTC)


def zone(first: str, second: str, value: float, **more: Any) -> dict[str, Any]:
    return reading("zone_pressure", value, "Pa", zone=first, reference=second, instrument="m", **more)


def fan(name: str, direction: str, cfm: float, duty: str = "continuous") -> dict[str, Any]:
    return reading("ventilation_airflow", cfm, "[cft_i]/min", fan=name, direction=direction, duty=duty)


def envelope(cfm: float) -> dict[str, Any]:
    point = {"pressure": {"value": 50.0, "unit": "Pa"}, "airflow": {"value": cfm, "unit": "[cft_i]/min"}}
    return {"kind": "envelope_leakage", "direction": "depressurization", "points": [point]}


def state(name: str, **more: Any) -> dict[str, Any]:
    return {"id": name, "mode": "fan_only" if more.get("blower", "on") == "on" else "off", **more}


def air(indoor: float = 20.0, outdoor: float = 20.0) -> tuple[dict[str, Any], dict[str, Any]]:
    return (
        reading("dry_bulb_temperature", indoor, "Cel", location="indoor"),
        reading("dry_bulb_temperature", outdoor, "Cel", location="outdoor"),
    )


def worked(*readings: dict[str, Any], states: list[dict[str, Any]] | None = None, **more: Any) -> dict[str, Worksheet]:
    site = {"elevation": {"value": 0, "unit": "m"}, **more.pop("site", {})}
    instruments = [{"id": "m", "kind": "micromanometer"}, {"id": "b", "kind": "barometer"}]
    found = sheets(request(*readings, states=states or [state("s")], site=site, instruments=instruments, **more))
    return {one.state.id: one for one in found}


# Carried barometer -----------------------------------------------------------------------------------------------


def carried(values: list[tuple[str, float, float, float]], **more: Any) -> list[dict[str, Any]]:
    """Barometer readings: place, seconds, height in m, Pa."""
    return [
        reading(
            "station_pressure", pascals / 100.0, "hPa", place=place, state="s", instrument="b",
            height={"value": height, "unit": "m"},
            taken_at=(START + datetime.timedelta(seconds=seconds)).isoformat(),
            accuracy={"share_of_reading": 0.0, "floor": 2.0, "resolution": 0.01, "unit": "hPa"}, **more,
        )
        for place, seconds, height, pascals in values
    ]  # fmt: skip


A_B_A = [("indoor", 0.0, 1.5, 101000.0), ("outdoor", 60.0, 0.5, 101012.0), ("indoor", 120.0, 1.5, 100996.0)]


def test_three_readings_in_turn_are_the_mean_of_the_first_and_last_less_the_middle() -> None:
    """By hand: (101000 + 100996)/2 - 101012 + 1.2 kg/m3 x 9.80665 m/s2 x 1.0 m = -14 + 11.8 = -2.2 Pa."""
    (one,) = worked(*carried(A_B_A), *air()).values()
    density = house_air.density(20.0, 0.0) * 100998.0 / 101325.0
    assert one.quantities["house_pressure"].value == pytest.approx(-14.0 + density * 9.80665, abs=0.02)
    assert "house_pressure.carried" in one.observations


def test_a_series_agrees_with_numpy_and_its_doubt_with_drawn_errors() -> None:
    """numpy.linalg.lstsq on place, level and drift; scatter and height drawn 20,000 times, within 5 %."""
    rows = [("indoor" if i % 2 == 0 else "outdoor", 45.0 * i, 1.2, 101000.0 - 3.0 * (i % 2) - 0.02 * 45.0 * i)
            for i in range(7)]  # fmt: skip
    (one,) = worked(*carried(rows), *air()).values()
    design = np.array([[float(place == "indoor"), 1.0, seconds] for place, seconds, _, _ in rows])
    observed = np.array([pascals for _, _, _, pascals in rows])
    solved = np.linalg.lstsq(design, observed - observed.mean(), rcond=None)[0]
    found = one.quantities["house_pressure"]
    assert found.value == pytest.approx(solved[0], abs=1e-6)
    generator = np.random.default_rng(7)
    noise = generator.normal(0.0, 2.0, (20000, len(rows))) + generator.uniform(-0.5, 0.5, (20000, len(rows)))
    heights = generator.normal(0.0, 0.03, 20000) * 1.2 * 9.80665
    bend = generator.normal(0.0, 0.1, 20000) * 0.02 * 270.0
    drawn = (np.linalg.pinv(design)[0] * noise).sum(1) + heights + bend
    assert found.uncertainty == pytest.approx(float(drawn.std()), rel=0.05)


@pytest.mark.parametrize(
    ("spoil", "missing"),
    [
        (lambda rows: rows[:2], "read again"),
        (lambda rows: [{k: v for k, v in row.items() if k != "taken_at"} for row in rows], "taken_at"),
        (lambda rows: [{k: v for k, v in row.items() if k != "height"} for row in rows], "height"),
        (lambda rows: [{k: v for k, v in row.items() if k != "instrument"} for row in rows], "instrument"),
        (lambda rows: [rows[0], {**rows[2], "taken_at": rows[0]["taken_at"]}, rows[1]], "in turn"),
        (
            lambda rows: [
                rows[0],
                {**rows[2], "taken_at": rows[1]["taken_at"]},
                {**rows[1], "taken_at": rows[2]["taken_at"]},
            ],
            "read again",
        ),
    ],
)
def test_what_a_carried_barometer_needs_is_named(spoil: Any, missing: str) -> None:
    (one,) = worked(*spoil(carried(A_B_A)), *air()).values()
    assert "house_pressure" not in one.quantities
    assert missing in " ".join(one.lacking["house_pressure_by_barometer"])


# One state -------------------------------------------------------------------------------------------------------


def test_stack_and_wind_of_the_day() -> None:
    """0.865 Pa per m between 20 and 0 degC; 48.1 Pa for 20 mph undisturbed (HOF 2017 ch. 16 and 24, computed)."""
    (one,) = worked(
        zone("indoor", "outdoor", -1.0), *air(20.0, 0.0), site={"height": {"value": 5.0, "unit": "m"}},
        weather={"wind_speed": {"value": 20.0 * 0.44704, "unit": "m/s"}},
    ).values()  # fmt: skip
    assert one.quantities["stack_pressure_expected"].value == pytest.approx(-2.5 * 0.865, rel=0.01)
    cold = house_air.density(0.0, 0.0) / 1.2041
    assert one.quantities["wind_pressure_expected"].value == pytest.approx(48.1 * 0.6**2 * cold, rel=0.01)


@pytest.mark.parametrize(("cfm", "pascals"), [(250.0, 4.48), (400.0, 9.22)])
def test_exhaust_against_the_envelope(cfm: float, pascals: float) -> None:
    """1200 cfm at 50 Pa and n 0.65: 250 cfm hold 4.48 Pa, 400 cfm 9.22 Pa (power law, computed)."""
    (one,) = worked(envelope(1200.0), fan("hood", "exhaust", cfm, "on_demand"), *air()).values()
    assert one.quantities["exhaust_depressurization_expected"].value == pytest.approx(-pascals, rel=0.01)


def test_transfer_opening_of_a_closed_room() -> None:
    """Orifice with 0.6: 100 cfm at 3 Pa need 54 to 55 in2 in all; a room at 12 Pa has half of that already."""
    register = reading(
        "register_airflow", 100.0, "[cft_i]/min", room="den", side="supply", basis="actual", state="s"
    )  # fmt: skip
    (one,) = worked(zone("room", "indoor", 12.0, room="den"), register, *air()).values()
    assert one.quantities["transfer_area"].value / SQUARE_INCH == pytest.approx(0.5 * 54.5, rel=0.01)
    assert one.quantities["transfer_area"].subject == "den"


def test_the_room_furthest_off_comes_first() -> None:
    (one,) = worked(zone("room", "indoor", 1.0, room="a"), zone("indoor", "room", 6.0, room="b")).values()
    assert (one.quantities["room_pressure"].subject, one.quantities["room_pressure"].value) == ("b", -6.0)
    assert one.quantities["room_pressure:a"].value == 1.0


@pytest.mark.parametrize("place", ["garage", "attic"])
def test_how_open_a_zone_is_to_the_house(place: str) -> None:
    """45 of 50 Pa between house and zone: (5/45)^0.65 = 0.240 (series of two power laws)."""
    (one,) = worked(zone("indoor", "outdoor", -50.0), zone("indoor", place, -45.0)).values()
    assert one.quantities[f"{place}_leakage_ratio"].value == pytest.approx(0.2397, rel=1e-3)


def test_either_way_round_is_the_same_pressure() -> None:
    one, other = (
        next(iter(worked(zone(a, b, v)).values()))
        for a, b, v in (("indoor", "outdoor", -2.0), ("outdoor", "indoor", 2.0))
    )
    assert one.quantities["house_pressure"].value == other.quantities["house_pressure"].value == -2.0


def test_a_zone_pressure_needs_its_state_where_there_are_several() -> None:
    found = worked(zone("indoor", "outdoor", -2.0), states=[state("a"), state("b", blower="off")])
    assert all("house_pressure" not in one.quantities for one in found.values())
    assert [aside.code for aside in found["a"].visit.set_aside] == ["state_missing"]


# Several states --------------------------------------------------------------------------------------------------

ON = state("on", blower="on", exhaust_fans="off", interior_doors="open")
OFF = state("off", blower="off", exhaust_fans="off", interior_doors="open")


def test_the_gauges_own_error_cancels_in_an_answer() -> None:
    found = worked(
        zone("indoor", "outdoor", -3.0, state="on"), zone("indoor", "outdoor", -0.5, state="off"), states=[ON, OFF]
    )
    answer = found["on"].quantities["house_response_to_air_handler"]
    assert answer.value == -2.5
    assert answer.terms.get("instrument.m.zero_unchecked", 0.0) == 0.0
    assert answer.uncertainty == pytest.approx(math.hypot(0.5, 0.5), rel=0.02)
    assert "house_response_to_air_handler" not in found["off"].quantities


def test_states_that_differ_in_two_things_are_not_set_against_each_other() -> None:
    other = {**OFF, "exhaust_fans": "on"}
    found = worked(
        zone("indoor", "outdoor", -3.0, state="on"), zone("indoor", "outdoor", -0.5, state="off"), states=[ON, other]
    )
    assert "house_response_to_air_handler" in found["on"].lacking


@pytest.mark.parametrize("name", ["supply_leaks_outside_1600_m", "return_leaks_outside_sea_level"])
def test_the_net_leak_of_the_ducts_is_found(name: str) -> None:
    """Truth: what the simulated ducts draw from outside less what they lose to it."""
    dwelling = BY_ID[name]
    one = next(s for s in sheets(house_air.request(dwelling)) if s.state.id == "blowing")
    found, truth = one.quantities["net_duct_leakage"], (dwelling.return_leak - dwelling.supply_leak) * CFM
    assert math.copysign(1.0, found.value) == math.copysign(1.0, truth)
    assert found.value == pytest.approx(truth, rel=0.15)


@pytest.mark.parametrize("dwelling", [d for d in DWELLINGS if "house" in d.readings], ids=lambda d: d.id)
def test_house_pressures_are_those_of_the_simulated_house(dwelling: Dwelling) -> None:
    for one, running in zip(sheets(house_air.request(dwelling)), dwelling.states, strict=True):
        assert one.quantities["house_pressure"].value == pytest.approx(pressures(dwelling, running)[0], abs=0.051)


# Combustion zones ------------------------------------------------------------------------------------------------


def appliance(venting: str, kind: str = "water_heater", **more: Any) -> dict[str, Any]:
    return {"id": f"{kind}-1", "kind": kind, "venting": venting, **more}


@pytest.mark.parametrize("venting", ["natural_draft", "fan_assisted", "power_vented", "direct_vent", "unvented"])
def test_only_what_feels_the_zone_is_judged_by_it(venting: str) -> None:
    """A sealed appliance takes its air from outside: the pressure of the zone is none of its business."""
    found = worked(
        zone("combustion_zone", "outdoor", -40.0, state="on"), zone("combustion_zone", "outdoor", 0.0, state="off"),
        states=[ON, OFF], appliances=[appliance(venting)],
    )["on"]  # fmt: skip
    feels = venting in ("natural_draft", "fan_assisted", "power_vented")
    assert (f"{venting}_zone_pressure" in found.quantities) == feels
    if feels:
        assert found.quantities[f"{venting}_zone_pressure_change"].value == -40.0


def test_zone_against_outdoors_through_the_house() -> None:
    (one,) = worked(
        zone("basement", "indoor", -1.5), zone("indoor", "outdoor", -2.0),
        appliances=[appliance("natural_draft", zone="basement")],
    ).values()  # fmt: skip
    assert one.quantities["natural_draft_zone_pressure"].value == pytest.approx(-3.5)


@pytest.mark.parametrize(
    ("spills", "seconds", "token"),
    [(True, 299.0, "at_start"), (True, 300.0, "lasting"), (True, None, "lasting"), (False, 300.0, "none_seen")],
)
def test_spillage_of_the_start_and_lasting(spills: bool, seconds: float | None, token: str) -> None:
    """Fuel gas code appendix D looks after five minutes (remembered); what is not said counts as lasting."""
    look: dict[str, Any] = {"kind": "spillage", "appliance": "water_heater-1", "spills": spills}
    if seconds is not None:
        look["seconds_after_lighting"] = seconds
    (one,) = worked(look, appliances=[appliance("natural_draft")]).values()
    assert {token for token in one.observations if token.startswith("spillage.")} == {f"spillage.{token}"}


def test_flue_gas_on_the_wrong_basis_is_not_judged() -> None:
    gas = reading("flue_carbon_monoxide", 500.0, "[ppm]", appliance="furnace-1", basis="as_measured")
    (one,) = worked(gas, appliances=[appliance("natural_draft", "furnace")]).values()
    assert "air_free" in one.lacking["flue_carbon_monoxide_furnace"][0]


def test_a_look_at_an_appliance_that_is_not_declared_is_set_aside() -> None:
    (one,) = worked({"kind": "spillage", "appliance": "ghost", "spills": True}, zone("indoor", "outdoor", 0.0)).values()
    assert [(aside.code, aside.pointer) for aside in one.visit.set_aside] == [
        ("unknown_appliance", "#/readings/0/appliance")
    ]
    assert not [token for token in one.observations if token.startswith("spillage.")]


def test_the_worst_place_comes_first() -> None:
    (one,) = worked(
        reading("carbon_monoxide", 4.0, "[ppm]", location="indoor"),
        reading("carbon_monoxide", 40.0, "[ppm]", location="basement"),
        reading("carbon_monoxide", 400.0, "[ppm]", location="outdoor"),
    ).values()
    assert one.quantities["ambient_carbon_monoxide"].value == pytest.approx(40e-6)
    assert one.quantities["ambient_carbon_monoxide"].subject == "basement"


# Ventilation -----------------------------------------------------------------------------------------------------

DWELLING = {
    "floor_area": {"value": 2000, "unit": "[sft_i]"},
    "bedrooms": 3,
    "height": {"value": 16, "unit": "[ft_i]"},
    "weather_and_shielding_factor": 0.5,
}


@pytest.mark.parametrize(
    ("fans", "of_fans"),
    [((("bath", "exhaust", 70.0),), 60.9), ((("bath", "exhaust", 70.0), ("fresh", "supply", 72.0)), 38.9)],
)
def test_required_ventilation_of_a_printed_example(fans: tuple[tuple[str, str, float], ...], of_fans: float) -> None:
    """ASHRAE 62.2 as coded in an open workflow: 2000 ft2, 3 bedrooms, 90 cfm in all; 1500 cfm at 50 Pa, two storeys of
    16 ft and a factor of 0.5 credit 51.1 cfm: 60.9 cfm by exhaust alone, 38.9 cfm balanced."""
    (one,) = worked(envelope(1500.0), *(fan(*entry) for entry in fans), *air(), site=DWELLING).values()
    assert one.quantities["ventilation_required"].value / CFM == pytest.approx(90.0, abs=1e-9)
    assert one.quantities["infiltration_credit"].value / CFM == pytest.approx(51.1, rel=0.005)
    assert one.quantities["ventilation_required_of_fans"].value / CFM == pytest.approx(of_fans, rel=0.01)


def test_without_a_test_nothing_is_credited_and_fans_that_run_now_and_then_do_not_count() -> None:
    (one,) = worked(fan("bath", "exhaust", 45.0), fan("hood", "exhaust", 300.0, "on_demand"), site=DWELLING).values()
    assert one.quantities["ventilation_to_required"].value == pytest.approx(0.5)
    assert one.quantities["largest_exhaust"].subject == "hood"
    assert "infiltration.not_credited" in one.observations


def test_what_was_not_read_is_not_there() -> None:
    (one,) = worked(*air(), site=DWELLING).values()
    words = ("house", "room", "zone", "vent", "exhaust", "monoxide", "infiltration", "pressure_expected", "transfer")
    assert not [name for name in (*one.quantities, *one.lacking) if any(word in name for word in words)]
