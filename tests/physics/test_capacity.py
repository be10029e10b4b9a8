"""Cooling capacity, its parts, condensate and the apparatus dew point."""

import math
from collections.abc import Callable

import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from service.errors import OutOfRange
from service.physics import air, capacity, heating
from service.physics.air import AirState
from service.physics.capacity import Capacity

CFM = 4.719474432e-4
BTU_PER_HOUR = 1055.05585262 / 3600
POUND = 0.45359237
P0 = 101_325.0
AT_5000_FEET = air.standard_atmosphere_pressure(5000 * 0.3048)
GRAINS = 7000.0


def kelvin(fahrenheit: float) -> float:
    return (fahrenheit + 459.67) / 1.8


def example(pressure: float) -> tuple[float, AirState, AirState]:
    """80/67 degF to 60/58 degF, 1200 cfm counted at the return."""
    entering = air.from_dry_bulb_and_wet_bulb(kelvin(80), kelvin(67), pressure)
    leaving = air.from_dry_bulb_and_wet_bulb(kelvin(60), kelvin(58), pressure)
    return capacity.dry_air_mass_flow(1200 * CFM, entering), entering, leaving


def test_worked_example_at_sea_level() -> None:
    """5198.8 lb/h of dry air: total 33 181, sensible 25 470, latent 7 711 Btu/h, ratio .768 (psychrolib in inch-pound
    units, outside this project; 1 % covers its other enthalpy constants)."""
    mass_flow, entering, leaving = example(P0)
    found = capacity.capacity(mass_flow, entering, leaving)
    assert mass_flow / POUND * 3600 == pytest.approx(5198.8, rel=1e-3)
    assert found.total / BTU_PER_HOUR == pytest.approx(33_181, rel=0.01)
    assert found.sensible / BTU_PER_HOUR == pytest.approx(25_470, rel=0.01)
    assert found.latent / BTU_PER_HOUR == pytest.approx(7_711, rel=0.01)
    assert found.sensible_heat_ratio == pytest.approx(0.768, abs=2e-3)


def test_worked_example_at_5000_feet() -> None:
    """31 407 Btu/h (psychrolib in inch-pound units)."""
    found = capacity.capacity(*example(AT_5000_FEET))
    assert found.total / BTU_PER_HOUR == pytest.approx(31_407, rel=0.01)


def test_shortcuts_beside_the_balance() -> None:
    """4.5, 1.08 and .68 are common practice, no source. At sea level they read 3.9 and 1.8 % high and 1 % off; at
    5000 ft 4.5 reads 9.7 % high with sea-level enthalpies and 25 % with the correct local ones."""
    mass_flow, entering, leaving = example(P0)
    true = capacity.capacity(mass_flow, entering, leaving)
    difference = (entering.enthalpy - leaving.enthalpy) / 2326.0
    grains = GRAINS * (entering.humidity_ratio - leaving.humidity_ratio)
    shortcut = 4.5 * 1200 * difference
    assert shortcut == pytest.approx(34_465, rel=5e-3)
    assert shortcut / (true.total / BTU_PER_HOUR) - 1 == pytest.approx(0.039, abs=2e-3)
    assert 1.08 * 1200 * 20 / (true.sensible / BTU_PER_HOUR) - 1 == pytest.approx(0.018, abs=3e-3)
    assert 0.68 * 1200 * grains == pytest.approx(7_789, rel=5e-3)

    high, above, below = example(AT_5000_FEET)
    true_high = capacity.capacity(high, above, below).total / BTU_PER_HOUR
    assert shortcut / true_high - 1 == pytest.approx(0.097, abs=3e-3)
    local = 4.5 * 1200 * (above.enthalpy - below.enthalpy) / 2326.0
    assert local / true_high - 1 == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize("pressure", [P0, AT_5000_FEET])
def test_total_against_real_gas_enthalpy(pressure: float) -> None:
    """CoolProp HAPropsSI on the same wet bulbs; below 1 % apart, since its humidity ratio is up to .8 % higher."""
    mass_flow, entering, leaving = example(pressure)
    ends = [HAPropsSI("H", "T", kelvin(db), "B", kelvin(wb), "P", pressure) for db, wb in ((80.0, 67.0), (60.0, 58.0))]
    volume = HAPropsSI("V", "T", kelvin(80), "B", kelvin(67), "P", pressure)
    real = 1200 * CFM / volume * (ends[0] - ends[1])
    assert capacity.capacity(mass_flow, entering, leaving).total == pytest.approx(real, rel=0.01)


