"""House pressures and flows: worked values, published models, and the two-place barometer against simulated weather."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, house, leakage

CFM = 4.719474432e-4
SQUARE_INCH = 0.0254**2
FOOT = 0.3048
MILE_PER_HOUR = 0.44704
P0 = 101_325.0


def dry(celsius: float, pressure: float = P0) -> float:
    return air.density(celsius + 273.15, 0.0, pressure)


# --- stack and wind -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("outside", "per_metre"), [(-20, 1.866), (-10, 1.346), (0, 0.865), (10, 0.417), (20, 0.0), (35, -0.575)]
)
def test_stack_pressure_per_metre(outside: float, per_metre: float) -> None:
    """20 degC inside, dry air at 101 325 Pa, g (rho_o - rho_i) by hand."""
    assert house.stack_pressure_per_metre(dry(20), dry(outside)) == pytest.approx(per_metre, abs=0.002)


def test_stack_pressure_2_5_m_from_the_neutral_level() -> None:
    """0 degC outside, 20 inside: 2.16 Pa by hand; against the usual form rho g h dT/T (HOF 2017 ch. 16)."""
    pressure = house.stack_pressure(2.5, dry(20), dry(0))
    assert pressure == pytest.approx(2.16, rel=0.01)
    assert pressure == pytest.approx(dry(0) * 9.80665 * 2.5 * 20 / 293.15, rel=1e-3)
    assert house.stack_pressure(-2.5, dry(20), dry(0)) == -pressure


@pytest.mark.parametrize(
    ("speed", "pressure"),
    [(10 * MILE_PER_HOUR, 12.0), (15 * MILE_PER_HOUR, 27.1), (20 * MILE_PER_HOUR, 48.1), (5.0, 15.05)],
)
def test_wind_pressure(speed: float, pressure: float) -> None:
    """rho U^2 / 2 at 1.204 kg/m3, 10, 15, 20 mph and 5 m/s, by hand."""
    assert house.wind_pressure(speed, 1.204, 1.0) == pytest.approx(pressure, rel=5e-3)
    assert house.wind_pressure(speed, 1.204, -0.3) == pytest.approx(-0.3 * pressure, rel=5e-3)


def test_stack_opening_flow_worked() -> None:
    """1 m2, 2 m, 20 and 0 degC: C_D .49, .49 sqrt(2 x 9.80665 x 2 x 20/293.15) = .8016 m3/s, by hand."""
    assert house.stack_opening_flow(1.0, 2.0, 293.15, 273.15) == pytest.approx(0.8016, rel=2e-4)
    # The warmer side stands below the line whichever side that is.
    assert house.stack_opening_flow(1.0, 2.0, 273.15, 293.15) == pytest.approx(0.8016, rel=2e-4)


def test_stack_opening_flow_agrees_with_an_orifice_under_stack_pressure() -> None:
    """v = sqrt(2 dp / rho) with dp = g h (rho_o - rho_i): the same to first order in dT/T."""
    flow = house.stack_opening_flow(1.0, 2.0, 293.15, 273.15) / 0.49
    pressure = house.stack_pressure(2.0, dry(20), dry(0))
    assert flow == pytest.approx(math.sqrt(2.0 * pressure / dry(0)), rel=1e-3)


# --- infiltration models ------------------------------------------------------------------------------------------


def test_sherman_grimsrud_worked() -> None:
    """500 cm2, one storey, shielding class 3 (.000145, .000174), 20 K, 4 m/s: .03770 m3/s.

    Coefficients of HOF 2001 ch. 26 as quoted in the reference of the US DOE's building simulation program; by hand.
    """
    flow = house.infiltration_from_leakage_area(0.05, 0.000145, 0.000174, 293.15, 273.15, 4.0)
    assert flow == pytest.approx(0.03770, rel=2e-4)


def test_aim_2_worked() -> None:
    """c .05, n .67, C_s .089, C_w .156, s .64, 20 K, 4 m/s: .03312 stack, .02749 wind, .04304 m3/s (91.2 cfm).

    Coefficients of HOF 2001 ch. 26 as quoted in the reference of the US DOE's building simulation program; by hand.
    """
    arguments = (0.05, 0.67, 0.089, 0.156, 0.64, 293.15)
    assert house.infiltration_from_power_law(*arguments, 273.15, 0.0) == pytest.approx(0.03312, rel=2e-4)
    assert house.infiltration_from_power_law(*arguments, 293.15, 4.0) == pytest.approx(0.02749, rel=2e-4)
    flow = house.infiltration_from_power_law(*arguments, 273.15, 4.0)
    assert flow == pytest.approx(0.04304, rel=1e-4)
    assert flow / CFM == pytest.approx(91.2, abs=0.05)


def test_the_two_infiltration_models_tell_the_same_house() -> None:
    """The same envelope by both: some tens of per cent apart (common practice, no source)."""
    coefficient, exponent = 0.05, 0.67
    area = leakage.leakage_area(leakage.leakage_flow(coefficient, exponent, 4.0), 4.0, 1.2, 1.0)
    by_area = house.infiltration_from_leakage_area(area, 0.000145, 0.000174, 293.15, 273.15, 4.0)
    by_law = house.infiltration_from_power_law(coefficient, exponent, 0.054, 0.156, 0.64, 293.15, 273.15, 4.0)
    assert by_area == pytest.approx(by_law, rel=0.4)


@given(st.floats(0.0, 40.0), st.floats(0.0, 15.0))
def test_infiltration_grows_with_cold_and_wind(difference: float, wind: float) -> None:
    def by_area(dt: float, u: float) -> float:
        return house.infiltration_from_leakage_area(0.05, 0.000145, 0.000174, 293.15, 293.15 - dt, u)

    def by_law(dt: float, u: float) -> float:
        return house.infiltration_from_power_law(0.05, 0.67, 0.089, 0.156, 0.64, 293.15, 293.15 - dt, u)

    for model in (by_area, by_law):
        assert model(difference + 1.0, wind) > model(difference, wind)
        assert model(difference, wind + 0.5) > model(difference, wind)
        # Stack and wind add in quadrature in both.
        both = math.hypot(model(difference, 0.0), model(0.0, wind))
        assert model(difference, wind) == pytest.approx(both, rel=1e-9)


# --- fans against the envelope, rooms, buffer zones ---------------------------------------------------------------


@pytest.mark.parametrize(("exhaust", "pressure"), [(250, 4.48), (400, 9.22)])
def test_exhaust_against_envelope(exhaust: float, pressure: float) -> None:
    """1200 cfm at 50 Pa, n .65: 50 (250/1200)^(1/.65) and 50 (400/1200)^(1/.65), by hand."""
    coefficient = leakage.coefficient_from_point(1200 * CFM, 50.0, 0.65)
    assert house.pressure_from_net_flow(-exhaust * CFM, coefficient, 0.65) == pytest.approx(-pressure, abs=0.005)


@given(st.floats(-2.0, 2.0), st.floats(0.001, 1.0), st.floats(0.5, 1.0))
def test_net_flow_and_pressure_are_inverse(flow: float, coefficient: float, exponent: float) -> None:
    pressure = house.pressure_from_net_flow(flow, coefficient, exponent)
    assert house.net_flow_from_pressure(pressure, coefficient, exponent) == pytest.approx(flow, rel=1e-9, abs=1e-12)
    assert pressure * flow >= 0.0


def test_transfer_area_against_the_trades_constant() -> None:
    """100 cfm at 3 Pa: 54 to 55 in2; cfm = 1.07 in2 sqrt(Pa), common practice, no source. Orifice by hand: 1.059."""
    area = house.transfer_area(100 * CFM, 3.0, 1.2) / SQUARE_INCH
    assert 54.0 < area < 55.0
    assert area == pytest.approx(100 / (1.07 * math.sqrt(3.0)), rel=0.015)
    assert 100 / (area * math.sqrt(3.0)) == pytest.approx(1.059, abs=1e-3)


def test_added_transfer_area() -> None:
    """100 cfm at 12 Pa passes half the area that 3 Pa needs (orifice), so as much again is to be added."""
    needed = house.transfer_area(100 * CFM, 3.0, 1.2)
    assert house.added_transfer_area(100 * CFM, 12.0, 3.0, 1.2) == pytest.approx(0.5 * needed)
    assert house.added_transfer_area(100 * CFM, 3.0, 3.0, 1.2) == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0.01, 0.3), st.floats(3.0, 30.0), st.floats(0.8, 1.4))
def test_added_area_brings_the_room_to_its_target(flow: float, measured: float, density: float) -> None:
    gaps = house.transfer_area(flow, measured, density)
    total = gaps + house.added_transfer_area(flow, measured, 3.0, density)
    assert leakage.flow_through_area(total, 3.0, density, 0.6) == pytest.approx(flow, rel=1e-9)
    assert leakage.flow_through_area(gaps, measured, density, 0.6) == pytest.approx(flow, rel=1e-9)


@pytest.mark.parametrize(("to_zone", "to_outside", "ratio"), [(25, 25, 1.0), (37, 13, 2.0), (45, 5, 4.0), (48, 2, 8.0)])
def test_series_leakage_of_a_zone(to_zone: float, to_outside: float, ratio: float) -> None:
    """Pairs of zone pressures at 50 Pa and the ratio zone-to-outside over house-to-zone (common practice)."""
    assert 1.0 / house.series_leakage_ratio(to_zone, to_outside, 0.65) == pytest.approx(ratio, rel=0.05)


@given(st.floats(0.001, 0.1), st.floats(0.001, 0.1), st.floats(0.5, 1.0), st.floats(10.0, 60.0))
def test_series_leakage_from_a_simulated_zone(inner: float, outer: float, exponent: float, total: float) -> None:
    """Zone pressure solved from equal flow through both leaks, then the ratio found back."""
    share = 1.0 / (1.0 + (inner / outer) ** (1.0 / exponent))
    to_zone, to_outside = total * share, total * (1.0 - share)
    assume(min(to_zone, to_outside) > 1e-3)
    through = leakage.leakage_flow(inner, exponent, to_zone)
    assert leakage.leakage_flow(outer, exponent, to_outside) == pytest.approx(through, rel=1e-6)
    assert house.series_leakage_ratio(to_zone, to_outside, exponent) == pytest.approx(inner / outer, rel=1e-6)


# --- the barometer that is carried --------------------------------------------------------------------------------


@pytest.mark.parametrize(("celsius", "feet", "lapse"), [(20, 0, 11.81), (0, 0, 12.67), (20, 5000, 9.82)])
def test_barometric_lapse(celsius: float, feet: float, lapse: float) -> None:
    """rho g of dry air, by hand; 11.81 Pa/m is 3.60 Pa/ft."""
    density = dry(celsius, air.standard_atmosphere_pressure(feet * FOOT))
    assert house.barometric_lapse(density) == pytest.approx(lapse, abs=0.01)


def test_barometric_lapse_is_the_slope_of_the_standard_atmosphere() -> None:
    """US Standard Atmosphere 1976 at 1000 m: 281.65 K."""
    slope = (air.standard_atmosphere_pressure(999.0) - air.standard_atmosphere_pressure(1001.0)) / 2.0
    density = air.density(281.65, 0.0, air.standard_atmosphere_pressure(1000.0))
    assert house.barometric_lapse(density) == pytest.approx(slope, rel=1e-4)


def test_outdoors_indoors_outdoors_by_hand() -> None:
    """Outdoors 90 000.0 and, 120 s later, 90 004.0 Pa; indoors at 90 s 90 000.0 Pa: 3 Pa below the 90 003 outdoors.

    With the indoor reading 0.25 m higher at 1.2 kg/m3, 0.25 x 1.2 x 9.80665 = 2.942 Pa of it is height.
    """
    found = house.carried_difference(
        [0.0, 90.0, 120.0], [90_000.0, 90_000.0, 90_004.0], [0.0, 0.0, 0.0], [False, True, False], 1.2
    )
    assert found.difference == pytest.approx(-3.0)
    assert found.drift == pytest.approx(4.0 / 120.0)
    assert found.weights == pytest.approx((-0.25, 1.0, -0.75))
    assert (found.bracketed, found.degrees_of_freedom, found.residual_deviation) == (True, 0, None)
    higher = house.carried_difference(
        [0.0, 90.0, 120.0], [90_000.0, 90_000.0, 90_004.0], [0.0, 0.25, 0.0], [False, True, False], 1.2
    )
    assert higher.difference == pytest.approx(-3.0 + 2.942, abs=1e-3)
    assert higher.height_difference == pytest.approx(0.25)


sequences = st.lists(st.booleans(), min_size=4, max_size=12).filter(lambda s: 2 <= sum(s) <= len(s) - 2)


@given(
    sequences, st.floats(-20, 20), st.floats(-0.1, 0.1), st.floats(-500, 500), st.floats(0.9, 1.4), st.floats(-10, 10)
)
def test_difference_and_drift_are_recovered_whatever_the_offset(
    second: list[bool], difference: float, drift: float, offset: float, density: float, climb: float
) -> None:
    times = [40.0 * i + 3.0 * (i % 3) for i in range(len(second))]
    heights = [climb if there else 0.0 for there in second]
    pressures = [
        90_000.0 + offset + drift * t + (difference if there else 0.0) - 9.80665 * density * z
        for t, there, z in zip(times, second, heights, strict=True)
    ]
    found = house.carried_difference(times, pressures, heights, second, density)
    assert found.difference == pytest.approx(difference, abs=1e-6)
    assert found.drift == pytest.approx(drift, abs=1e-7)
    assert found.height_difference == pytest.approx(climb, abs=1e-9)
    assert found.residual_deviation is not None
    assert found.residual_deviation < 1e-6
    assert sum(found.weights) == pytest.approx(0.0, abs=1e-12)


def test_weights_carry_the_readings_scatter_monte_carlo() -> None:
    """Independent 0.5 Pa on every reading: the answer's deviation is 0.5 sqrt(sum of squared weights)."""
    rng = np.random.default_rng(5)
    times, second = [0.0, 60.0, 130.0, 180.0, 250.0], [False, True, False, True, False]
    true = [84_000.0 + 0.02 * t + (-4.0 if there else 0.0) for t, there in zip(times, second, strict=True)]
    found = [
        house.carried_difference(times, list(true + rng.normal(0.0, 0.5, 5)), [0.0] * 5, second, 1.0)
        for _ in range(20_000)
    ]
    stated = 0.5 * math.sqrt(sum(w * w for w in found[0].weights))
    assert np.mean([f.difference for f in found]) == pytest.approx(-4.0, abs=0.02)
    assert np.std([f.difference for f in found]) == pytest.approx(stated, rel=0.02)
    spread = [f.residual_deviation for f in found if f.residual_deviation is not None]
    assert math.sqrt(np.mean(np.square(spread))) == pytest.approx(0.5, rel=0.03)


