"""Volume flow and velocity; inch-pound conversions are the definitions of NIST SP 811."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import flow
from service.physics.air import STANDARD_AIR_DENSITY

INCH_OF_WATER = 249.08891
CFM = 4.719474432e-4
FPM = 0.00508
SQUARE_INCH = 0.0254**2
POUND_PER_CUBIC_FOOT = 0.45359237 / 0.3048**3

positive = st.floats(1e-3, 1e3)


@pytest.mark.parametrize(
    ("inches", "at_standard", "at_5000_feet"),
    [(0.01, 400.9, 439.8), (0.10, 1267.6, 1390.8), (0.25, 2004.3, 2199.1), (1.00, 4008.6, 4398.2)],
)
def test_velocity_from_pressure(inches: float, at_standard: float, at_5000_feet: float) -> None:
    """V = sqrt(2 p / rho) in exact units: 1097.79 sqrt(p/rho) fpm with p in conventional inches of water."""
    for density, expected in ((0.075, at_standard), (0.0623, at_5000_feet)):
        v = flow.velocity_from_pressure(inches * INCH_OF_WATER, density * POUND_PER_CUBIC_FOOT)
        assert v / FPM == pytest.approx(expected, abs=0.06)


def test_velocity_pressure_constant_of_practice() -> None:
    """4005 sqrt(p) of practice (no source) is 0.09 % below the exact constant: it carries water near 70 degF."""
    v = flow.velocity_from_pressure(INCH_OF_WATER, STANDARD_AIR_DENSITY) / FPM
    assert v == pytest.approx(4008.55, abs=0.01)
    assert v / 4005.0 - 1.0 == pytest.approx(9e-4, abs=1e-4)


def test_traverse_averages_velocities_not_pressures() -> None:
    """p_v .09 .16 .25 .16 in.: 1602.0 fpm by the 4005 constant, 1626.8 (+1.55 %) from the mean pressure."""
    readings = [0.09, 0.16, 0.25, 0.16]
    density = 2.0 * INCH_OF_WATER / (4005.0 * FPM) ** 2  # the density at which 4005 is exact
    v = flow.mean_velocity([r * INCH_OF_WATER for r in readings], density) / FPM
    wrong = flow.velocity_from_pressure(sum(readings) / 4 * INCH_OF_WATER, density) / FPM
    assert v == pytest.approx(1602.0, abs=0.1)
    assert wrong == pytest.approx(1626.8, abs=0.1)
    assert wrong / v - 1.0 == pytest.approx(0.0155, abs=1e-4)


@pytest.mark.parametrize(("cfm", "sides", "fpm"), [(1200, (20, 25), 346), (1200, (16, 25), 432), (1000, (20, 20), 360)])
def test_face_velocity(cfm: float, sides: tuple[float, float], fpm: float) -> None:
    """Flow over face area; worked values in inch-pound units."""
    area = sides[0] * sides[1] * SQUARE_INCH
    assert flow.face_velocity(cfm * CFM, area) / FPM == pytest.approx(fpm, abs=0.5)


def test_one_cfm_in_si() -> None:
    """NIST SP 811: 1 cfm = 4.719474e-4 m3/s; an actual 1000 cfm at 0.0623 lb/ft3 is 830.7 standard cfm."""
    standard = flow.standard_from_actual(1000.0 * CFM, 0.0623 * POUND_PER_CUBIC_FOOT)
    assert standard / CFM == pytest.approx(1000.0 * 0.0623 / 0.075, rel=1e-9)


@given(positive, positive)
def test_actual_and_standard_are_inverse(q: float, density: float) -> None:
    standard = flow.standard_from_actual(q, density)
    assert flow.actual_from_standard(standard, density) == pytest.approx(q, rel=1e-12)
    assert (standard > q) == (density > STANDARD_AIR_DENSITY) or standard == pytest.approx(q, rel=1e-12)


@given(positive, positive, positive)
def test_mass_flow_is_kept_between_densities(q: float, a: float, b: float) -> None:
    assert flow.flow_at_density(q, a, b) * b == pytest.approx(q * a, rel=1e-12)


@given(st.floats(0.0, 100.0), st.floats(0.3, 3.0))
def test_velocity_and_its_pressure_are_inverse(v: float, density: float) -> None:
    assert flow.velocity_from_pressure(flow.velocity_pressure(v, density), density) == pytest.approx(
        v, rel=1e-9, abs=1e-150
    )


@given(st.floats(1.0, 100.0), st.floats(0.3, 3.0))
def test_velocity_rises_with_pressure_and_in_thin_air(p: float, density: float) -> None:
    v = flow.velocity_from_pressure(p, density)
    assert flow.velocity_from_pressure(p * 1.01, density) > v
    assert flow.velocity_from_pressure(p, density * 0.99) > v


@given(st.lists(st.floats(0.0, 500.0), min_size=1, max_size=30), st.floats(0.3, 3.0))
def test_mean_velocity_never_exceeds_velocity_of_mean_pressure(readings: list[float], density: float) -> None:
    of_mean = flow.velocity_from_pressure(math.fsum(readings) / len(readings), density)
    assert flow.mean_velocity(readings, density) <= of_mean * (1.0 + 1e-12)


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: flow.flow_at_density(-1e-9, 1.2, 1.2), "flow"),
    (lambda: flow.flow_at_density(math.inf, 1.2, 1.2), "flow"),
    (lambda: flow.flow_at_density(0.5, 0.0, 1.2), "density"),
    (lambda: flow.flow_at_density(0.5, math.inf, 1.2), "density"),
    (lambda: flow.flow_at_density(0.5, 1.2, 0.0), "other_density"),
    (lambda: flow.flow_at_density(0.5, 1.2, math.inf), "other_density"),
    (lambda: flow.standard_from_actual(0.5, 0.0), "density"),
    (lambda: flow.actual_from_standard(0.5, 0.0), "other_density"),
    (lambda: flow.velocity_from_pressure(-1e-9, 1.2), "velocity_pressure"),
    (lambda: flow.velocity_from_pressure(math.inf, 1.2), "velocity_pressure"),
    (lambda: flow.velocity_from_pressure(math.nan, 1.2), "velocity_pressure"),
    (lambda: flow.velocity_from_pressure(10.0, 0.0), "density"),
    (lambda: flow.velocity_pressure(-1e-9, 1.2), "velocity"),
    (lambda: flow.velocity_pressure(math.inf, 1.2), "velocity"),
    (lambda: flow.velocity_pressure(1.0, 0.0), "density"),
    (lambda: flow.mean_velocity([], 1.2), "number of velocity_pressures"),
    (lambda: flow.mean_velocity([1.0, -1.0], 1.2), "velocity_pressure"),
    (lambda: flow.face_velocity(-1e-9, 1.0), "flow"),
    (lambda: flow.face_velocity(1.0, 0.0), "area"),
    (lambda: flow.face_velocity(1.0, math.inf), "area"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name


def test_zero_is_accepted_where_it_means_no_air_moves() -> None:
    assert flow.flow_at_density(0.0, 1.2, 1.0) == 0.0
    assert flow.velocity_from_pressure(0.0, 1.2) == 0.0
    assert flow.velocity_pressure(0.0, 1.2) == 0.0
    assert flow.face_velocity(0.0, 1.0) == 0.0
