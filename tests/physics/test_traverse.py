"""Velocity traverses: positions against print and against an exactly integrable profile, means, refusals."""

import math
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import flow, traverse

INCH_OF_WATER = 249.08891
INCH = 0.0254
FPM = 0.00508
POUND_PER_CUBIC_FOOT = 1.201384753 / 0.075

# Printed in a flow-instrument maker's manual (appendix on traversing a duct, log-Tchebycheff table) and in another
# maker's guide (round duct); the guide's own slips, 0.32 for 0.032 and 0.981 for 0.979, are put right by symmetry.
PRINTED_LINES = {
    5: (0.074, 0.288, 0.500, 0.712, 0.926),
    6: (0.061, 0.235, 0.437, 0.563, 0.765, 0.939),
    7: (0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947),
}
PRINTED_ROUND = {
    6: (0.032, 0.135, 0.321, 0.679, 0.865, 0.968),
    8: (0.021, 0.117, 0.184, 0.345, 0.655, 0.816, 0.883, 0.979),
    10: (0.019, 0.077, 0.153, 0.217, 0.361, 0.639, 0.783, 0.847, 0.923, 0.981),
}


def profile_error(positions: Sequence[float], power: float, true: float) -> float:
    """Mean of (distance from the nearer wall over half the width)^power, over the exact mean, less 1."""
    return sum((2 * min(y, 1 - y)) ** power for y in positions) / len(positions) / true - 1


@pytest.mark.parametrize("lines", [5, 6, 7])
def test_positions_along_a_side_as_printed(lines: int) -> None:
    """Within half of the last printed digit, and .437 stands for .43747."""
    assert traverse.log_tchebycheff_positions(lines) == pytest.approx(PRINTED_LINES[lines], abs=5.1e-4)


@pytest.mark.parametrize("points", [6, 8, 10])
def test_positions_along_a_diameter_as_printed(points: int) -> None:
    assert traverse.log_linear_positions(points) == pytest.approx(PRINTED_ROUND[points], abs=1e-12)


@pytest.mark.parametrize(("lines", "percent"), [(5, -0.10), (6, -0.22), (7, -0.04)])
def test_a_line_integrates_a_seventh_power_profile(lines: int, percent: float) -> None:
    """Plane turbulent profile u ~ y^(1/7), whose mean over the line is 7/8 of the middle's: integrated by hand.

    The printed three decimals give the errors named (five equal divisions 1.68 % high); the unrounded positions may
    depart from them by what half of the last digit does to the profile.
    """
    assert 100 * profile_error(PRINTED_LINES[lines], 1 / 7, 7 / 8) == pytest.approx(percent, abs=0.01)
    rounding = sum(5e-4 * 2 / 7 * (2 * min(y, 1 - y)) ** (-6 / 7) for y in PRINTED_LINES[lines]) / lines / (7 / 8)
    error = profile_error(traverse.log_tchebycheff_positions(lines), 1 / 7, 7 / 8)
    assert error == pytest.approx(percent / 100, abs=rounding)
    assert rounding < 6e-4
    equal = profile_error([(i + 0.5) / 5 for i in range(5)], 1 / 7, 7 / 8)
    assert 100 * equal == pytest.approx(1.68, abs=0.01)


@pytest.mark.parametrize(("points", "percent"), [(6, -0.27), (8, -0.09), (10, -0.11)])
def test_a_diameter_integrates_a_seventh_power_profile(points: int, percent: float) -> None:
    """Round turbulent profile, mean 49/60 of the middle's velocity. Three equal-area rings read .92 % high."""
    assert 100 * profile_error(traverse.log_linear_positions(points), 1 / 7, 49 / 60) == pytest.approx(
        percent, abs=0.01
    )
    rings = [0.5 * (1 - math.sqrt(share)) for share in (1 / 6, 3 / 6, 5 / 6)]
    assert 100 * profile_error(rings, 1 / 7, 49 / 60) == pytest.approx(0.92, abs=0.01)


@pytest.mark.parametrize("power", [1 / 5, 1 / 6, 1 / 8, 1 / 10])
def test_other_power_laws_are_read_within_half_a_per_cent(power: float) -> None:
    """Exact means: line 1/(1+p), circle 2/((1+p)(2+p))."""
    for lines in (5, 6, 7):
        assert abs(profile_error(traverse.log_tchebycheff_positions(lines), power, 1 / (1 + power))) < 5e-3
    for points in (6, 8, 10):
        true = 2 / ((1 + power) * (2 + power))
        assert abs(profile_error(traverse.log_linear_positions(points), power, true)) < 5e-3


