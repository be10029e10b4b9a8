"""Leakage of ducts and envelopes: worked values, the standards' forms, and fits whose answer is known."""

import math
from collections.abc import Callable
from typing import Literal

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, leakage
from service.physics.leakage import EFFECTIVE_LEAKAGE, EQUIVALENT_LEAKAGE

CFM = 4.719474432e-4
SQUARE_INCH = 0.0254**2
SQUARE_FOOT = 0.3048**2
FOOT = 0.3048


# --- worked values ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pressure", "other", "exponent", "ratio"),
    [(1, 2, 0.6, 1.5157), (1, 2, 0.65, 1.5692), (50, 4, 0.65, 0.19365), (50, 10, 0.65, 0.35129)],
)
def test_power_law_ratios(pressure: float, other: float, exponent: float, ratio: float) -> None:
    """2^.6, 2^.65, (4/50)^.65, (10/50)^.65, by hand."""
    assert leakage.flow_at_other_pressure(1.0, pressure, other, exponent) == pytest.approx(ratio, rel=5e-5)


def test_leakage_areas_of_1500_cfm_at_50_pa() -> None:
    """n .65, density 1.2: 290.5 cfm at 4 Pa, 82.3 in2 effective, 154.5 in2 equivalent; SLA 2.857e-4 on 2000 ft2.

    Worked by hand from ASTM E779's definition; the effective area is 0.28332 in2 per cfm at 4 Pa.
    """
    flow = 1500 * CFM
    at_4 = leakage.flow_at_other_pressure(flow, 50.0, 4.0, 0.65)
    assert at_4 / CFM == pytest.approx(290.5, abs=0.05)
    effective = leakage.leakage_area(at_4, EFFECTIVE_LEAKAGE[0], 1.2, EFFECTIVE_LEAKAGE[1])
    assert effective / SQUARE_INCH == pytest.approx(82.3, abs=0.05)
    assert effective / SQUARE_INCH / (at_4 / CFM) == pytest.approx(0.28332, rel=1e-4)
    assert effective / SQUARE_INCH / 1500 == pytest.approx(0.0549, abs=5e-5)
    at_10 = leakage.flow_at_other_pressure(flow, 50.0, 10.0, 0.65)
    equivalent = leakage.leakage_area(at_10, EQUIVALENT_LEAKAGE[0], 1.2, EQUIVALENT_LEAKAGE[1])
    assert equivalent / SQUARE_INCH == pytest.approx(154.5, abs=0.1)
    assert leakage.specific_leakage_area(effective, 2000 * SQUARE_FOOT) == pytest.approx(2.857e-4, rel=5e-4)


def test_normalized_leakage() -> None:
    """ANSI/RESNET/ICC 301 form NL = 1000 SLA (H/8.202 ft)^.4: SLA 2.857e-4, H 16 ft gives .3733, by hand."""
    assert leakage.normalized_leakage(2.857e-4, 16 * FOOT) == pytest.approx(0.3733, rel=3e-4)
    assert leakage.normalized_leakage(2.857e-4, 8.202 * FOOT) == pytest.approx(0.2857, rel=1e-4)


def test_operating_leakage_is_not_the_test_flow() -> None:
    """38 cfm at 25 Pa is 43.2 cfm at half of a 62 Pa plenum, n .6 (by hand: 38 x 1.24^.6)."""
    flow = leakage.flow_at_other_pressure(38 * CFM, 25.0, 31.0, 0.6)
    assert flow / CFM == pytest.approx(43.2, abs=0.05)


def test_depressurising_at_freezing_outside() -> None:
    """68 degF in, 32 degF out: the leaks pass .932 of the fan's flow; factor to 68 degF 1.0082 with n .65 (by hand)."""
    inside = air.density(293.15, 0.0, 101_325.0)
    outside = air.density(273.15, 0.0, 101_325.0)
    drawn_in = leakage.envelope_flow_from_fan_flow(1.0, inside, outside, "depressurisation")
    assert drawn_in == pytest.approx(0.932, abs=5e-4)
    pushed_out = leakage.envelope_flow_from_fan_flow(1.0, inside, outside, "pressurisation")
    assert pushed_out == pytest.approx(1.0 / 0.932, abs=5e-4)
    factor = leakage.coefficient_for_air(
        1.0, 0.65, outside, leakage.viscosity(273.15), inside, leakage.viscosity(293.15)
    )
    assert factor == pytest.approx(1.0082, abs=2e-4)


