"""Blower tables, operating points and fan laws, on an invented table.

Worked values were computed once outside this project, by root-finding in scipy 1.17.1 on the same table.
"""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import OutOfRange
from service.physics import blower, resistance
from service.physics.air import STANDARD_AIR_DENSITY
from service.physics.blower import BlowerPoint, BlowerTable

INCH = 249.08891
CFM = 4.719474432e-4
RATIO_5000_FEET = 0.8307
SITE = STANDARD_AIR_DENSITY * RATIO_5000_FEET

ROWS = [(0.1, 1350), (0.2, 1310), (0.3, 1265), (0.4, 1210), (0.5, 1150), (0.6, 1080), (0.7, 1000), (0.8, 905)]
TABLE = BlowerTable(tuple(BlowerPoint(p * INCH, q * CFM, 500.0 - 20.0 * i) for i, (p, q) in enumerate(ROWS)))
WITHOUT_POWER = BlowerTable(tuple(BlowerPoint(p * INCH, q * CFM) for p, q in ROWS))


def point(pressure: float, flow: float, power: float | None = None) -> BlowerPoint:
    return BlowerPoint(pressure, flow, power)


@pytest.mark.parametrize(("inches", "cfm"), [(0.55, 1115), (0.47, 1168), (0.1, 1350), (0.8, 905), (0.4, 1210)])
def test_linear_reading_of_the_table(inches: float, cfm: float) -> None:
    """.55 in. lies midway between 1150 and 1080; .47 is 1210 - .7 x 60."""
    assert blower.flow_at_pressure(TABLE, inches * INCH, STANDARD_AIR_DENSITY) / CFM == pytest.approx(cfm, abs=1e-6)


def test_thin_air_enters_the_table_with_pressure_over_density_ratio() -> None:
    """.3925 in. at a density ratio of .8307 is .4725 in. in the table: 1166.5 cfm."""
    flow = blower.flow_at_pressure(TABLE, 0.3925 * INCH, SITE)
    assert flow / CFM == pytest.approx(1166.5, abs=1.0)
    assert blower.flow_at_pressure(TABLE, 0.3925 * INCH, STANDARD_AIR_DENSITY) / CFM == pytest.approx(1214, abs=1.0)


def test_power_scales_with_density() -> None:
    at_table = blower.power_at_pressure(TABLE, 0.45 * INCH, STANDARD_AIR_DENSITY)
    assert at_table == pytest.approx(430.0)  # midway between 440 and 420 W
    at_site = blower.power_at_pressure(TABLE, 0.45 * INCH * RATIO_5000_FEET, SITE)
    assert at_site == pytest.approx(430.0 * RATIO_5000_FEET)


@pytest.mark.parametrize(
    ("exponent", "ratio", "inches", "cfm"),
    [(2.0, 1.0, 0.4725, 1166.5), (2.0, RATIO_5000_FEET, 0.3925, 1166.5), (1.9, 1.0, 0.4734, 1166.0)],
)
def test_operating_point(exponent: float, ratio: float, inches: float, cfm: float) -> None:
    """Ducts of .5 in. at 1200 cfm on the invented table; at altitude same volume, pressure down with density."""
    density = STANDARD_AIR_DENSITY * ratio

    def ducts(flow: float) -> float:
        return resistance.drop_at_flow(0.5 * INCH, 1200 * CFM, flow, exponent, density)

    found = blower.operating_point(TABLE, ducts, density)
    assert found.pressure / INCH == pytest.approx(inches, abs=1e-3)
    assert found.flow / CFM == pytest.approx(cfm, abs=1.0)
    assert ducts(found.flow) == pytest.approx(found.pressure, rel=1e-9)
    assert found.power is not None
    assert found.power == pytest.approx(blower.power_at_pressure(TABLE, found.pressure, density))


def test_operating_point_without_power() -> None:
    found = blower.operating_point(WITHOUT_POWER, lambda q: 0.5 * INCH * (q / (1200 * CFM)) ** 2, STANDARD_AIR_DENSITY)
    assert found.power is None


def test_removing_a_resistance_raises_flow_and_does_not_subtract() -> None:
    def system(filter_drop: float) -> Callable[[float], float]:
        return lambda q: (0.35 * (q / (1200 * CFM)) ** 2 + filter_drop * (q / (1200 * CFM)) ** 1.4) * INCH

    loaded = blower.operating_point(TABLE, system(0.40), STANDARD_AIR_DENSITY)
    clean = blower.operating_point(TABLE, system(0.10), STANDARD_AIR_DENSITY)
    filter_drop = 0.40 * (loaded.flow / (1200 * CFM)) ** 1.4 * INCH
    clean_drop = 0.10 * (clean.flow / (1200 * CFM)) ** 1.4 * INCH
    assert clean.flow > loaded.flow
    assert loaded.pressure - clean.pressure < filter_drop - clean_drop


