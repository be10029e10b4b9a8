"""What is drawn agrees with what is said: curves through the point as found, pressures that add up."""

import json
from itertools import pairwise
from pathlib import Path

import numpy
import pytest

from service.model.figure import ContextFigures
from service.pipeline import Prepared, evaluate, figures, load
from service.wire.decode import RequestDecoder

ROOT = Path(__file__).parents[2]
VISITS = [
    *sorted((ROOT / "rules" / "cases" / "healthy").glob("*.json")),
    ROOT / "openapi" / "examples" / "visit.json",
]


@pytest.fixture(scope="module")
def current() -> Prepared:
    return load().current


@pytest.fixture(scope="module")
def decoder() -> RequestDecoder:
    return load().decoder()


@pytest.fixture(scope="module")
def drawn(current: Prepared, decoder: RequestDecoder) -> dict[str, tuple[ContextFigures, ...]]:
    return {path.stem: figures(decoder.decode_kept(path.read_bytes()), current) for path in VISITS}


def test_visits_of_every_kind_are_drawn(drawn: dict[str, tuple[ContextFigures, ...]]) -> None:
    blowers = [entry.blower for found in drawn.values() for entry in found if entry.blower is not None]
    assert len(blowers) >= 20
    assert all(entry.blower for entry in blowers)


def test_without_a_table_the_system_is_drawn_alone(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(VISITS[-1].read_bytes())
    del visit["equipment"]["blower"]["settings"]
    found = [entry.blower for entry in figures(decoder.decode(json.dumps(visit).encode()), current) if entry.blower]
    assert found
    assert all(entry.blower == () and entry.system for entry in found)


def test_a_point_beyond_the_table_leaves_the_curve_as_printed(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(VISITS[-1].read_bytes())
    for setting in visit["equipment"]["blower"]["settings"]:
        del setting["rows"][2:]  # rows of low pressure only
    (first, *_) = (entry.blower for entry in figures(decoder.decode(json.dumps(visit).encode()), current))
    assert first is not None
    assert first.as_printed
    assert max(pressure for _, pressure in first.blower) < first.external.value


def test_both_curves_pass_through_the_point_as_found(drawn: dict[str, tuple[ContextFigures, ...]]) -> None:
    checked = 0
    for found in drawn.values():
        for entry in (context.blower for context in found):
            if entry is None:
                continue
            flows, drops = zip(*entry.system, strict=True)
            # Straight lines between 33 points of a curve of second order: short of it by less than 0.5 % here.
            at_found = numpy.interp(entry.airflow.value, flows, drops)
            assert at_found == pytest.approx(entry.external.value, rel=5e-3)
            assert drops[0] == 0.0
            assert all(before < after for before, after in pairwise(drops))
            if entry.blower and not entry.as_printed:
                given, pressures = zip(*sorted(entry.blower, key=lambda point: point[1]), strict=True)
                # The table is read along straight lines, so the curve is exact there.
                assert numpy.interp(entry.external.value, pressures, given) == pytest.approx(
                    entry.airflow.value, rel=2e-3
                )
                checked += 1
    assert checked >= 10


def test_pressures_along_the_path_give_the_external_static_pressure(
    drawn: dict[str, tuple[ContextFigures, ...]],
) -> None:
    checked = 0
    for found in drawn.values():
        for context in found:
            path = context.path
            assert path is not None
            assert len(path.stations) == len(path.elements) + 1
            ends = path.stations[0], path.stations[-1]
            assert [end.pressure.value if end.pressure else None for end in ends] == [0.0, 0.0]
            before, after = path.stations[path.inside[0]], path.stations[path.inside[1] + 1]
            if before.pressure and after.pressure and path.external is not None:
                assert after.pressure.value - before.pressure.value == pytest.approx(path.external.value, rel=1e-9)
                checked += 1
    assert checked >= 20


def test_the_point_as_found_is_the_one_that_is_told(current: Prepared, decoder: RequestDecoder) -> None:
    visit = decoder.decode(VISITS[-1].read_bytes())
    told = {
        context.state.id: {quantity.name: quantity for quantity in context.quantities}
        for context in evaluate(visit, current).contexts
    }
    drawn = [entry for entry in figures(visit, current) if entry.blower is not None]
    assert drawn
    for entry in drawn:
        assert entry.blower is not None
        quantities = told[entry.state.id]
        for name, shown in (("airflow", entry.blower.airflow), ("external_static_pressure", entry.blower.external)):
            assert (shown.value, shown.uncertainty) == (
                pytest.approx(quantities[name].value), pytest.approx(quantities[name].uncertainty)
            )  # fmt: skip
