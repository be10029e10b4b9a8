"""Power-law resistances."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import resistance
from service.physics.air import STANDARD_AIR_DENSITY

INCH = 249.08891
CFM = 4.719474432e-4
DENSITY_RATIO = 0.0623 / 0.075


@pytest.mark.parametrize(("exponent", "expected"), [(1.0, 0.156), (1.4, 0.173), (1.8, 0.192), (2.0, 0.203)])
def test_drop_at_another_flow(exponent: float, expected: float) -> None:
    """.12 in. at 1000 cfm becomes this at 1300 cfm: 0.12 x 1.3^n, to the three places printed."""
    drop = resistance.drop_at_flow(0.12 * INCH, 1000 * CFM, 1300 * CFM, exponent)
    assert drop / INCH == pytest.approx(expected, abs=5.1e-4)


def test_density_effect_agrees_with_colebrook() -> None:
    """500 cfm in 10 in. galvanised duct: .1286 in. per 100 ft at .075 lb/ft3, .1102 at .0623 (fluids 1.3.1, Colebrook).

    The local exponent comes from two other rows of the same computation: .0854 in. at 400 cfm, .1286 at 500. Had the
    drop gone with the full density ratio it would have been .1068.
    """
    exponent = math.log(0.1286 / 0.0854) / math.log(500 / 400)
    assert 1.8 < exponent < 1.9
    drop = resistance.drop_at_flow(
        0.1286, 500 * CFM, 500 * CFM, exponent, DENSITY_RATIO * STANDARD_AIR_DENSITY, STANDARD_AIR_DENSITY
    )
    assert drop == pytest.approx(0.1102, rel=3e-3)


def test_density_matters_in_full_for_an_orifice_and_not_at_all_for_creeping_flow() -> None:
    """Orifice equation dp ~ rho Q^2; Darcy's law dp ~ mu Q."""
    thin = DENSITY_RATIO * STANDARD_AIR_DENSITY
    assert resistance.drop_at_flow(50.0, 0.5, 0.5, 2.0, thin) == pytest.approx(50.0 * DENSITY_RATIO)
    assert resistance.drop_at_flow(50.0, 0.5, 0.5, 1.0, thin) == pytest.approx(50.0)


exponents = st.floats(1.0, 2.0)
amounts = st.floats(0.01, 100.0)
densities = st.floats(0.6, 1.5)


@given(amounts, amounts, amounts, exponents, densities, densities)
def test_drop_and_flow_are_inverse(
    rated_drop: float, rated_flow: float, flow: float, n: float, density: float, rated_density: float
) -> None:
    drop = resistance.drop_at_flow(rated_drop, rated_flow, flow, n, density, rated_density)
    assert resistance.flow_at_drop(rated_drop, rated_flow, drop, n, density, rated_density) == pytest.approx(
        flow, rel=1e-9
    )


@given(amounts, amounts, exponents, densities)
def test_rated_point_is_returned(rated_drop: float, rated_flow: float, n: float, density: float) -> None:
    drop = resistance.drop_at_flow(rated_drop, rated_flow, rated_flow, n, density, density)
    assert drop == pytest.approx(rated_drop, rel=1e-12)


@given(amounts, st.floats(1.0, 2.0), densities)
def test_drop_rises_with_flow_and_never_with_thinner_air(flow: float, n: float, density: float) -> None:
    drop = resistance.drop_at_flow(50.0, 1.0, flow, n, density)
    assert resistance.drop_at_flow(50.0, 1.0, flow * 1.01, n, density) > drop
    assert resistance.drop_at_flow(50.0, 1.0, flow, n, density * 0.9) <= drop


def test_zero_flow_has_no_drop() -> None:
    assert resistance.drop_at_flow(50.0, 0.5, 0.0, 1.4) == 0.0
    assert resistance.flow_at_drop(50.0, 0.5, 0.0, 1.4) == 0.0


Function = Callable[..., float]


@pytest.mark.parametrize(("function", "third"), [(resistance.drop_at_flow, "flow"), (resistance.flow_at_drop, "drop")])
@pytest.mark.parametrize(
    ("position", "value", "name"),
    [
        (0, 0.0, "rated_drop"),
        (0, math.inf, "rated_drop"),
        (1, 0.0, "rated_flow"),
        (1, math.inf, "rated_flow"),
        (2, -1e-9, None),
        (2, math.inf, None),
        (3, 0.999999, "exponent"),
        (3, 2.000001, "exponent"),
        (3, math.nan, "exponent"),
        (4, 0.0, "density"),
        (4, math.inf, "density"),
        (5, 0.0, "rated_density"),
        (5, math.inf, "rated_density"),
    ],
)
def test_refused(function: Function, third: str, position: int, value: float, name: str | None) -> None:
    arguments = [50.0, 0.5, 0.6, 1.4, 1.1, 1.2]
    assert function(*arguments) > 0.0
    arguments[position] = value
    with pytest.raises(OutOfRange) as refused:
        function(*arguments)
    assert refused.value.name == (name or third)
