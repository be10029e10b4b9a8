"""Airflow from temperature rise against worked values, sea level and altitude.

The factors 1.08, 4.5 and their like are sea-level shortcuts of practice (common practice, no source). They appear in
these tests only, to say how far they are off.
"""

import math
from collections.abc import Callable

import pytest
from CoolProp.CoolProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import air, flow, heating, power
from service.physics.air import AirState

BTU_PER_HOUR = 0.2930710702
CFM = 4.719474432e-4
FOOT = 0.3048
P0 = 101_325.0


def fahrenheit(value: float) -> float:
    return (value + 459.67) * 5.0 / 9.0


def humid(temperature: float, relative_humidity: float, pressure: float = P0) -> AirState:
    return air.from_dry_bulb_and_relative_humidity(fahrenheit(temperature), relative_humidity, pressure)


AT_5000_FEET = air.standard_atmosphere_pressure(5000 * FOOT)
AT_7500_FEET = air.standard_atmosphere_pressure(7500 * FOOT)


@pytest.mark.parametrize(
    ("state", "factor"),
    [
        (air.dry_air(fahrenheit(70), P0), 1.078),
        (humid(75, 0.50), 1.071),
        (humid(80, 0.51), 1.061),
        (humid(55, 0.94), 1.112),
        (air.dry_air(fahrenheit(130), P0), 0.969),
        (humid(75, 0.50, AT_5000_FEET), 0.891),
        (humid(75, 0.50, AT_7500_FEET), 0.811),
    ],
    ids=["70 dry", "75/50", "80/51", "55/94", "130 dry", "75/50 5000 ft", "75/50 7500 ft"],
)
def test_heat_factor_at_the_state_where_flow_is_counted(state: AirState, factor: float) -> None:
    """60/v x (0.240 + 0.444 W) Btu/(h cfm degF): HOF 2017 ch. 1 in inch-pound units, computed with psychrolib 2.5.0."""
    heat = 10_000.0
    mass_flow = heating.mass_flow_from_heat(heat, state.dry_bulb, state.dry_bulb + 20.0, state.humidity_ratio)
    cfm = heating.volume_flow(mass_flow, state) / CFM
    assert heat / BTU_PER_HOUR / (cfm * 36.0) == pytest.approx(factor, abs=2e-3)


@pytest.mark.parametrize(
    ("pressure", "blower", "factor", "cfm"),
    [
        (P0, 0.0, 1.080, 1185),
        (AT_5000_FEET, 0.0, 0.899, 1424),
        (AT_7500_FEET, 0.0, 0.818, 1565),
        (P0, 450.0, 1.08, 1214),
    ],
    ids=["sea level", "5000 ft", "7500 ft", "with blower heat"],
)
def test_gas_furnace(pressure: float, blower: float, factor: float, cfm: float) -> None:
    """80 000 Btu/h x 0.80 over 50 degF. The printed flows use the factor beside them, which stands for air of
    0.075 lb/ft3 times the pressure ratio and 0.240 Btu/(lb degF)."""
    heat = heating.gas_output(80_000 * BTU_PER_HOUR, 0.80)
    if blower:
        heat += heating.blower_heat(blower)
    assert heat / BTU_PER_HOUR / factor / 50.0 == pytest.approx(cfm, abs=1.0)  # the printed arithmetic itself

    # 69.2 degF is where dry air has 0.075 lb/ft3 at sea level, so the same flow must come out of the balance, except
    # that 0.240 is short of the 0.2403 of SI by 0.12 % and that temperature by up to 0.03 %.
    return_air = air.dry_air(fahrenheit(69.2), pressure)
    found = heating.flow_from_temperature_rise(heat, return_air, fahrenheit(119.2))
    assert found.return_flow / CFM == pytest.approx(cfm, rel=2e-3)


@pytest.mark.parametrize(("blower", "cfm"), [(0.0, 1083), (400.0, 1128)])
def test_electric_heater(blower: float, cfm: float) -> None:
    """240 V, 40 A, 28 degF: 1083 cfm by the 1.08 shortcut, 1128 with a 400 W blower (3.412 V A/(1.08 dT))."""
    heat = power.real_power(240.0, 40.0, 1.0, 1)
    if blower:
        heat += heating.blower_heat(blower)
    found = heating.flow_from_temperature_rise(heat, air.dry_air(fahrenheit(69.2), P0), fahrenheit(97.2))
    assert found.return_flow / CFM == pytest.approx(cfm, rel=2e-3)