def test_readings_not_bracketed_are_said_so() -> None:
    """Twice outdoors and then indoors: the drift is carried on into the unknown."""
    found = house.carried_difference(
        [0.0, 60.0, 120.0], [90_000.0, 90_001.0, 90_000.0], [0.0] * 3, [False, False, True], 1.2
    )
    assert found.difference == pytest.approx(-2.0)
    assert found.bracketed is False
    assert math.sqrt(sum(w * w for w in found.weights)) > 2.0


@pytest.mark.parametrize(
    ("order", "bracketed"),
    [("ABA", True), ("ABAB", True), ("ABBA", True), ("BAAB", True), ("AABB", False), ("ABB", False), ("BBA", False)],
)
def test_bracketed_means_that_the_times_overlap(order: str, bracketed: bool) -> None:
    second = [place == "B" for place in order]
    times = [60.0 * i for i in range(len(order))]
    found = house.carried_difference(times, [90_000.0] * len(order), [0.0] * len(order), second, 1.2)
    assert found.bracketed is bracketed


def test_bent_drift_shows_in_the_residual_only_with_more_than_three_readings() -> None:
    """Pressure rising as 1e-4 t^2: A-B-A cannot see it and is 0.36 Pa off (1e-4 x 60^2, by hand)."""
    times = [0.0, 60.0, 120.0]
    pressures = [90_000.0 + 1e-4 * t * t for t in times]
    three = house.carried_difference(times, pressures, [0.0] * 3, [False, True, False], 1.2)
    assert three.difference == pytest.approx(-0.36)
    assert three.residual_deviation is None
    times = [0.0, 60.0, 120.0, 180.0, 240.0]
    pressures = [90_000.0 + 1e-4 * t * t for t in times]
    five = house.carried_difference(times, pressures, [0.0] * 5, [False, True, False, True, False], 1.2)
    assert five.residual_deviation is not None
    assert five.residual_deviation > 0.3


