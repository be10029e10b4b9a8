"""Moist air against printed handbook values and against an independent real-gas library.

Handbook numbers are ASHRAE Handbook - Fundamentals 2017 (HOF 2017) chapter 1, as quoted in the unit tests of
psychrolib (its repository, tests/test_psychrolib_si.py and _ip.py). The handbook's SI and inch-pound equations
have rounded coefficients of their own; ours are the SI ones, so the SI values carry the tight tolerances and the
inch-pound values the difference between the two forms as well.
"""

import math
from collections.abc import Callable

import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import assume, given
from hypothesis import strategies as st

from service.errors import AirsideError, OutOfRange
from service.physics import air
from service.physics.air import AirState

PSI = 6894.757293168
POUND_PER_CUBIC_FOOT = 0.45359237 / 0.3048**3
CUBIC_FOOT_PER_POUND = 1.0 / POUND_PER_CUBIC_FOOT
BTU_PER_POUND = 2326.0
FOOT = 0.3048
INCH_OF_MERCURY = 3386.389
P0 = 101_325.0


def fahrenheit(value: float) -> float:
    return (value + 459.67) * 5.0 / 9.0


def handbook_enthalpy(state: AirState) -> float:
    """Btu/lb of dry air with the inch-pound zero, dry air at 0 degF (and liquid water at 32 degF)."""
    return (state.enthalpy - air.enthalpy(fahrenheit(0.0), 0.0)) / BTU_PER_POUND


# --- HOF 2017 tables and example --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature", "expected"),
    [(-4, 0.014974), (23, 0.058268), (41, 0.12656), (77, 0.45973), (122, 1.79140), (212, 14.7094)],
)
def test_saturation_pressure_hof_2017_table_3(temperature: float, expected: float) -> None:
    assert air.saturation_pressure(fahrenheit(temperature)) / PSI == pytest.approx(expected, rel=3e-4)


@pytest.mark.parametrize(
    ("temperature", "expected", "tolerance"), [(41, 0.005425, 5e-3), (77, 0.020173, 5e-3), (122, 0.086863, 1e-2)]
)
def test_saturated_humidity_ratio_hof_2017_table_2(temperature: float, expected: float, tolerance: float) -> None:
    state = air.from_dry_bulb_and_relative_humidity(fahrenheit(temperature), 1.0, 14.696 * PSI)
    assert state.humidity_ratio == pytest.approx(expected, rel=tolerance)


def test_dry_air_enthalpy_and_volume_hof_2017_table_2() -> None:
    state = air.dry_air(fahrenheit(77), 14.696 * PSI)
    assert handbook_enthalpy(state) == pytest.approx(18.498, rel=1e-3)
    assert state.specific_volume / CUBIC_FOOT_PER_POUND == pytest.approx(13.5251, rel=1e-3)


@pytest.mark.parametrize(
    ("dry_bulb", "wet_bulb", "expected"), [(30, 25, 0.0192281274), (-1, -5, 0.0012039982)], ids=["water", "ice"]
)
def test_humidity_ratio_from_wet_bulb_psychrolib_si_tests(dry_bulb: float, wet_bulb: float, expected: float) -> None:
    """Worked in a spreadsheet there, degC at 95 461 Pa."""
    state = air.from_dry_bulb_and_wet_bulb(dry_bulb + 273.15, wet_bulb + 273.15, 95_461.0)
    assert state.humidity_ratio == pytest.approx(expected, rel=3e-4)
    assert state.wet_bulb == pytest.approx(wet_bulb + 273.15, abs=1e-3)


