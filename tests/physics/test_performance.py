"""A maker's performance table read between its rows, and never beyond them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from service.errors import OutOfRange
from service.physics.performance import PerformancePoint, capacity_at

FLOWS, OUTDOORS, WET_BULBS = (0.40, 0.55, 0.70), (297.0, 303.0, 308.0), (288.0, 292.0, 295.0)
GRID = np.array([[[9000 + 4000 * q - 60 * (o - 297) + 250 * (w - 288) for w in WET_BULBS] for o in OUTDOORS]
                 for q in FLOWS])  # fmt: skip
GRID[1, 1, 1] += 300.0  # a bend, so that it is no plane
POINTS = [
    PerformancePoint(w, o, q, float(GRID[i, j, k]))
    for i, q in enumerate(FLOWS)
    for j, o in enumerate(OUTDOORS)
    for k, w in enumerate(WET_BULBS)
]
REFERENCE = RegularGridInterpolator((FLOWS, OUTDOORS, WET_BULBS), GRID)


@given(st.floats(*WET_BULBS[::2]), st.floats(*OUTDOORS[::2]), st.floats(*FLOWS[::2]))
def test_agrees_with_a_general_interpolator(wet_bulb: float, outdoor: float, flow: float) -> None:
    """scipy's interpolation on a regular grid."""
    expected = float(REFERENCE((flow, outdoor, wet_bulb)))
    assert capacity_at(POINTS, wet_bulb, outdoor, flow) == pytest.approx(expected, rel=1e-9)


def test_rows_answer_for_themselves() -> None:
    for point in POINTS:
        found = capacity_at(POINTS, point.return_wet_bulb, point.outdoor_temperature, point.airflow)
        assert found == point.capacity


@pytest.mark.parametrize(
    ("entry", "axis"),
    [
        ((287.9, 300.0, 0.5), "return_wet_bulb"),
        ((290.0, 308.1, 0.5), "outdoor_temperature"),
        ((290.0, 300.0, 0.71), "airflow"),
    ],
)
def test_nothing_beyond_the_rows(entry: tuple[float, float, float], axis: str) -> None:
    with pytest.raises(OutOfRange, match=axis):
        capacity_at(POINTS, *entry)


def test_a_corner_may_be_missing_where_it_is_not_needed() -> None:
    partly = [p for p in POINTS if not (p.airflow == 0.70 and p.outdoor_temperature == 308.0)]
    assert capacity_at(partly, 290.0, 300.0, 0.6) == capacity_at(POINTS, 290.0, 300.0, 0.6)
    with pytest.raises(OutOfRange, match="outdoor_temperature"):
        capacity_at(partly, 290.0, 306.0, 0.6)


def test_an_empty_table_is_refused() -> None:
    with pytest.raises(OutOfRange, match="number of points"):
        capacity_at([], 290.0, 300.0, 0.5)


@pytest.mark.parametrize("field", ["return_wet_bulb", "outdoor_temperature", "airflow", "capacity"])
def test_a_row_of_nothing_is_refused(field: str) -> None:
    numbers = {"return_wet_bulb": 290.0, "outdoor_temperature": 300.0, "airflow": 0.5, "capacity": 9000.0, field: 0.0}
    with pytest.raises(OutOfRange, match=field):
        PerformancePoint(**numbers)
