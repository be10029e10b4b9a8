"""The picture of how hard the fan has to push: to scale, told in words, and without a word of the trade."""

import json
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from service.document.resistance import PARTS, bars_of, resistance
from service.pipeline import Prepared, evaluate, load
from service.wire.decode import RequestDecoder
from service.wire.render import result
from service.wire.response import EvaluationResult

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "openapi" / "examples" / "visit.json"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def current() -> Prepared:
    return load().current


@pytest.fixture(scope="module")
def decoder() -> RequestDecoder:
    return load().decoder()


def answer_to(visit: dict[str, Any], current: Prepared, decoder: RequestDecoder) -> EvaluationResult:
    evaluation = evaluate(decoder.decode(json.dumps(visit).encode()), current)
    return result(evaluation, current.ruleset, current.units, "ip", current.languages["en"])


def test_bars_are_the_pressures_that_were_read_against_the_rating(current: Prepared, decoder: RequestDecoder) -> None:
    """Worked from the readings by hand: rise from filter outlet to heat exchanger outlet over the rated 0.5 in. w.c.,
    and the drop between the readings on both sides of the filter."""
    visit = json.loads((ROOT / "openapi" / "examples" / "visit_before_filter_change.json").read_bytes())
    (bar,) = bars_of(answer_to(visit, current, decoder))
    assert bar.label == "While cooling"
    assert bar.share == pytest.approx(100 * (0.120 + 0.373) / 0.5, abs=0.1)
    assert bar.parts["filter_share"] == pytest.approx(100 * (0.373 - 0.050) / 0.5, abs=0.1)
    assert sum(bar.parts.values()) == pytest.approx(bar.share, abs=0.1)
    assert 0.0 < bar.spread < 2.0


def test_bars_are_drawn_to_scale_and_told(current: Prepared, decoder: RequestDecoder) -> None:
    bars = bars_of(answer_to(json.loads(EXAMPLE.read_bytes()), current, decoder))
    assert [bar.label for bar in bars] == ["While heating", "While cooling"]
    picture = resistance(bars)
    assert picture is not None
    root = ElementTree.fromstring(picture.svg)
    assert root.findtext(f"{SVG}desc") == picture.description
    parts = [[float(x) for x in re.findall(r"[\d.]+", e.get("points", ""))[::2]] for e in root.iter(f"{SVG}polygon")]
    assert len(parts) == 8
    ticks = {e.text: float(e.get("x", "nan")) for e in root.iter(f"{SVG}text") if re.fullmatch(r"\d+%", e.text or "")}
    percent = (ticks["100%"] - ticks["0%"]) / 100.0
    for bar, drawn in zip(bars, (parts[:4], parts[4:]), strict=True):
        assert max(map(max, drawn)) - min(map(min, drawn)) == pytest.approx(bar.share * percent, abs=0.5)
        for size, xs in zip(bar.parts.values(), drawn, strict=True):
            assert max(xs) - min(xs) == pytest.approx(size * percent, abs=0.1)
    (limit,) = [e for e in root.iter(f"{SVG}polyline") if e.get("stroke-width") == "2.4"]
    assert limit.get("points", "").startswith(f"{ticks['100%']:g},")
    assert "While cooling: 131% of the most that the maker allows, give or take 2%." in picture.description
    for name in PARTS.values():
        assert name in picture.description
        assert any((e.text or "").endswith(name) for e in root.iter(f"{SVG}text"))


def test_without_a_rating_there_is_nothing_to_draw(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(EXAMPLE.read_bytes())
    del visit["equipment"]["rated_maximum_external_static_pressure"]
    assert resistance(bars_of(answer_to(visit, current, decoder))) is None


def test_parts_that_do_not_make_up_the_whole_are_not_shown(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads((ROOT / "openapi" / "examples" / "visit_before_filter_change.json").read_bytes())
    visit["readings"] = [r for r in visit["readings"] if r.get("station") not in ("return_plenum", "supply_plenum")]
    (bar,) = bars_of(answer_to(visit, current, decoder))
    assert bar.parts == {}
    picture = resistance([bar])
    assert picture is not None
    assert "Of this" not in picture.description
    assert picture.svg.count("<polygon") == 1