@pytest.mark.parametrize(
    ("dry_bulb", "wet_bulb", "expected", "tolerance"),
    [(86, 77, 0.0187193, 4e-4), (30.2, 23.0, 0.00114657, 4e-3)],
    ids=["water", "ice"],
)
def test_humidity_ratio_from_wet_bulb_psychrolib_ip_tests(
    dry_bulb: float, wet_bulb: float, expected: float, tolerance: float
) -> None:
    """W is a small difference of large terms, so the two sets of coefficients part further in cold, dry air."""
    state = air.from_dry_bulb_and_wet_bulb(fahrenheit(dry_bulb), fahrenheit(wet_bulb), 14.175 * PSI)
    assert state.humidity_ratio == pytest.approx(expected, rel=tolerance)


def test_moist_air_enthalpy_volume_density_psychrolib_si_tests() -> None:
    """30 degC, W 0.02, 95 461 Pa: 81 316 J/kg, 0.940855 m3/kg, 1.084120 kg/m3; dry air at 25 degC 25 148 J/kg."""
    state = air.from_dry_bulb_and_humidity_ratio(303.15, 0.02, 95_461.0)
    assert state.enthalpy == pytest.approx(81_316, rel=3e-4)
    assert state.specific_volume == pytest.approx(0.940855374352943, rel=3e-4)
    assert state.density == pytest.approx(1.08411986348219, rel=3e-4)
    assert air.enthalpy(298.15, 0.0) == pytest.approx(25_148, rel=3e-4)


def test_moist_air_enthalpy_volume_density_psychrolib_ip_tests() -> None:
    state = air.from_dry_bulb_and_humidity_ratio(fahrenheit(86), 0.02, 14.175 * PSI)
    # 1.006 kJ/(kg K) is 0.24028 Btu/(lb degF) against 0.240: 0.12 % on the dry-air half of it.
    assert handbook_enthalpy(state) == pytest.approx(42.6168, rel=1e-3)
    assert state.specific_volume / CUBIC_FOOT_PER_POUND == pytest.approx(14.72057, rel=3e-4)
    assert state.density / POUND_PER_CUBIC_FOOT == pytest.approx(0.0692908, rel=3e-4)


def test_hof_2017_example_1_si() -> None:
    """40 degC dry bulb, 20 degC wet bulb, 101 325 Pa; read from the chart there, hence the wide bands."""
    state = air.from_dry_bulb_and_wet_bulb(313.15, 293.15, P0)
    assert state.humidity_ratio == pytest.approx(0.0065, abs=1e-4)
    assert state.dew_point == pytest.approx(280.15, abs=0.5)
    assert state.relative_humidity == pytest.approx(0.14, abs=0.01)
    assert state.enthalpy == pytest.approx(56_700, abs=100)
    assert state.specific_volume == pytest.approx(0.896, rel=1e-2)


@pytest.mark.parametrize(
    ("metres", "pascals"),
    [(-500, 107_478), (0, 101_325), (500, 95_461), (1000, 89_875), (4000, 61_640), (10000, 26_436)],
)
def test_standard_atmosphere_hof_2017_table_1_si(metres: float, pascals: float) -> None:
    assert air.standard_atmosphere_pressure(metres) == pytest.approx(pascals, abs=1.0)


def test_hof_2017_example_1_ip() -> None:
    """100 degF dry bulb, 65 degF wet bulb, 14.696 psi; read from the chart there, hence the wide bands."""
    state = air.from_dry_bulb_and_wet_bulb(fahrenheit(100), fahrenheit(65), 14.696 * PSI)
    assert state.humidity_ratio == pytest.approx(0.00523, abs=1e-4)
    assert state.dew_point == pytest.approx(fahrenheit(40), abs=0.1)
    assert state.relative_humidity == pytest.approx(0.13, abs=0.01)
    assert handbook_enthalpy(state) == pytest.approx(29.80, abs=0.1)
    assert state.specific_volume / CUBIC_FOOT_PER_POUND == pytest.approx(14.22, rel=1e-2)