def test_at_1600_m_the_same_rise_means_a_fifth_more_air_than_the_sea_level_shortcut() -> None:
    """1 600 m is 5 249 ft: standard atmosphere 0.8245 of sea level, so 1.08/(1.08 x 0.8245) = 1.21."""
    heat = heating.gas_output(80_000 * BTU_PER_HOUR, 0.80)
    shortcut = heat / BTU_PER_HOUR / (1.08 * 50.0) * CFM
    return_air = humid(70, 0.30, air.standard_atmosphere_pressure(1600.0))
    found = heating.flow_from_temperature_rise(heat, return_air, fahrenheit(120))
    assert found.return_flow / shortcut == pytest.approx(1.21, abs=0.015)
    # Told as standard flow it is the sea-level figure again: the shortcut counts mass, not volume.
    standard = flow.standard_from_actual(found.return_flow, return_air.density)
    assert standard / shortcut == pytest.approx(1.0, abs=0.01)


def test_supply_and_return_differ_by_the_volume_of_the_heated_air() -> None:
    """cfm at a 130 degF supply needs a factor of 0.969, at a 70 degF return 1.078: 11 % apart."""
    found = heating.flow_from_temperature_rise(18_000.0, air.dry_air(fahrenheit(70), P0), fahrenheit(130))
    assert found.supply_flow / found.return_flow == pytest.approx(1.078 / 0.969, abs=2e-3)
    assert found.supply_flow / found.return_flow == pytest.approx((130 + 459.67) / (70 + 459.67), rel=1e-9)


@pytest.mark.parametrize("elevation", [0.0, 1600.0])
def test_mass_flow_against_real_gas_enthalpy(elevation: float) -> None:
    """Enthalpy difference by CoolProp HAPropsSI (real moist air) over a furnace's rise."""
    state = humid(70, 0.40, air.standard_atmosphere_pressure(elevation))
    ends = [
        HAPropsSI("H", "T", t, "W", state.humidity_ratio, "P", state.pressure)
        for t in (state.dry_bulb, fahrenheit(125))
    ]
    found = heating.mass_flow_from_heat(18_000.0, state.dry_bulb, fahrenheit(125), state.humidity_ratio)
    assert found == pytest.approx(18_000.0 / (ends[1] - ends[0]), rel=2e-3)


def test_sensible_heat_of_the_cooling_example() -> None:
    """1200 cfm at 80/67 degF return to 60/58: dry air 5198.8 lb/h, total 33 181, sensible 25 470 Btu/h (psychrolib)."""
    entering = air.from_dry_bulb_and_wet_bulb(fahrenheit(80), fahrenheit(67), P0)
    leaving = air.from_dry_bulb_and_wet_bulb(fahrenheit(60), fahrenheit(58), P0)
    mass_flow = 1200 * CFM / entering.specific_volume
    assert mass_flow / 0.45359237 * 3600 == pytest.approx(5198.8, rel=1e-3)
    total = mass_flow * (entering.enthalpy - leaving.enthalpy)
    assert total / BTU_PER_HOUR == pytest.approx(33_181, rel=0.01)
    sensible = mass_flow * (air.enthalpy(fahrenheit(80), leaving.humidity_ratio) - leaving.enthalpy)
    at_return = mass_flow * (entering.enthalpy - air.enthalpy(fahrenheit(60), entering.humidity_ratio))
    for each in (sensible, at_return):
        assert each / BTU_PER_HOUR == pytest.approx(25_470, rel=0.01)


def test_blower_heat_warms_the_air() -> None:
    """450 W is 1535 Btu/h and about 1.2 degF at 1200 cfm of 0.075 lb/ft3."""
    heat = heating.blower_heat(450.0)
    assert heat / BTU_PER_HOUR == pytest.approx(1535, abs=1)
    rise = heating.temperature_rise(heat, 1200 * CFM * air.STANDARD_AIR_DENSITY, 0.0)
    assert rise * 1.8 == pytest.approx(1.2, abs=0.05)
    assert heating.blower_heat(450.0, 0.5) == 225.0


def test_cooling_example_at_altitude() -> None:
    """The same readings at 5000 ft: 31 407 Btu/h (psychrolib). 4.5 x cfm x enthalpy difference with the local, correct
    enthalpies gives 39 389, 25 % too much (the factor is common practice, no source)."""
    entering = air.from_dry_bulb_and_wet_bulb(fahrenheit(80), fahrenheit(67), AT_5000_FEET)
    leaving = air.from_dry_bulb_and_wet_bulb(fahrenheit(60), fahrenheit(58), AT_5000_FEET)
    difference = entering.enthalpy - leaving.enthalpy
    total = 1200 * CFM / entering.specific_volume * difference / BTU_PER_HOUR
    assert total == pytest.approx(31_407, rel=0.01)
    assert 4.5 * 1200 * difference / 2326.0 == pytest.approx(39_389, rel=0.01)