@pytest.mark.parametrize("points", [6, 8, 10])
def test_round_positions_carry_the_mean_of_the_logarithm(points: int) -> None:
    """The rule's premise is a logarithmic profile. Over a circle ln(y/D) averages -3/2 - ln 2; three decimals move the
    mean of the points' logarithms by at most the sum of .0005/y."""
    near = traverse.log_linear_positions(points)[: points // 2]
    mean = sum(math.log(y) for y in near) / len(near)
    assert mean == pytest.approx(-1.5 - math.log(2), abs=sum(5e-4 / y for y in near) / len(near))


def test_eight_points_follow_from_the_premise() -> None:
    """Two points in each half of the area must give the mean of y and of ln y there (log-linear profile)."""
    from scipy.integrate import quad

    near = traverse.log_linear_positions(8)[:4]
    for pair, (inner, outer) in ((near[:2], (math.sqrt(0.5), 1.0)), (near[2:], (0.0, math.sqrt(0.5)))):
        for function in (math.log, float):
            exact, _ = quad(lambda r, f=function: 2 * r * f((1 - r) / 2), inner, outer)
            mean = sum(function(y) for y in pair) / 2
            slope = sum(5e-4 / y for y in pair) / 2 if function is math.log else 5e-4
            assert mean == pytest.approx(exact / 0.5, abs=1.1 * slope)


def test_positions_are_symmetric_and_rise() -> None:
    sets = [traverse.log_tchebycheff_positions(n) for n in (5, 6, 7)]
    sets += [traverse.log_linear_positions(n) for n in (6, 8, 10)]
    for found, count in zip(sets, (5, 6, 7, 6, 8, 10), strict=True):
        assert len(found) == count
        assert list(found) == sorted(set(found))
        assert [a + b for a, b in zip(found, reversed(found), strict=True)] == pytest.approx([1.0] * count, abs=1e-12)


@pytest.mark.parametrize(("inches", "lines"), [(8, 5), (29.9, 5), (30, 6), (36, 6), (36.1, 7), (60, 7)])
def test_lines_by_side(inches: float, lines: int) -> None:
    """Below 30 in. 5, 30 to 36 in. 6, above 7: a flow-instrument maker's manual on the log-Tchebycheff rule."""
    assert traverse.lines_for_side(inches * INCH) == lines


def test_points_of_a_rectangle() -> None:
    found = traverse.rectangular_points(32 * INCH, 10 * INCH)
    assert len(found) == 30
    assert {round(point.across / INCH, 2) for point in found} == {round(32 * y, 2) for y in (
        0.0613132, 0.2351152, 0.4374692, 0.5625308, 0.7648848, 0.9386868)}  # fmt: skip
    assert sorted({round(point.up / INCH / 10, 3) for point in found}) == list(PRINTED_LINES[5])
    assert traverse.round_depths(10 * INCH, 6) == pytest.approx([y * 10 * INCH for y in PRINTED_ROUND[6]])


def test_mean_of_velocities_not_of_pressures() -> None:
    """.09, .16, .25, .16 in. at standard air: 1602.0 fpm; the velocity of the mean pressure, 1626.8, is 1.55 % high.

    Both with 4005, the shortcut of sea-level air and a 70 degF water column: .09 % below the exact 4008.55.
    """
    pressures = [p * INCH_OF_WATER for p in (0.09, 0.16, 0.25, 0.16)] * 7
    found = traverse.rectangular_flow(pressures, 20 * INCH, 10 * INCH, 0.075 * POUND_PER_CUBIC_FOOT)
    assert found.velocity / FPM == pytest.approx(1602.0 * 4008.55 / 4005, abs=0.05)
    assert found.flow == pytest.approx(found.velocity * 0.508 * 0.254)
    assert (found.points, found.density) == (28, 0.075 * POUND_PER_CUBIC_FOOT)
    of_mean = flow.velocity_from_pressure(sum(pressures) / len(pressures), found.density)
    assert of_mean / found.velocity - 1 == pytest.approx(0.0155, abs=5e-5)


def test_thin_air_moves_faster_at_the_same_velocity_pressure() -> None:
    """.25 in.: 2004.3 fpm at .075 lb/ft3, 2199.1 at .0623 (5000 ft)."""
    for density, fpm in ((0.075, 2004.3), (0.0623, 2199.1)):
        found = traverse.round_flow([0.25 * INCH_OF_WATER] * 12, 0.3, density * POUND_PER_CUBIC_FOOT, 6)
        assert found.velocity / FPM == pytest.approx(fpm, abs=0.1)
        assert found.flow == pytest.approx(found.velocity * math.pi * 0.0225)


def test_a_gauge_off_zero_matters_at_low_velocity_pressure() -> None:
    """At .03 in. a zero error of .001 in. is 1.6 % of velocity: half of 1/30, less the curvature."""
    low = traverse.change_by_zero_error([0.03 * INCH_OF_WATER] * 25, 0.001 * INCH_OF_WATER)
    assert low == pytest.approx(0.0165, abs=5e-5)
    assert traverse.change_by_zero_error([0.25 * INCH_OF_WATER] * 25, 0.001 * INCH_OF_WATER) < 0.0021
    assert traverse.least_velocity_pressure(0.001 * INCH_OF_WATER, 0.0165) / INCH_OF_WATER == pytest.approx(
        0.03, rel=2e-3
    )


def test_evenness() -> None:
    """Counted by hand: one of four points lies at or below a tenth of the largest."""
    assert traverse.share_above_tenth_of_largest([10.0, 5.0, 1.1, 1.0]) == 0.75
    assert traverse.share_above_tenth_of_largest([3.0] * 25) == 1.0


pressures = st.lists(st.floats(0.5, 200.0), min_size=25, max_size=40)


@given(pressures, st.floats(0.9, 1.3), st.floats(0.2, 0.7), st.floats(0.2, 0.7))
def test_mean_velocity_lies_between_and_never_above_that_of_the_mean_pressure(
    readings: list[float], density: float, width: float, height: float
) -> None:
    found = traverse.rectangular_flow(readings, width, height, density)
    velocities = [flow.velocity_from_pressure(p, density) for p in readings]
    assert min(velocities) * (1 - 1e-12) <= found.velocity <= max(velocities) * (1 + 1e-12)
    assert found.velocity <= flow.velocity_from_pressure(sum(readings) / len(readings), density) * (1 + 1e-12)
    # Nothing but area turns velocity into flow, and thin air only speeds everything up alike.
    assert found.flow == pytest.approx(found.velocity * width * height)
    assert traverse.rectangular_flow(readings, width, height, density / 4).velocity == pytest.approx(2 * found.velocity)


@given(pressures, st.floats(0.0, 0.4))
def test_zero_error_reads_high_and_can_be_undone(readings: list[float], offset: float) -> None:
    up = traverse.change_by_zero_error(readings, offset)
    back = traverse.change_by_zero_error([p + offset for p in readings], -offset)
    assert up >= -1e-12
    assert (1 + up) * (1 + back) == pytest.approx(1.0, rel=1e-9)
    assert up <= 0.5 * offset / min(readings) + 1e-12


@given(st.floats(1e-3, 5.0), st.floats(1e-3, 0.5))
def test_least_velocity_pressure_is_the_inverse(offset: float, change: float) -> None:
    least = traverse.least_velocity_pressure(offset, change)
    assert traverse.change_by_zero_error([least], offset) == pytest.approx(change, rel=1e-9)


REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: traverse.lines_for_side(0.0), "side"),
    (lambda: traverse.lines_for_side(math.nan), "side"),
    (lambda: traverse.log_tchebycheff_positions(4), "lines"),
    (lambda: traverse.log_tchebycheff_positions(8), "lines"),
    (lambda: traverse.log_linear_positions(7), "points"),
    (lambda: traverse.log_linear_positions(12), "points"),
    (lambda: traverse.rectangular_points(0.0, 1.0), "side"),
    (lambda: traverse.round_depths(-1.0, 6), "diameter"),
    (lambda: traverse.rectangular_area(0.0, 1.0), "width"),
    (lambda: traverse.rectangular_area(1.0, math.inf), "height"),
    (lambda: traverse.round_area(0.0), "diameter"),
    (lambda: traverse.rectangular_flow([10.0] * 24, 0.5, 0.5, 1.2), "number of velocity_pressures"),
    (lambda: traverse.rectangular_flow([10.0] * 29, 0.8, 0.5, 1.2), "number of velocity_pressures"),
    (lambda: traverse.rectangular_flow([10.0] * 24 + [-0.1], 0.5, 0.5, 1.2), "velocity_pressure"),
    (lambda: traverse.rectangular_flow([10.0] * 25, 0.5, 0.5, 0.0), "density"),
    (lambda: traverse.round_flow([10.0] * 6, 0.3, 1.2, 6), "number of velocity_pressures"),
    (lambda: traverse.round_flow([10.0] * 13, 0.3, 1.2, 6), "number of velocity_pressures"),
    (lambda: traverse.round_flow([], 0.3, 1.2, 6), "number of velocity_pressures"),
    (lambda: traverse.round_flow([10.0] * 12, 0.3, 1.2, 5), "points"),
    (lambda: traverse.change_by_zero_error([], 1.0), "number of velocity_pressures"),
    (lambda: traverse.change_by_zero_error([0.0, 0.0], 1.0), "mean velocity"),
    (lambda: traverse.change_by_zero_error([5.0, 1.0], -1.1), "zero_error"),
    (lambda: traverse.least_velocity_pressure(-1.0, 0.1), "zero_error"),
    (lambda: traverse.least_velocity_pressure(1.0, 0.0), "change"),
    (lambda: traverse.share_above_tenth_of_largest([]), "number of velocity_pressures"),
    (lambda: traverse.share_above_tenth_of_largest([0.0]), "largest velocity_pressure"),
    (lambda: traverse.share_above_tenth_of_largest([1.0, -0.1]), "velocity_pressure"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refusals_name_the_argument(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name