@pytest.mark.parametrize(("feet", "psi"), [(0, 14.696), (1000, 14.175), (3000, 13.173), (10000, 10.108)])
def test_standard_atmosphere_hof_2017_table_1(feet: float, psi: float) -> None:
    # Table and equation 3 of the handbook differ from each other by up to 0.002 psi.
    assert air.standard_atmosphere_pressure(feet * FOOT) / PSI == pytest.approx(psi, abs=0.003)


@pytest.mark.parametrize(
    ("feet", "psi", "ratio", "dry_density"),
    [
        (0, 14.6960, 1.0000, 0.07489),
        (2000, 13.6645, 0.9298, 0.06963),
        (5000, 12.2278, 0.8321, 0.06231),
        (7500, 11.1263, 0.7571, 0.05670),
        (10000, 10.1066, 0.6877, 0.05150),
    ],
)
def test_pressure_and_density_by_altitude(feet: float, psi: float, ratio: float, dry_density: float) -> None:
    """Computed with psychrolib 2.5.0 (inch-pound) and confirmed by fluids 1.3.1 ATMOSPHERE_1976 within 0.02 %."""
    pressure = air.standard_atmosphere_pressure(feet * FOOT)
    assert pressure / PSI == pytest.approx(psi, rel=2e-4)
    assert pressure / air.standard_atmosphere_pressure(0.0) == pytest.approx(ratio, abs=2e-4)
    assert air.density(fahrenheit(70), 0.0, pressure) / POUND_PER_CUBIC_FOOT == pytest.approx(dry_density, rel=5e-4)


def test_standard_density_is_0_075_pounds_per_cubic_foot() -> None:
    """Definition of the pound (NIST SP 811); dry air has this density at 69.2 degF and 14.696 psi (CoolProp 8.0.0)."""
    assert pytest.approx(0.075 * POUND_PER_CUBIC_FOOT, rel=1e-9) == air.STANDARD_AIR_DENSITY
    assert air.density(fahrenheit(69.2), 0.0, P0) == pytest.approx(air.STANDARD_AIR_DENSITY, rel=5e-4)


# --- real-gas moist air, CoolProp HAPropsSI (ASHRAE RP-1485) ------------------------------------------------------


def real_gas(output: str, dry_bulb: float, key: str, value: float, pressure: float) -> float:
    return float(HAPropsSI(output, "T", dry_bulb, key, value, "P", pressure))


KINDS: dict[str, tuple[str, Callable[[float, float, float], AirState]]] = {
    "wet bulb": ("B", air.from_dry_bulb_and_wet_bulb),
    "relative humidity": ("R", air.from_dry_bulb_and_relative_humidity),
    "dew point": ("D", air.from_dry_bulb_and_dew_point),
}
STATES = [
    pytest.param(80, "wet bulb", 67, 14.6960, False, id="A"),
    pytest.param(75, "relative humidity", 0.5, 14.6960, False, id="B"),
    pytest.param(55, "wet bulb", 54, 14.6960, False, id="C"),
    pytest.param(100, "wet bulb", 65, 14.6960, True, id="D"),
    pytest.param(75, "relative humidity", 0.5, 12.2278, False, id="E"),
    pytest.param(95, "wet bulb", 75, 14.6960, False, id="G"),
    pytest.param(80, "wet bulb", 67, 12.2278, False, id="H"),
    pytest.param(120, "dew point", 35, 14.6960, True, id="I"),
    pytest.param(50, "relative humidity", 0.9, 11.1263, False, id="K"),
]