def test_fan_laws() -> None:
    """1200 cfm / .50 in. / 450 W at 0.9 of the speed: 1080 / .405 / 328 (fan laws)."""
    slower = blower.at_speed_ratio(point(0.5 * INCH, 1200 * CFM, 450.0), 0.9)
    assert slower.flow / CFM == pytest.approx(1080, abs=0.5)
    assert slower.pressure / INCH == pytest.approx(0.405, abs=5e-4)
    assert slower.power == pytest.approx(328, abs=0.5)
    assert blower.at_speed_ratio(point(1.0, 1.0), 0.9).power is None


def test_straight_lines_stay_close_below_a_smooth_curve() -> None:
    """The claim of the module text, against a monotone cubic (scipy PchipInterpolator) on the same rows."""
    from scipy.interpolate import PchipInterpolator

    smooth = PchipInterpolator([p for p, _ in ROWS], [q for _, q in ROWS])
    short = []
    for step in range(701):
        inches = min(0.1 + step * 0.001, 0.8)
        linear = blower.flow_at_pressure(TABLE, inches * INCH, STANDARD_AIR_DENSITY) / CFM
        short.append(1.0 - linear / float(smooth(inches)))
    assert max(short) == pytest.approx(0.002, abs=2e-4)
    assert min(short) > -3e-4


@given(st.floats(0.1001, 0.789), st.floats(0.001, 0.01), st.floats(0.6, 1.2))
def test_flow_falls_with_pressure_and_lies_between_its_neighbours(p: float, step: float, ratio: float) -> None:
    density = STANDARD_AIR_DENSITY * ratio
    first = blower.flow_at_pressure(TABLE, p * INCH * ratio, density)
    second = blower.flow_at_pressure(TABLE, (p + step) * INCH * ratio, density)
    assert second < first
    assert 905 * CFM <= second < first <= 1350 * CFM


@given(st.floats(0.1001, 0.7999), st.floats(0.6, 1.2))
def test_same_entry_gives_same_volume_at_every_density(p: float, ratio: float) -> None:
    here = blower.flow_at_pressure(TABLE, p * INCH * ratio, STANDARD_AIR_DENSITY * ratio)
    assert here == pytest.approx(blower.flow_at_pressure(TABLE, p * INCH, STANDARD_AIR_DENSITY), rel=1e-9)


@pytest.mark.parametrize(
    ("rows", "tolerance", "expected"),
    [
        (ROWS, 0.0, True),
        (list(reversed(ROWS)), 0.0, True),
        ([(0.1, 1000), (0.3, 1000), (0.5, 1000)], 0.0, True),
        ([(0.1, 1000), (0.2, 1005), (0.3, 1000)], 0.0, False),
        ([(0.1, 1000), (0.2, 1005), (0.3, 1000)], 0.006, True),
        ([(0.1, 1000), (0.2, 1005), (0.3, 1000)], 0.004, False),
        ([(0.1, 1000), (0.1, 900), (0.3, 800)], 0.0, False),
        ([(0.1, 1000), (0.1, 1000), (0.3, 800)], 0.0, True),
        ([(0.1, 1000), (0.2, 1003), (0.3, 1006), (0.4, 1009)], 0.004, False),
    ],
    ids=["table", "any order", "level", "bump", "bump within", "bump beyond", "two flows", "repeated row", "creep"],
)
def test_airflow_is_single_valued(rows: list[tuple[float, float]], tolerance: float, expected: bool) -> None:
    assert blower.airflow_is_single_valued([point(p, q) for p, q in rows], tolerance) is expected


def test_held_torque_follows_from_the_fan_laws() -> None:
    """Fan laws: torque ~ density x speed^2. Held at a density ratio r the speed goes with r^-1/2, so the table's point
    at .45 in. first loses pressure and power with r, then gains by that speed ratio: .45 in. again."""
    at_table = point(
        0.45 * INCH,
        blower.flow_at_pressure(TABLE, 0.45 * INCH, STANDARD_AIR_DENSITY),
        blower.power_at_pressure(TABLE, 0.45 * INCH, STANDARD_AIR_DENSITY),
    )
    assert at_table.power is not None
    same_speed = point(at_table.pressure * RATIO_5000_FEET, at_table.flow, at_table.power * RATIO_5000_FEET)
    expected = blower.at_speed_ratio(same_speed, RATIO_5000_FEET**-0.5)
    assert expected.pressure == pytest.approx(0.45 * INCH)
    assert blower.flow_at_held_torque(TABLE, 0.45 * INCH, SITE) == pytest.approx(expected.flow)
    assert blower.power_at_held_torque(TABLE, 0.45 * INCH, SITE) == pytest.approx(expected.power)