@pytest.mark.parametrize(
    ("feet", "physics", "standard"), [(2000, 1.0110, 1.012), (5000, 1.0280, 1.030), (7500, 1.0426, 1.045)]
)
def test_altitude_factor(feet: float, physics: float, standard: float) -> None:
    """Gauge sqrt(1/r) times leak r^.35, by hand; ANSI/RESNET/ICC 380 has 1 + 6e-6 ft (from memory)."""
    thin = 1.2 * air.standard_atmosphere_pressure(feet * FOOT) / 101_325.0
    through = leakage.fan_flow_from_indicated(1.0, thin, 1.2)
    viscosity = leakage.viscosity(293.15)
    factor = leakage.coefficient_for_air(through, 0.65, thin, viscosity, 1.2, viscosity)
    assert factor == pytest.approx(physics, abs=1e-4)
    assert factor == pytest.approx(standard, rel=2.5e-3)


@pytest.mark.parametrize("temperature", [253.15, 273.15, 293.15, 323.15])
def test_viscosity_against_real_gas(temperature: float) -> None:
    """CoolProp 8.0.0, air (Lemmon and Jacobsen 2004)."""
    real = PropsSI("V", "T", temperature, "P", 101_325.0, "Air")
    assert leakage.viscosity(temperature) == pytest.approx(real, rel=8e-3)


def test_viscosity_us_standard_atmosphere_sea_level() -> None:
    """US Standard Atmosphere 1976: 1.7894e-5 Pa s at 288.15 K (from memory)."""
    assert leakage.viscosity(288.15) == pytest.approx(1.7894e-5, rel=1e-4)


def test_baseline_is_taken_off_with_its_sign() -> None:
    """House at -2 and -1 Pa with the fan off, -51.5 Pa with it on: induced -50 Pa."""
    assert leakage.induced_pressure(-51.5, -2.0, -1.0) == pytest.approx(-50.0)


def test_air_changes_per_hour() -> None:
    """1500 cfm in 2000 ft2 x 8 ft: 1500 x 60 / 16000 = 5.625 per hour."""
    per_second = leakage.air_changes(1500 * CFM, 16_000 * FOOT**3)
    assert per_second * 3600 == pytest.approx(5.625, rel=1e-9)


# --- return leak from mixing --------------------------------------------------------------------------------------


def test_return_leak_fraction_from_a_mass_and_energy_balance() -> None:
    """Adiabatic mixing of 0.9 kg/s at 24 degC, 8 g/kg with 0.1 kg/s at 50 degC, 12 g/kg (per kg of dry air)."""
    main = air.from_dry_bulb_and_humidity_ratio(297.15, 0.008, 101_325.0)
    leak = air.from_dry_bulb_and_humidity_ratio(323.15, 0.012, 101_325.0)
    ratio = 0.9 * main.humidity_ratio + 0.1 * leak.humidity_ratio
    enthalpy = 0.9 * main.enthalpy + 0.1 * leak.enthalpy
    mixed = 273.15 + (enthalpy - 2_501_000.0 * ratio) / air.specific_heat(ratio)
    assert leakage.mixing_fraction(ratio, 0.008, 0.012) == pytest.approx(0.1)
    assert leakage.mixing_fraction(enthalpy, main.enthalpy, leak.enthalpy) == pytest.approx(0.1)
    # Specific heats differ by 1860 x 0.004 / 1020 = 0.7 %, and so does the share by dry bulbs.
    by_dry_bulb = leakage.mixing_fraction(mixed, main.dry_bulb, leak.dry_bulb)
    assert by_dry_bulb == pytest.approx(0.1, rel=1e-2)
    assert by_dry_bulb != pytest.approx(0.1, rel=1e-3)


@given(st.floats(-0.2, 1.2), st.floats(280, 310), st.floats(1.0, 40.0))
def test_mixing_fraction_round_trip(share: float, main: float, apart: float) -> None:
    leak = main + apart
    assert leakage.mixing_fraction(main + share * apart, main, leak) == pytest.approx(share, abs=1e-9)


# --- properties of the power law ----------------------------------------------------------------------------------

coefficients = st.floats(1e-4, 1.0)
exponents = st.floats(0.5, 1.0)
pressures = st.floats(0.1, 200.0)