@pytest.mark.parametrize(("dry_bulb", "kind", "value", "psi", "hot_and_dry"), STATES)
def test_agreement_with_real_gas_properties(
    dry_bulb: float, kind: str, value: float, psi: float, hot_and_dry: bool
) -> None:
    """The enhancement factor lowers W by 0.35 to 0.8 % and with it h; everything else agrees closely.

    Those bands were found with the inch-pound equations. Where dry and wet bulb are 35 degF or more apart, the rounded
    SI coefficients of HOF 2017 eq. 33 add a little of their own, told here as wider bands for those two states.
    """
    key, make = KINDS[kind]
    t, p = fahrenheit(dry_bulb), psi * PSI
    x = value if kind == "relative humidity" else fahrenheit(value)
    state = make(t, x, p)

    low_by = 1.0 - state.humidity_ratio / real_gas("W", t, key, x, p)
    assert 0.0034 < low_by < (0.009 if hot_and_dry else 0.008)
    zero = real_gas("H", 273.15, "W", 0.0, p)
    enthalpy_low_by = (real_gas("H", t, key, x, p) - zero - state.enthalpy) / BTU_PER_POUND
    assert 0.025 < enthalpy_low_by < 0.10
    volume = real_gas("V", t, key, x, p)
    assert state.specific_volume == pytest.approx(volume, rel=6e-4)
    assert state.density == pytest.approx((1.0 + real_gas("W", t, key, x, p)) / volume, rel=6e-4)
    assert state.relative_humidity == pytest.approx(real_gas("R", t, key, x, p), abs=6e-4 if hot_and_dry else 3.05e-4)
    dew_point_band, wet_bulb_band = (0.13, 0.05) if hot_and_dry else (0.08, 0.02)
    assert state.dew_point == pytest.approx(real_gas("D", t, key, x, p), abs=dew_point_band * 5 / 9)
    assert state.wet_bulb == pytest.approx(real_gas("B", t, key, x, p), abs=wet_bulb_band * 5 / 9)


def test_specific_heat_against_real_gas() -> None:
    """70 degF dry: 0.24032 Btu/(lb degF), CoolProp 8.0.0; our constant carries it over 0 to 80 degC within 0.1 %."""
    assert air.specific_heat(0.0) / 4186.8 == pytest.approx(0.24032, rel=1e-3)
    for t in (273.15, 293.15, 323.15, 353.15):
        assert air.specific_heat(0.01) == pytest.approx(real_gas("C", t, "W", 0.01, P0), rel=4e-3)


# --- altimeter setting --------------------------------------------------------------------------------------------

ALTIMETER_ROWS = [
    (30.11, 5577, 830.67, 830.13, 830.51),
    (30.13, 5431, 835.81, 835.25, 835.65),
    (29.92, 0, 1013.51, 1013.21, 1013.30),
    (30.02, 7200, 778.84, 778.38, 778.70),
    (29.45, 1200, 954.95, 954.77, 954.76),
]


@pytest.mark.parametrize(("inches", "feet", "inverse", "short", "asos"), ALTIMETER_ROWS)
def test_altimeter_setting_worked_values(inches: float, feet: float, inverse: float, short: float, asos: float) -> None:
    """Worked values of the US National Weather Service forms (inverse, short) and the ASOS form, hPa."""
    pressure = air.station_pressure_from_altimeter_setting(inches * INCH_OF_MERCURY, feet * FOOT) / 100.0
    assert pressure == pytest.approx(inverse, abs=0.02)
    assert pressure == pytest.approx(short, abs=0.6)
    assert pressure == pytest.approx(asos, abs=0.6)


def test_altimeter_setting_against_metpy() -> None:
    """30.11 inHg at 1 700 m is 830.64 hPa by MetPy 1.7.1 altimeter_to_station_pressure (computed once)."""
    pressure = air.station_pressure_from_altimeter_setting(30.11 * INCH_OF_MERCURY, 5577 * FOOT)
    assert pressure / 100.0 == pytest.approx(830.64, abs=0.05)


def test_altimeter_setting_taken_for_station_pressure_makes_density_23_percent_high() -> None:
    typed = 30.11 * INCH_OF_MERCURY
    true = air.station_pressure_from_altimeter_setting(typed, 5577 * FOOT)
    assert air.density(294.0, 0.005, typed) / air.density(294.0, 0.005, true) == pytest.approx(1.23, abs=0.005)