def test_condensate() -> None:
    """Latent heat over condensate is the vapour's enthalpy, near the 1076 Btu/lb of common practice. A second way:
    5198.8 lb/h times the fall of humidity ratio that the wet-bulb balance gives by hand."""
    mass_flow, entering, leaving = example(P0)
    water = capacity.condensate_rate(mass_flow, entering, leaving)
    latent = capacity.capacity(mass_flow, entering, leaving).latent
    assert latent / water / 2326.0 == pytest.approx(1076, rel=0.015)

    # HOF 2017 ch. 1, wet-bulb balance in inch-pound units; saturation at 67 and 58 degF by CoolProp
    # for pure water, since the wet-bulb relation here too leaves the enhancement factor out.
    ratios = []
    for db, wb in ((80.0, 67.0), (60.0, 58.0)):
        vapour = PropsSI("P", "T", kelvin(wb), "Q", 0, "Water")
        saturated = 0.621945 * vapour / (P0 - vapour)
        ratios.append(((1093 - 0.556 * wb) * saturated - 0.240 * (db - wb)) / (1093 + 0.444 * db - wb))
    assert water / POUND * 3600 == pytest.approx(5198.8 * (ratios[0] - ratios[1]), rel=5e-3)


def test_the_other_split_differs_by_less_than_a_hundredth() -> None:
    """Dry first, then cool: sensible at the leaving humidity ratio."""
    mass_flow, entering, leaving = example(P0)
    found = capacity.capacity(mass_flow, entering, leaving)
    other = mass_flow * (air.enthalpy(entering.dry_bulb, leaving.humidity_ratio) - leaving.enthalpy)
    assert 0.0 < (found.sensible - other) / found.total < 0.01


def test_gross_and_net() -> None:
    """450 W of blower is 1535 Btu/h: gross 33 181 + 1535 if the 33 181 were read across the whole unit."""
    net = Capacity(25_470 * BTU_PER_HOUR, 7_711 * BTU_PER_HOUR)
    gross = capacity.gross_from_net(net, heating.blower_heat(450.0))
    assert gross.total / BTU_PER_HOUR == pytest.approx(33_181 + 1535, abs=1.0)
    assert gross.latent == net.latent
    assert gross.sensible_heat_ratio > net.sensible_heat_ratio
    back = capacity.net_from_gross(gross, 450.0)
    assert (back.sensible, back.latent) == pytest.approx((net.sensible, net.latent))


def test_apparatus_dew_point_against_real_gas_saturation() -> None:
    """The same line solved against CoolProp's saturation curve, all four humidity ratios its own."""
    _, entering, leaving = example(P0)
    w1, w2 = (HAPropsSI("W", "T", kelvin(d), "B", kelvin(b), "P", P0) for d, b in ((80.0, 67.0), (60.0, 58.0)))

    def gap(t: float) -> float:
        return w2 + (w1 - w2) / kelvin(20 - 459.67) * (t - kelvin(60)) - HAPropsSI("W", "T", t, "R", 1.0, "P", P0)

    real = brentq(gap, kelvin(50), kelvin(60))
    found = capacity.apparatus_dew_point(entering, leaving)
    assert found == pytest.approx(real, abs=0.1)
    assert capacity.bypass_factor(entering, leaving) == pytest.approx(
        (kelvin(60) - real) / (kelvin(80) - real), abs=5e-3
    )


def test_saturated_leaving_air_is_the_apparatus_dew_point() -> None:
    entering = air.from_dry_bulb_and_relative_humidity(300.0, 0.5, P0)
    leaving = air.from_dry_bulb_and_relative_humidity(285.0, 1.0, P0)
    assert capacity.apparatus_dew_point(entering, leaving) == 285.0
    assert capacity.bypass_factor(entering, leaving) == 0.0


def test_a_dry_coil_points_to_the_dew_point() -> None:
    entering = air.from_dry_bulb_and_relative_humidity(300.0, 0.4, P0)
    leaving = AirState(290.0, entering.humidity_ratio, P0)
    assert capacity.apparatus_dew_point(entering, leaving) == pytest.approx(entering.dew_point, abs=1e-3)
    assert capacity.capacity(1.0, entering, leaving).sensible_heat_ratio == pytest.approx(1.0)


def test_impossible_drying_is_refused_with_the_least_that_cooling_could_leave() -> None:
    """From 27 degC / 50 % no cooling leaves 20 degC air with a third of the water; the named least is accepted."""
    entering = air.from_dry_bulb_and_relative_humidity(300.15, 0.5, P0)
    with pytest.raises(OutOfRange) as refused:
        capacity.apparatus_dew_point(entering, AirState(293.15, entering.humidity_ratio / 3, P0))
    assert refused.value.name == "leaving humidity_ratio"
    least = refused.value.low
    assert entering.humidity_ratio / 3 < least < entering.humidity_ratio
    # On the touching line saturation is met, just below the line at no point.
    touching = capacity.apparatus_dew_point(entering, AirState(293.15, least * (1 + 1e-9), P0))
    slope = (entering.humidity_ratio - least) / 7.0
    for t in (touching - 3.0, touching - 1.0, touching + 1.0, touching + 3.0):
        saturated = air.from_dry_bulb_and_relative_humidity(t, 1.0, P0).humidity_ratio
        assert saturated > least + slope * (t - 293.15)