# --- refusals -----------------------------------------------------------------------------------------------------

LOW, HIGH = 0.1 * INCH, 0.8 * INCH
STD = STANDARD_AIR_DENSITY
HUMP = BlowerTable((point(10.0, 0.5), point(20.0, 0.6), point(30.0, 0.4)))

REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: point(-1e-9, 0.5), "pressure"),
    (lambda: point(math.inf, 0.5), "pressure"),
    (lambda: point(10.0, -1e-9), "flow"),
    (lambda: point(10.0, math.nan), "flow"),
    (lambda: point(10.0, 0.5, 0.0), "power"),
    (lambda: point(10.0, 0.5, math.inf), "power"),
    (lambda: BlowerTable(()), "number of points"),
    (lambda: BlowerTable((point(10.0, 0.5),)), "number of points"),
    (lambda: BlowerTable((point(10.0, 0.5), point(10.0, 0.4))), "points[1].pressure"),
    (lambda: BlowerTable((point(10.0, 0.5), point(20.0, 0.4), point(15.0, 0.3))), "points[2].pressure"),
    (lambda: BlowerTable((point(10.0, 0.5, 100.0), point(20.0, 0.4))), "number of points with power"),
    (lambda: BlowerTable((point(10.0, 0.5), point(20.0, 0.4)), 0.0), "density"),
    (lambda: blower.flow_at_pressure(TABLE, LOW * (1 - 1e-6), STD), "pressure"),
    (lambda: blower.flow_at_pressure(TABLE, HIGH * (1 + 1e-6), STD), "pressure"),
    (lambda: blower.flow_at_pressure(TABLE, math.nan, STD), "pressure"),
    (lambda: blower.flow_at_pressure(TABLE, LOW, 0.0), "density"),
    (lambda: blower.power_at_pressure(TABLE, LOW * (1 - 1e-6), STD), "pressure"),
    (lambda: blower.power_at_pressure(TABLE, HIGH * (1 + 1e-6), STD), "pressure"),
    (lambda: blower.power_at_pressure(WITHOUT_POWER, 0.5 * INCH, STD), "number of points with power"),
    (lambda: blower.flow_at_held_torque(TABLE, LOW * (1 - 1e-6), SITE), "pressure"),
    (lambda: blower.flow_at_held_torque(TABLE, HIGH * (1 + 1e-6), SITE), "pressure"),
    (lambda: blower.flow_at_held_torque(TABLE, LOW, 0.0), "density"),
    (lambda: blower.power_at_held_torque(TABLE, LOW * (1 - 1e-6), SITE), "pressure"),
    (lambda: blower.power_at_held_torque(TABLE, HIGH * (1 + 1e-6), SITE), "pressure"),
    (lambda: blower.power_at_held_torque(WITHOUT_POWER, 0.5 * INCH, SITE), "number of points with power"),
    (lambda: blower.power_at_held_torque(TABLE, LOW, 0.0), "density"),
    (lambda: blower.airflow_is_single_valued(TABLE.points, -1e-9), "tolerance"),
    (lambda: blower.operating_point(HUMP, lambda q: 100.0 * q, STD), "flow"),
    (lambda: blower.operating_point(TABLE, lambda q: 1.0 * q, STD), "system_drop at the table's largest flow"),
    (lambda: blower.operating_point(TABLE, lambda q: 1e4 * q, STD), "system_drop at the table's smallest flow"),
    (lambda: blower.operating_point(TABLE, lambda q: 100.0 * q, 0.0), "density"),
    (lambda: blower.at_speed_ratio(point(10.0, 0.5), 0.0), "ratio"),
    (lambda: blower.at_speed_ratio(point(10.0, 0.5), math.inf), "ratio"),
]