@given(coefficients, exponents, pressures)
def test_flow_and_pressure_are_inverse(coefficient: float, exponent: float, pressure: float) -> None:
    flow = leakage.leakage_flow(coefficient, exponent, pressure)
    assert leakage.pressure_at_flow(coefficient, exponent, flow) == pytest.approx(pressure, rel=1e-9)
    assert leakage.coefficient_from_point(flow, pressure, exponent) == pytest.approx(coefficient, rel=1e-9)
    assert leakage.leakage_flow(coefficient, exponent, pressure * 1.01) > flow


@given(coefficients, exponents, pressures, pressures)
def test_two_points_give_the_exponent(coefficient: float, exponent: float, pressure: float, other: float) -> None:
    if abs(math.log(other / pressure)) < 0.05:
        other = pressure * 2.0
    flow, other_flow = (leakage.leakage_flow(coefficient, exponent, p) for p in (pressure, other))
    assert leakage.exponent_from_two_points(flow, pressure, other_flow, other) == pytest.approx(exponent, rel=1e-7)
    assert leakage.flow_at_other_pressure(flow, pressure, other, exponent) == pytest.approx(other_flow, rel=1e-9)


@given(st.floats(0.0, 5.0), pressures, st.floats(0.7, 1.5), st.floats(0.3, 1.0))
def test_area_and_flow_are_inverse(flow: float, pressure: float, density: float, discharge: float) -> None:
    area = leakage.leakage_area(flow, pressure, density, discharge)
    assert leakage.flow_through_area(area, pressure, density, discharge) == pytest.approx(flow, rel=1e-9)


@given(coefficients, exponents, st.floats(0.7, 1.5), st.floats(0.7, 1.5), st.floats(240, 320), st.floats(240, 320))
def test_coefficient_for_air_round_trip(
    coefficient: float, exponent: float, density: float, other: float, temperature: float, other_temperature: float
) -> None:
    here, there = leakage.viscosity(temperature), leakage.viscosity(other_temperature)
    once = leakage.coefficient_for_air(coefficient, exponent, density, here, other, there)
    back = leakage.coefficient_for_air(once, exponent, other, there, density, here)
    assert back == pytest.approx(coefficient, rel=1e-9)


def test_orifice_and_laminar_ends_of_the_correction() -> None:
    """Orifice equation: Q ~ (dp/rho)^.5 and no viscosity; Poiseuille flow: Q ~ dp/mu and no density."""
    assert leakage.coefficient_for_air(1.0, 0.5, 1.0, 1.7e-5, 1.21, 1.9e-5) == pytest.approx(1.0 / 1.1)
    assert leakage.coefficient_for_air(1.0, 1.0, 1.0, 1.7e-5, 1.21, 1.9e-5) == pytest.approx(1.7 / 1.9)


# --- the fit ------------------------------------------------------------------------------------------------------

TEST_PRESSURES = [15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0]


@given(coefficients, exponents)
def test_fit_recovers_an_exact_power_law(coefficient: float, exponent: float) -> None:
    fitted = leakage.fit(TEST_PRESSURES, [coefficient * p**exponent for p in TEST_PRESSURES])
    assert fitted.exponent == pytest.approx(exponent, rel=1e-9)
    assert fitted.coefficient == pytest.approx(coefficient, rel=1e-9)
    assert fitted.residual_deviation < 1e-12
    assert leakage.fitted_flow_uncertainty(fitted, 4.0) < 1e-11
    assert (fitted.degrees_of_freedom, fitted.lowest_pressure, fitted.highest_pressure) == (8, 15.0, 60.0)


def test_fit_against_numpy_polyfit_and_the_e779_form() -> None:
    """numpy.polyfit; ASTM E779 (from memory): S_n = sqrt((Sy2 - n Sxy)/(N-2))/Sx, S_lnC = S_n sqrt(sum x2/N)."""
    rng = np.random.default_rng(7)
    p = np.array(TEST_PRESSURES)
    q = 0.05 * p**0.66 * np.exp(rng.normal(0.0, 0.02, p.size))
    fitted = leakage.fit(list(p), list(q))
    (n, c), covariance = np.polyfit(np.log(p), np.log(q), 1, cov=True)
    assert fitted.exponent == pytest.approx(n)
    assert fitted.coefficient == pytest.approx(math.exp(c))
    assert fitted.exponent_variance == pytest.approx(covariance[0, 0])
    assert fitted.log_coefficient_variance == pytest.approx(covariance[1, 1])
    assert fitted.covariance == pytest.approx(covariance[0, 1])

    x, y = np.log(p), np.log(q)
    s_n = math.sqrt((np.var(y, ddof=1) - n * np.cov(x, y)[0, 1]) / (p.size - 2) / np.var(x, ddof=1))
    assert math.sqrt(fitted.exponent_variance) == pytest.approx(s_n)
    assert math.sqrt(fitted.log_coefficient_variance) == pytest.approx(s_n * math.sqrt(float(np.mean(x**2))))