# --- properties ---------------------------------------------------------------------------------------------------

dry_bulbs = st.floats(230.0, 340.0)
humidities = st.floats(0.01, 1.0)
pressures = st.floats(60_000.0, 110_000.0)


@given(dry_bulbs, humidities, pressures)
def test_relative_humidity_and_dew_point_round_trip(t: float, rh: float, p: float) -> None:
    state = air.from_dry_bulb_and_relative_humidity(t, rh, p)
    assert state.relative_humidity == pytest.approx(rh, rel=1e-9)
    # The saturation curves over ice and water do not quite meet at the triple point.
    again = air.from_dry_bulb_and_dew_point(t, state.dew_point, p)
    assert again.humidity_ratio == pytest.approx(state.humidity_ratio, rel=2e-4)


@given(dry_bulbs, humidities, pressures)
def test_wet_bulb_lies_between_dew_point_and_dry_bulb(t: float, rh: float, p: float) -> None:
    state = air.from_dry_bulb_and_relative_humidity(t, rh, p)
    # Between -10 and 0 degC ice on the bulb makes the wet bulb differ from the dew point by rounding only.
    assert state.dew_point - 0.02 <= state.wet_bulb <= t + 1e-5


@given(dry_bulbs, humidities, pressures)
def test_wet_bulb_round_trip(t: float, rh: float, p: float) -> None:
    state = air.from_dry_bulb_and_relative_humidity(t, rh, p)
    wet_bulb = state.wet_bulb
    # Where the bulb may carry water or ice one humidity has two wet bulbs.
    assume(not 272.0 < wet_bulb < 274.5)
    assume(state.humidity_ratio > 1e-5 and wet_bulb < t - 1e-4)
    again = air.from_dry_bulb_and_wet_bulb(t, wet_bulb, p)
    assert again.humidity_ratio == pytest.approx(state.humidity_ratio, rel=1e-5, abs=2e-8)


@given(st.floats(0.0, 4000.0), st.floats(1.0, 500.0), st.floats(250.0, 330.0), st.floats(0.0, 0.02))
def test_density_falls_with_altitude_temperature_and_humidity(h: float, climb: float, t: float, w: float) -> None:
    p, above = air.standard_atmosphere_pressure(h), air.standard_atmosphere_pressure(h + climb)
    assert air.density(t, w, above) < air.density(t, w, p)
    assert air.density(t + 0.1, w, p) < air.density(t, w, p)
    assert air.density(t, w + 0.001, p) < air.density(t, w, p)


@given(st.floats(95_000.0, 106_000.0), st.floats(-300.0, 4000.0), st.floats(1.0, 500.0))
def test_station_pressure_rises_with_setting_and_falls_with_elevation(a: float, h: float, climb: float) -> None:
    pressure = air.station_pressure_from_altimeter_setting(a, h)
    assert air.station_pressure_from_altimeter_setting(a, h + climb) < pressure
    assert air.station_pressure_from_altimeter_setting(a + 10.0, h) > pressure


@given(dry_bulbs, st.floats(0.0, 0.05), st.floats(0.1, 20.0))
def test_enthalpy_change_at_constant_humidity_is_specific_heat(t: float, w: float, rise: float) -> None:
    change = air.enthalpy(t + rise, w) - air.enthalpy(t, w)
    assert change == pytest.approx(air.specific_heat(w) * rise, rel=1e-6)


def test_hot_air_has_a_wet_bulb_below_the_boiling_point() -> None:
    """150 degC dry air at sea level: CoolProp as reference; psychrolib alone returns the dry bulb in moist hot air."""
    state = air.from_dry_bulb_and_humidity_ratio(423.15, 0.2, P0)
    expected = real_gas("B", 423.15, "W", 0.2, P0)
    assert state.wet_bulb == pytest.approx(expected, abs=0.5)