# --- refusals -----------------------------------------------------------------------------------------------------

Function = Callable[..., object]
ABA = ([0.0, 60.0, 120.0], [90_000.0] * 3, [0.0] * 3, [False, True, False], 1.2)


def aba(place: int, value: object) -> tuple[object, ...]:
    return (*ABA[:place], value, *ABA[place + 1 :])


REFUSED: list[tuple[Function, tuple[object, ...], str]] = [
    (house.stack_pressure_per_metre, (0.0, 1.2), "indoor_density"),
    (house.stack_pressure_per_metre, (1.2, math.nan), "outdoor_density"),
    (house.stack_pressure, (1_001.0, 1.2, 1.3), "height_above_neutral"),
    (house.wind_pressure, (-1.0, 1.2, 0.6), "speed"),
    (house.wind_pressure, (1.0, 0.0, 0.6), "density"),
    (house.wind_pressure, (1.0, 1.2, 1.3), "pressure_coefficient"),
    (house.infiltration_from_leakage_area, (-0.1, 1e-4, 1e-4, 293.0, 273.0, 4.0), "effective_leakage_area"),
    (house.infiltration_from_leakage_area, (0.1, 0.145, 1e-4, 293.0, 273.0, 4.0), "stack_coefficient"),
    (house.infiltration_from_leakage_area, (0.1, 1e-4, -1e-4, 293.0, 273.0, 4.0), "wind_coefficient"),
    (house.infiltration_from_leakage_area, (0.1, 1e-4, 1e-4, 20.0, 273.0, 4.0), "indoor_temperature"),
    (house.infiltration_from_leakage_area, (0.1, 1e-4, 1e-4, 293.0, 0.0, 4.0), "outdoor_temperature"),
    (house.infiltration_from_leakage_area, (0.1, 1e-4, 1e-4, 293.0, 273.0, -4.0), "wind_speed"),
    (house.infiltration_from_power_law, (-0.1, 0.67, 0.05, 0.1, 0.6, 293.0, 273.0, 4.0), "coefficient"),
    (house.infiltration_from_power_law, (0.1, 0.4, 0.05, 0.1, 0.6, 293.0, 273.0, 4.0), "exponent"),
    (house.infiltration_from_power_law, (0.1, 0.67, 1.1, 0.1, 0.6, 293.0, 273.0, 4.0), "stack_coefficient"),
    (house.infiltration_from_power_law, (0.1, 0.67, 0.05, -0.1, 0.6, 293.0, 273.0, 4.0), "wind_coefficient"),
    (house.infiltration_from_power_law, (0.1, 0.67, 0.05, 0.1, 0.0, 293.0, 273.0, 4.0), "shelter_factor"),
    (house.infiltration_from_power_law, (0.1, 0.67, 0.05, 0.1, 0.6, 293.0, 273.0, math.nan), "wind_speed"),
    (house.stack_opening_flow, (-1.0, 2.0, 293.0, 273.0), "area"),
    (house.stack_opening_flow, (1.0, -2.0, 293.0, 273.0), "height_from_neutral"),
    (house.stack_opening_flow, (1.0, 2.0, 330.0, 220.0), "outdoor_temperature"),
    (house.pressure_from_net_flow, (math.nan, 0.1, 0.65), "net_inflow"),
    (house.pressure_from_net_flow, (0.1, 0.0, 0.65), "coefficient"),
    (house.net_flow_from_pressure, (math.inf, 0.1, 0.65), "pressure_change"),
    (house.net_flow_from_pressure, (1.0, 0.1, 0.45), "exponent"),
    (house.transfer_area, (-0.1, 3.0, 1.2), "flow"),
    (house.transfer_area, (0.1, 0.0, 1.2), "pressure"),
    (house.transfer_area, (0.1, 3.0, 0.0), "density"),
    (house.transfer_area, (0.1, 3.0, 1.2, 0.0), "discharge_coefficient"),
    (house.added_transfer_area, (0.1, 2.9, 3.0, 1.2), "measured_pressure"),
    (house.added_transfer_area, (0.1, 2.9, 0.0, 1.2), "target_pressure"),
    (house.series_leakage_ratio, (0.0, 5.0, 0.65), "pressure_to_zone"),
    (house.series_leakage_ratio, (5.0, 0.0, 0.65), "pressure_zone_to_outside"),
    (house.series_leakage_ratio, (5.0, 5.0, 0.1), "exponent"),
    (house.barometric_lapse, (0.0,), "density"),
    (house.carried_difference, ([0.0, 1.0], [9e4] * 2, [0.0] * 2, [False, True], 1.2), "number of times"),
    (house.carried_difference, aba(0, [0.0, math.nan, 1.0]), "times"),
    (house.carried_difference, aba(0, [5.0, 5.0, 5.0]), "times"),
    (house.carried_difference, ([0.0, 60.0, 0.0], *ABA[1:]), "times"),
    (house.carried_difference, aba(1, [9e4, 9e4]), "number of pressures"),
    (house.carried_difference, aba(1, [9e4, 25.0, 9e4]), "pressures"),
    (house.carried_difference, aba(2, [0.0]), "number of heights"),
    (house.carried_difference, aba(2, [0.0, 1_001.0, 0.0]), "heights"),
    (house.carried_difference, aba(3, [True]), "number of at_second"),
    (house.carried_difference, aba(3, [True] * 3), "number of readings at the second place"),
    (house.carried_difference, aba(3, [False] * 3), "number of readings at the second place"),
    (house.carried_difference, aba(4, 0.0), "density"),
]


def test_temperatures_too_far_apart_name_the_range_around_the_other() -> None:
    with pytest.raises(OutOfRange) as refused:
        house.stack_opening_flow(1.0, 2.0, 330.0, 220.0)
    assert (refused.value.low, refused.value.high) == (230.0, 430.0)


@pytest.mark.parametrize(("function", "arguments", "name"), REFUSED)
def test_refused(function: Function, arguments: tuple[object, ...], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        function(*arguments)
    assert refused.value.name == name