def test_warming_and_wetting_come_out_negative() -> None:
    entering, leaving = AirState(290.0, 0.008, P0), AirState(300.0, 0.009, P0)
    found = capacity.capacity(0.5, entering, leaving)
    assert found.sensible < 0.0
    assert found.latent < 0.0
    assert capacity.condensate_rate(0.5, entering, leaving) == pytest.approx(-0.0005)
    assert capacity.temperature_split(entering, leaving) == -10.0
    with pytest.raises(OutOfRange) as refused:
        _ = found.sensible_heat_ratio
    assert refused.value.name == "total"


pressures = st.floats(75_000.0, 104_000.0)
mass_flows = st.floats(0.05, 3.0)
warm = st.floats(293.0, 308.0)
humidities = st.floats(0.3, 0.7)


@given(mass_flows, warm, humidities, st.floats(4.0, 15.0), st.floats(0.5, 1.0), pressures)
def test_parts_add_up_to_the_enthalpy_difference(
    mass_flow: float, dry_bulb: float, humidity: float, split: float, kept: float, pressure: float
) -> None:
    entering = air.from_dry_bulb_and_relative_humidity(dry_bulb, humidity, pressure)
    most = air.from_dry_bulb_and_relative_humidity(dry_bulb - split, 1.0, pressure).humidity_ratio
    leaving = AirState(dry_bulb - split, min(entering.humidity_ratio * kept, most), pressure)
    found = capacity.capacity(mass_flow, entering, leaving)
    assert found.total == pytest.approx(mass_flow * (entering.enthalpy - leaving.enthalpy), rel=1e-9, abs=1e-6)
    assert 0.0 < found.sensible <= found.total + 1e-9
    water = capacity.condensate_rate(mass_flow, entering, leaving)
    assert found.latent == pytest.approx(water * (2_501_000 + 1860 * (leaving.dry_bulb - 273.15)), rel=1e-9, abs=1e-6)
    assert capacity.capacity(2 * mass_flow, entering, leaving).total == pytest.approx(2 * found.total)


@given(warm, humidities, st.floats(276.0, 290.0), st.floats(0.02, 0.4), pressures)
def test_a_mixture_of_bypassed_and_saturated_air_is_taken_apart_again(
    dry_bulb: float, humidity: float, surface: float, bypass: float, pressure: float
) -> None:
    """The bypass model turned round: mix, then find surface temperature and bypass factor."""
    entering = air.from_dry_bulb_and_relative_humidity(dry_bulb, humidity, pressure)
    at_surface = air.from_dry_bulb_and_relative_humidity(surface, 1.0, pressure)
    assume(at_surface.humidity_ratio < entering.humidity_ratio)
    temperature = surface + bypass * (dry_bulb - surface)
    mixture = at_surface.humidity_ratio + bypass * (entering.humidity_ratio - at_surface.humidity_ratio)
    # Near a steep part of the curve a mixture would be fog; no such air is read.
    assume(mixture <= air.from_dry_bulb_and_relative_humidity(temperature, 1.0, pressure).humidity_ratio)
    mixed = AirState(temperature, mixture, pressure)
    found = capacity.apparatus_dew_point(entering, mixed)
    # A line may meet the curve twice; the warmer meeting is the coil's.
    assert found >= surface - 1e-4
    if found < surface + 1e-4:
        assert capacity.bypass_factor(entering, mixed) == pytest.approx(bypass, abs=1e-4)
    else:
        saturated = air.from_dry_bulb_and_relative_humidity(found, 1.0, pressure).humidity_ratio
        slope = (entering.humidity_ratio - mixed.humidity_ratio) / (dry_bulb - mixed.dry_bulb)
        assert saturated == pytest.approx(entering.humidity_ratio - slope * (dry_bulb - found), rel=1e-6)


STATE = AirState(300.0, 0.010, P0)
COOL = AirState(290.0, 0.009, P0)
REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: capacity.dry_air_mass_flow(-1e-9, STATE), "flow"),
    (lambda: capacity.dry_air_mass_flow(math.nan, STATE), "flow"),
    (lambda: capacity.capacity(-1e-9, STATE, COOL), "mass_flow"),
    (lambda: capacity.condensate_rate(math.inf, STATE, COOL), "mass_flow"),
    (lambda: capacity.gross_from_net(Capacity(1.0, 1.0), -1.0), "blower_heat"),
    (lambda: capacity.net_from_gross(Capacity(1.0, 1.0), -1.0), "blower_heat"),
    (lambda: capacity.apparatus_dew_point(COOL, STATE), "temperature split"),
    (lambda: capacity.apparatus_dew_point(STATE, STATE), "temperature split"),
    (lambda: capacity.apparatus_dew_point(STATE, AirState(290.0, 0.0101, P0)), "leaving humidity_ratio"),
    (lambda: capacity.bypass_factor(STATE, AirState(299.0, 0.001, P0)), "leaving humidity_ratio"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refusals_name_the_argument(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