def test_dry_air_has_a_wet_bulb_but_no_dew_point() -> None:
    state = air.dry_air(300.0, P0)
    assert state.relative_humidity == 0.0
    assert state.wet_bulb == pytest.approx(real_gas("B", 300.0, "W", 0.0, P0), abs=0.05)
    with pytest.raises(OutOfRange) as refused:
        _ = state.dew_point
    assert refused.value.name == "humidity_ratio"


# --- refusals, both sides of each range ---------------------------------------------------------------------------

LOW_T, HIGH_T = air.DRY_BULB_RANGE
LOW_P, HIGH_P = air.PRESSURE_RANGE


def below(x: float) -> float:
    return x - max(abs(x), 1.0) * 1e-6


def above(x: float) -> float:
    return x + max(abs(x), 1.0) * 1e-6


ACCEPTED: list[Callable[[], object]] = [
    lambda: air.dry_air(LOW_T, P0),
    lambda: air.dry_air(HIGH_T, P0),
    lambda: air.dry_air(300.0, LOW_P),
    lambda: air.dry_air(300.0, HIGH_P),
    lambda: air.density(LOW_T, 0.0, LOW_P),
    lambda: air.density(HIGH_T, 1.0, HIGH_P),
    lambda: air.enthalpy(LOW_T, 0.0),
    lambda: air.enthalpy(HIGH_T, 1.0),
    lambda: air.specific_heat(1.0),
    lambda: air.saturation_pressure(LOW_T),
    lambda: air.saturation_pressure(HIGH_T),
    lambda: air.standard_atmosphere_pressure(-5000.0),
    lambda: air.standard_atmosphere_pressure(11000.0),
    lambda: air.station_pressure_from_altimeter_setting(85_000.0, 11000.0),
    lambda: air.station_pressure_from_altimeter_setting(110_000.0, -5000.0),
    lambda: air.from_dry_bulb_and_relative_humidity(300.0, 0.0, P0),
    lambda: air.from_dry_bulb_and_relative_humidity(300.0, 1.0, P0),
    lambda: air.from_dry_bulb_and_relative_humidity(400.0, 0.25, P0),
    lambda: air.from_dry_bulb_and_dew_point(300.0, 300.0, P0),
    lambda: air.from_dry_bulb_and_dew_point(300.0, LOW_T, P0),
    lambda: air.from_dry_bulb_and_wet_bulb(300.0, 300.0, P0),
    lambda: air.from_dry_bulb_and_wet_bulb(300.0, 283.0, P0),
    lambda: air.from_dry_bulb_and_wet_bulb(420.0, 360.0, P0),
    lambda: air.from_dry_bulb_and_humidity_ratio(300.0, 0.0224, P0),
]