@pytest.mark.parametrize(("call", "name"), REFUSED)
def test_refused(call: Callable[[], object], name: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        call()
    assert refused.value.name == name


def test_range_in_the_refusal_is_told_at_the_site() -> None:
    with pytest.raises(OutOfRange) as refused:
        blower.flow_at_pressure(TABLE, 0.7 * INCH, SITE)
    assert refused.value.low == pytest.approx(0.1 * RATIO_5000_FEET * INCH)
    assert refused.value.high == pytest.approx(0.8 * RATIO_5000_FEET * INCH)


def test_ends_of_the_table_are_accepted() -> None:
    assert blower.flow_at_pressure(TABLE, LOW, STD) == pytest.approx(1350 * CFM)
    assert blower.flow_at_pressure(TABLE, HIGH, STD) == pytest.approx(905 * CFM)


@given(st.floats(0.101, 0.799), st.floats(0.7, 1.1))
def test_pressure_at_flow_undoes_flow_at_pressure(inches: float, ratio: float) -> None:
    density = STANDARD_AIR_DENSITY * ratio
    flow = blower.flow_at_pressure(TABLE, inches * INCH * ratio, density)
    assert blower.pressure_at_flow(TABLE, flow, density) == pytest.approx(inches * INCH * ratio, rel=1e-9)
    held = blower.flow_at_held_torque(TABLE, inches * INCH, density)
    assert blower.pressure_at_held_torque(TABLE, held, density) == pytest.approx(inches * INCH, rel=1e-9)


def test_pressure_at_flow_by_hand() -> None:
    """1168 cfm lies at 0.4 + 0.1 x (1210 - 1168) / (1210 - 1150) = 0.47 in. w.c. between the table's rows."""
    assert blower.pressure_at_flow(TABLE, 1168 * CFM, STANDARD_AIR_DENSITY) / INCH == pytest.approx(0.47, abs=1e-9)


def test_pressure_at_a_flow_that_the_table_does_not_tell() -> None:
    with pytest.raises(OutOfRange, match="flow"):
        blower.pressure_at_flow(TABLE, 2000 * CFM, STANDARD_AIR_DENSITY)
    level = BlowerTable((point(0.0, 1.0), point(50.0, 1.0), point(100.0, 0.9)))
    with pytest.raises(OutOfRange, match="flow"):
        blower.pressure_at_flow(level, 0.95, STANDARD_AIR_DENSITY)


WATTS = BlowerTable(
    tuple(BlowerPoint(p * INCH, 1200 * CFM, w) for p, w in ((0.2, 250.0), (0.4, 350.0), (0.6, 470.0))),
)
"""A blower that holds its airflow: power rises with pressure (invented)."""


def test_pressure_at_power_by_hand() -> None:
    """410 W lie halfway from 350 to 470: 0.5 in. w.c.; in air of 0.8 the density 280 W stand at 0.8 x 0.4."""
    assert blower.pressure_at_power(WATTS, 410.0, STANDARD_AIR_DENSITY) / INCH == pytest.approx(0.5)
    assert blower.pressure_at_power(WATTS, 280.0, 0.8 * STANDARD_AIR_DENSITY) / INCH == pytest.approx(0.32)


@given(st.floats(0.2, 0.6), st.floats(0.7, 1.1))
def test_pressure_at_power_undoes_power_at_pressure(inches: float, ratio: float) -> None:
    density, pressure = STANDARD_AIR_DENSITY * ratio, inches * INCH * ratio
    low, high = 0.2 * INCH * ratio, 0.6 * INCH * ratio
    pressure = min(max(pressure, low * (1 + 1e-12)), high * (1 - 1e-12))
    power = blower.power_at_pressure(WATTS, pressure, density)
    assert blower.pressure_at_power(WATTS, power, density) == pytest.approx(pressure, rel=1e-9)


@pytest.mark.parametrize("watts", [249.0, 471.0])
def test_power_beyond_the_table_is_refused(watts: float) -> None:
    with pytest.raises(OutOfRange, match="power"):
        blower.pressure_at_power(WATTS, watts, STANDARD_AIR_DENSITY)


def test_power_that_does_not_rise_tells_no_pressure() -> None:
    falling = BlowerTable((BlowerPoint(50.0, 0.5, 300.0), BlowerPoint(100.0, 0.5, 280.0)))
    with pytest.raises(OutOfRange, match="power"):
        blower.pressure_at_power(falling, 290.0, STANDARD_AIR_DENSITY)
    without = BlowerTable((BlowerPoint(50.0, 0.5), BlowerPoint(100.0, 0.4)))
    with pytest.raises(OutOfRange, match="power"):
        blower.pressure_at_power(without, 290.0, STANDARD_AIR_DENSITY)