@given(st.floats(100.0, 50_000.0), st.floats(280.0, 300.0), st.floats(5.0, 60.0), st.floats(0.0, 0.015))
def test_rise_and_mass_flow_are_inverse(heat: float, inlet: float, rise: float, w: float) -> None:
    mass_flow = heating.mass_flow_from_heat(heat, inlet, inlet + rise, w)
    assert heating.temperature_rise(heat, mass_flow, w) == pytest.approx(rise, rel=1e-9)
    assert heating.mass_flow_from_heat(heat, inlet, inlet + rise * 1.1, w) < mass_flow
    assert heating.mass_flow_from_heat(heat * 1.1, inlet, inlet + rise, w) > mass_flow


@given(st.floats(0.0, 3500.0), st.floats(10.0, 500.0), st.floats(5.0, 40.0))
def test_volume_flow_rises_with_altitude_while_mass_flow_does_not_change(h: float, climb: float, rise: float) -> None:
    found = [
        heating.flow_from_temperature_rise(
            15_000.0, AirState(294.0, 0.005, air.standard_atmosphere_pressure(each)), 294.0 + rise
        )
        for each in (h, h + climb)
    ]
    assert found[1].return_flow > found[0].return_flow
    assert found[1].dry_air_mass_flow == found[0].dry_air_mass_flow
    assert all(each.supply_flow > each.return_flow for each in found)


STATE = AirState(294.0, 0.005, P0)
REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: heating.mass_flow_from_heat(0.0, 290.0, 310.0, 0.0), "heat"),
    (lambda: heating.mass_flow_from_heat(math.inf, 290.0, 310.0, 0.0), "heat"),
    (lambda: heating.mass_flow_from_heat(1000.0, 290.0, 290.0, 0.0), "outlet"),
    (lambda: heating.mass_flow_from_heat(1000.0, 290.0, 289.0, 0.0), "outlet"),
    (lambda: heating.mass_flow_from_heat(1000.0, 173.0, 290.0, 0.0), "dry_bulb"),
    (lambda: heating.mass_flow_from_heat(1000.0, 290.0, 473.2, 0.0), "dry_bulb"),
    (lambda: heating.mass_flow_from_heat(1000.0, 290.0, 310.0, -1e-9), "humidity_ratio"),
    (lambda: heating.mass_flow_from_heat(1000.0, 290.0, 310.0, 1.001), "humidity_ratio"),
    (lambda: heating.volume_flow(-1e-9, STATE), "dry_air_mass_flow"),
    (lambda: heating.volume_flow(math.inf, STATE), "dry_air_mass_flow"),
    (lambda: heating.flow_from_temperature_rise(0.0, STATE, 310.0), "heat"),
    (lambda: heating.flow_from_temperature_rise(1000.0, STATE, 294.0), "outlet"),
    (lambda: heating.flow_from_temperature_rise(1000.0, STATE, 473.2), "dry_bulb"),
    (lambda: heating.temperature_rise(-1e-9, 0.5, 0.0), "heat"),
    (lambda: heating.temperature_rise(100.0, 0.0, 0.0), "dry_air_mass_flow"),
    (lambda: heating.temperature_rise(100.0, 0.5, -1e-9), "humidity_ratio"),
    (lambda: heating.gas_output(-1e-9, 0.8), "gas_input"),
    (lambda: heating.gas_output(math.inf, 0.8), "gas_input"),
    (lambda: heating.gas_output(1000.0, 0.0), "steady_state_efficiency"),
    (lambda: heating.gas_output(1000.0, 1.000001), "steady_state_efficiency"),
    (lambda: heating.gas_output(1000.0, 80.0), "steady_state_efficiency"),
    (lambda: heating.blower_heat(-1e-9), "power"),
    (lambda: heating.blower_heat(math.inf), "power"),
    (lambda: heating.blower_heat(100.0, 0.0), "share_in_airstream"),
    (lambda: heating.blower_heat(100.0, 1.000001), "share_in_airstream"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name


def test_ends_are_accepted() -> None:
    assert heating.gas_output(1000.0, 1.0) == 1000.0
    assert heating.gas_output(0.0, 0.8) == 0.0
    assert heating.volume_flow(0.0, STATE) == 0.0
    assert heating.temperature_rise(0.0, 0.5, 0.0) == 0.0
    assert heating.blower_heat(0.0) == 0.0