@pytest.mark.parametrize("call", ACCEPTED)
def test_accepted_up_to_the_ends(call: Callable[[], object]) -> None:
    result = call()
    assert isinstance(result, AirState) or (isinstance(result, float) and math.isfinite(result))


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: air.dry_air(below(LOW_T), P0), "dry_bulb"),
    (lambda: air.dry_air(above(HIGH_T), P0), "dry_bulb"),
    (lambda: air.dry_air(math.nan, P0), "dry_bulb"),
    (lambda: air.dry_air(300.0, below(LOW_P)), "pressure"),
    (lambda: air.dry_air(300.0, above(HIGH_P)), "pressure"),
    (lambda: air.dry_air(300.0, math.inf), "pressure"),
    (lambda: air.density(below(LOW_T), 0.0, P0), "dry_bulb"),
    (lambda: air.density(above(HIGH_T), 0.0, P0), "dry_bulb"),
    (lambda: air.density(300.0, -1e-9, P0), "humidity_ratio"),
    (lambda: air.density(300.0, 1.000001, P0), "humidity_ratio"),
    (lambda: air.density(300.0, 0.0, below(LOW_P)), "pressure"),
    (lambda: air.density(300.0, 0.0, above(HIGH_P)), "pressure"),
    (lambda: air.enthalpy(below(LOW_T), 0.0), "dry_bulb"),
    (lambda: air.enthalpy(above(HIGH_T), 0.0), "dry_bulb"),
    (lambda: air.enthalpy(300.0, -1e-9), "humidity_ratio"),
    (lambda: air.enthalpy(300.0, 1.000001), "humidity_ratio"),
    (lambda: air.specific_heat(-1e-9), "humidity_ratio"),
    (lambda: air.specific_heat(1.000001), "humidity_ratio"),
    (lambda: air.saturation_pressure(below(LOW_T)), "temperature"),
    (lambda: air.saturation_pressure(above(HIGH_T)), "temperature"),
    (lambda: air.standard_atmosphere_pressure(-5000.1), "elevation"),
    (lambda: air.standard_atmosphere_pressure(11000.1), "elevation"),
    (lambda: air.station_pressure_from_altimeter_setting(84_999.0, 0.0), "altimeter_setting"),
    (lambda: air.station_pressure_from_altimeter_setting(110_001.0, 0.0), "altimeter_setting"),
    (lambda: air.station_pressure_from_altimeter_setting(P0, -5000.1), "elevation"),
    (lambda: air.station_pressure_from_altimeter_setting(P0, 11000.1), "elevation"),
    (lambda: air.from_dry_bulb_and_relative_humidity(300.0, -1e-9, P0), "relative_humidity"),
    (lambda: air.from_dry_bulb_and_relative_humidity(300.0, 1.000001, P0), "relative_humidity"),
    (lambda: air.from_dry_bulb_and_relative_humidity(400.0, 0.26, P0), "relative_humidity"),
    (lambda: air.from_dry_bulb_and_dew_point(300.0, 300.001, P0), "dew_point"),
    (lambda: air.from_dry_bulb_and_dew_point(300.0, below(LOW_T), P0), "dew_point"),
    (lambda: air.from_dry_bulb_and_dew_point(400.0, 390.0, P0), "dew_point"),
    (lambda: air.from_dry_bulb_and_wet_bulb(300.0, 300.001, P0), "wet_bulb"),
    (lambda: air.from_dry_bulb_and_wet_bulb(300.0, below(LOW_T), P0), "wet_bulb"),
    (lambda: air.from_dry_bulb_and_wet_bulb(420.0, 380.0, P0), "wet_bulb"),
    (lambda: air.from_dry_bulb_and_humidity_ratio(300.0, -1e-9, P0), "humidity_ratio"),
    (lambda: air.from_dry_bulb_and_humidity_ratio(300.0, 0.0226, P0), "humidity_ratio"),
    (lambda: air.from_dry_bulb_and_humidity_ratio(470.0, 1.1, P0), "humidity_ratio"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused_beyond_the_ends(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
    assert not refused.value.low <= refused.value.value <= refused.value.high
    assert isinstance(refused.value, AirsideError)
    assert isinstance(refused.value, ValueError)


def test_wet_bulb_that_even_dry_air_does_not_reach_is_refused_on_its_own_side() -> None:
    """At 300 K and sea level dry air cools to 282.6 K (CoolProp); a step below that is no state of air."""
    lowest = real_gas("B", 300.0, "W", 0.0, P0)
    assert air.from_dry_bulb_and_wet_bulb(300.0, lowest + 0.1, P0).humidity_ratio > 0.0
    with pytest.raises(OutOfRange) as refused:
        air.from_dry_bulb_and_wet_bulb(300.0, lowest - 0.1, P0)
    assert refused.value.low == pytest.approx(lowest, abs=0.05)
    assert refused.value.high == 300.0


def test_message_names_argument_value_and_range() -> None:
    with pytest.raises(OutOfRange, match=r"wet_bulb is 301, outside its range 173\.15 to 300"):
        air.from_dry_bulb_and_wet_bulb(300.0, 301.0, P0)