def test_fit_covariance_against_monte_carlo() -> None:
    """20 000 tests of ten points, flows scattered by 2 %: the mean stated variances are those of the answers."""
    rng = np.random.default_rng(20)
    x = np.log(TEST_PRESSURES)
    trials = 20_000
    flows = 0.05 * np.exp(0.65 * x) * np.exp(rng.normal(0.0, 0.02, (trials, x.size)))
    fits = [leakage.fit(TEST_PRESSURES, list(row)) for row in flows]
    exponent = np.array([f.exponent for f in fits])
    log_coefficient = np.log([f.coefficient for f in fits])
    assert np.mean(exponent) == pytest.approx(0.65, abs=4 * np.std(exponent) / math.sqrt(trials))
    assert np.mean([f.exponent_variance for f in fits]) == pytest.approx(np.var(exponent), rel=0.05)
    assert np.mean([f.log_coefficient_variance for f in fits]) == pytest.approx(np.var(log_coefficient), rel=0.05)
    assert np.mean([f.covariance for f in fits]) == pytest.approx(np.cov(exponent, log_coefficient)[0, 1], rel=0.05)
    for pressure in (4.0, 25.0, 50.0):
        seen = np.std(log_coefficient + exponent * math.log(pressure))
        stated = math.sqrt(np.mean([leakage.fitted_flow_uncertainty(f, pressure) ** 2 for f in fits]))
        assert stated == pytest.approx(seen, rel=0.03)


def test_a_fit_says_least_far_from_its_pressures() -> None:
    rng = np.random.default_rng(3)
    flows = [0.05 * p**0.65 * math.exp(rng.normal(0.0, 0.02)) for p in TEST_PRESSURES]
    fitted = leakage.fit(TEST_PRESSURES, flows)
    at_4, at_10, at_33, at_100 = (leakage.fitted_flow_uncertainty(fitted, p) for p in (4.0, 10.0, 33.0, 100.0))
    assert at_4 > at_10 > at_33 < at_100


def test_an_absurd_test_is_fitted_and_seen() -> None:
    """Flow doubling with pressure doubled twice over: exponent 2 is no leakage, and nothing hides it."""
    fitted = leakage.fit([10.0, 20.0, 40.0], [0.01, 0.04, 0.16])
    assert fitted.exponent == pytest.approx(2.0)
    with pytest.raises(OutOfRange) as refused:
        leakage.leakage_flow(fitted.coefficient, fitted.exponent, 50.0)
    assert refused.value.name == "exponent"


# --- refusals -----------------------------------------------------------------------------------------------------

Function = Callable[..., object]
REFUSED: list[tuple[Function, tuple[object, ...], str]] = [
    (leakage.leakage_flow, (-0.1, 0.65, 50.0), "coefficient"),
    (leakage.leakage_flow, (0.1, 0.49, 50.0), "exponent"),
    (leakage.leakage_flow, (0.1, 1.01, 50.0), "exponent"),
    (leakage.leakage_flow, (0.1, 0.65, -1.0), "pressure"),
    (leakage.pressure_at_flow, (0.0, 0.65, 1.0), "coefficient"),
    (leakage.pressure_at_flow, (0.1, math.nan, 1.0), "exponent"),
    (leakage.pressure_at_flow, (0.1, 0.65, -1.0), "flow"),
    (leakage.coefficient_from_point, (-1.0, 50.0, 0.65), "flow"),
    (leakage.coefficient_from_point, (1.0, 0.0, 0.65), "pressure"),
    (leakage.coefficient_from_point, (1.0, 50.0, 0.4), "exponent"),
    (leakage.flow_at_other_pressure, (-1.0, 50.0, 4.0, 0.65), "flow"),
    (leakage.flow_at_other_pressure, (1.0, 0.0, 4.0, 0.65), "pressure"),
    (leakage.flow_at_other_pressure, (1.0, 50.0, -4.0, 0.65), "other_pressure"),
    (leakage.flow_at_other_pressure, (1.0, 50.0, 4.0, 1.5), "exponent"),
    (leakage.exponent_from_two_points, (0.0, 50.0, 1.0, 25.0), "flow"),
    (leakage.exponent_from_two_points, (1.0, 50.0, 1.0, 50.0), "other_pressure"),
    (leakage.exponent_from_two_points, (1.0, 50.0, 0.0, 25.0), "other_flow"),
    (leakage.fit, ([10.0, 20.0], [1.0, 2.0]), "number of pressures"),
    (leakage.fit, ([10.0, 20.0, 30.0], [1.0, 2.0]), "number of flows"),
    (leakage.fit, ([10.0, 20.0, -30.0], [1.0, 2.0, 3.0]), "pressures"),
    (leakage.fit, ([10.0, 10.0, 10.0], [1.0, 2.0, 3.0]), "pressures"),
    (leakage.fit, ([10.0, 20.0, 30.0], [1.0, 0.0, 3.0]), "flows"),
    (leakage.leakage_area, (-1.0, 4.0, 1.2, 1.0), "flow"),
    (leakage.leakage_area, (1.0, 0.0, 1.2, 1.0), "pressure"),
    (leakage.leakage_area, (1.0, 4.0, 0.0, 1.0), "density"),
    (leakage.leakage_area, (1.0, 4.0, 1.2, 1.1), "discharge_coefficient"),
    (leakage.flow_through_area, (-1.0, 4.0, 1.2, 1.0), "area"),
    (leakage.flow_through_area, (1.0, -4.0, 1.2, 1.0), "pressure"),
    (leakage.specific_leakage_area, (-1.0, 100.0), "effective_leakage_area"),
    (leakage.specific_leakage_area, (0.1, 0.0), "floor_area"),
    (leakage.normalized_leakage, (-1e-4, 5.0), "specific_leakage_area"),
    (leakage.normalized_leakage, (1e-4, 0.0), "height"),
    (leakage.normalized_leakage, (1e-4, 5.0, 1.1), "height_exponent"),
    (leakage.air_changes, (-1.0, 100.0), "flow"),
    (leakage.air_changes, (1.0, 0.0), "volume"),
    (leakage.viscosity, (100.0,), "temperature"),
    (leakage.fan_flow_from_indicated, (-1.0, 1.2, 1.2), "indicated_flow"),
    (leakage.fan_flow_from_indicated, (1.0, 0.0, 1.2), "density"),
    (leakage.fan_flow_from_indicated, (1.0, 1.2, 0.0), "calibration_density"),
    (leakage.envelope_flow_from_fan_flow, (-1.0, 1.2, 1.3, "pressurisation"), "fan_flow"),
    (leakage.envelope_flow_from_fan_flow, (1.0, 0.0, 1.3, "pressurisation"), "indoor_density"),
    (leakage.envelope_flow_from_fan_flow, (1.0, 1.2, 0.0, "depressurisation"), "outdoor_density"),
    (leakage.coefficient_for_air, (-1.0, 0.65, 1.2, 1.8e-5, 1.2, 1.8e-5), "coefficient"),
    (leakage.coefficient_for_air, (1.0, 0.65, 1.2, 1.8e-2, 1.2, 1.8e-5), "viscosity"),
    (leakage.coefficient_for_air, (1.0, 0.65, 1.2, 1.8e-5, 0.0, 1.8e-5), "other_density"),
    (leakage.coefficient_for_air, (1.0, 0.65, 1.2, 1.8e-5, 1.2, 1.8), "other_viscosity"),
    (leakage.induced_pressure, (math.nan, 0.0, 0.0), "measured"),
    (leakage.induced_pressure, (1.0, math.inf, 0.0), "baseline_before"),
    (leakage.mixing_fraction, (300.0, 290.0, 290.0), "leak"),
    (leakage.mixing_fraction, (math.nan, 290.0, 300.0), "mixed"),
]


@pytest.mark.parametrize(("function", "arguments", "name"), REFUSED)
def test_refused(function: Function, arguments: tuple[object, ...], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        function(*arguments)
    assert refused.value.name == name


@given(
    st.floats(0.0, 5.0),
    st.floats(0.9, 1.4),
    st.floats(0.9, 1.4),
    st.sampled_from(["depressurisation", "pressurisation"]),
)
def test_mass_through_fan_and_leaks_is_equal(
    flow: float, inside: float, outside: float, direction: Literal["depressurisation", "pressurisation"]
) -> None:
    leak = leakage.envelope_flow_from_fan_flow(flow, inside, outside, direction)
    fan_air, leak_air = (inside, outside) if direction == "depressurisation" else (outside, inside)
    assert leak * leak_air == pytest.approx(flow * fan_air, rel=1e-12)
