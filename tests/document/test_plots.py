"""Plots show what is told, where the axes say it, in any language and unit system, and nothing of a client's markup."""

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from service.document.plots import Plot, plots_of
from service.pipeline import Prepared, evaluate, figures, load
from service.wire.decode import RequestDecoder

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "openapi" / "examples" / "visit.json"
HEALTHY = sorted((ROOT / "rules" / "cases" / "healthy").glob("*.json"))
SVG = "{http://www.w3.org/2000/svg}"
PASCAL = 1 / 249.08891
"""Inch of water at 4 degrees Celsius in a pascal (NIST SP 811, appendix B.8: 1 inH2O = 2.490889 E+02 Pa)."""


@pytest.fixture(scope="module")
def current() -> Prepared:
    return load().current


@pytest.fixture(scope="module")
def decoder() -> RequestDecoder:
    return load().decoder()


def drawn(visit: bytes, current: Prepared, decoder: RequestDecoder, system: str = "ip", code: str = "en") -> list[Plot]:
    request = decoder.decode_kept(visit)
    return list(
        plots_of(
            evaluate(request, current),
            figures(request, current),
            current.ruleset,
            current.units,
            system,  # type: ignore[arg-type]
            current.languages[code],
        )
    )


def words_of(plot: Plot) -> list[ElementTree.Element]:
    return ElementTree.fromstring(plot.svg).findall(f".//{SVG}text")


def level(plot: Plot, y: float) -> float:
    """What an upright scale says at a place, read off its first and last tick as a reader would."""
    ticks = [
        (float(word.get("y", "")) - 4.0, float((word.text or "").replace("\N{MINUS SIGN}", "-")))
        for word in words_of(plot)
        if word.get("text-anchor") == "end" and re.fullmatch(r"[\N{MINUS SIGN}]?[\d.]+", word.text or "")
    ]
    (y0, v0), (y1, v1) = ticks[0], ticks[-1]
    return v0 + (y - y0) / (y1 - y0) * (v1 - v0)


def test_the_example_is_drawn_state_by_state(current: Prepared, decoder: RequestDecoder) -> None:
    plots = drawn(EXAMPLE.read_bytes(), current, decoder)
    assert [(plot.name, plot.kind, plot.state) for plot in plots] == [
        ("air_path_1", "air_path", "heating"),
        ("blower_and_system_1", "blower_and_system", "heating"),
        ("air_path_2", "air_path", "cooling"),
        ("blower_and_system_2", "blower_and_system", "cooling"),
    ]


@pytest.mark.parametrize("system", ["ip", "si"])
def test_a_pressure_lies_where_the_scale_says(current: Prepared, decoder: RequestDecoder, system: str) -> None:
    """The readings of the example, as they were sent, against marks read off the drawing."""
    visit = json.loads(EXAMPLE.read_bytes())
    read = [
        reading["value"]["value"]
        for reading in visit["readings"]
        if reading["kind"] == "static_pressure" and reading.get("state") == "heating"
    ]
    assert len(read) == 4
    plot = drawn(EXAMPLE.read_bytes(), current, decoder, system)[0]
    discs = ElementTree.fromstring(plot.svg).findall(f"{SVG}circle")
    shown = sorted(level(plot, float(disc.get("cy", ""))) for disc in discs[:4])  # the others belong to the legend
    in_inches = [value * (PASCAL if system == "si" else 1.0) for value in shown]
    assert in_inches == pytest.approx(sorted(read), abs=2e-3)


def test_the_point_as_found_and_those_projected_are_told_in_words(current: Prepared, decoder: RequestDecoder) -> None:
    plot = drawn(EXAMPLE.read_bytes(), current, decoder)[3]
    said = [word.text or "" for word in words_of(plot)]
    assert any(re.fullmatch(r"1\. Filter clean: \d+ cfm at 0\.\d+ in\. w\.c\.", text) for text in said)
    assert any(text.startswith("2. Coil clean") for text in said)
    assert re.match(r"As found: \d+ ± \d+ cfm at 0\.\d+ ± 0\.\d+ in\. w\.c\.", plot.description)
    assert plot.description.count("projected") == 2
    assert any(text == "rated for at most 0.500 in. w.c." for text in said)


@pytest.mark.parametrize("path", HEALTHY, ids=lambda path: path.stem)
def test_any_visit_is_drawn_within_its_frame(current: Prepared, decoder: RequestDecoder, path: Path) -> None:
    for plot in drawn(path.read_bytes(), current, decoder, "si"):
        root = ElementTree.fromstring(plot.svg)
        _, _, width, height = (float(part) for part in root.get("viewBox", "").split())
        assert "nan" not in plot.svg
        assert "inf" not in plot.svg.replace("information", "")
        for element in root.iter():
            for pair in element.get("points", "").split():
                x, y = (float(part) for part in pair.split(","))
                assert 0 <= x <= width
                assert 0 <= y <= height
        for word in root.findall(f"{SVG}text"):
            assert 0 <= float(word.get("x", "")) <= width
            assert 0 <= float(word.get("y", "")) <= height
        assert root.find(f"{SVG}title").text == plot.title  # type: ignore[union-attr]
        assert root.find(f"{SVG}desc").text == plot.description  # type: ignore[union-attr]


def test_spanish_has_every_word(current: Prepared, decoder: RequestDecoder) -> None:
    english = drawn(EXAMPLE.read_bytes(), current, decoder)
    spanish = drawn(EXAMPLE.read_bytes(), current, decoder, code="es")
    visit = json.loads(EXAMPLE.read_bytes())
    own = {state["id"] for state in visit["states"]} | {"Filter"}
    for one, other in zip(english, spanish, strict=True):
        assert 'lang="es"' in other.svg
        for before, after in zip(words_of(one), words_of(other), strict=False):
            if re.search(r"[a-z]{3}", before.text or "") and before.text not in own:
                assert before.text != after.text


def test_a_state_of_any_name_draws_no_markup(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(EXAMPLE.read_bytes())
    visit["states"][0]["label"] = "</title><script>alert(1)</script>"
    plot = drawn(json.dumps(visit).encode(), current, decoder)[0]
    root = ElementTree.fromstring(plot.svg)
    assert "<script>alert(1)" in (root.find(f"{SVG}title").text or "")  # type: ignore[union-attr]
    assert "script" not in {element.tag.removeprefix(SVG) for element in root.iter()}


def test_without_a_table_there_is_no_blower_curve(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(EXAMPLE.read_bytes())
    del visit["equipment"]["blower"]["settings"]
    plot = next(p for p in drawn(json.dumps(visit).encode(), current, decoder) if p.kind == "blower_and_system")
    said = [word.text or "" for word in words_of(plot)]
    assert "the air path" in said
    assert not any(text.startswith("blower, setting") for text in said)


def test_readings_that_tell_no_profile_are_not_drawn(current: Prepared, decoder: RequestDecoder) -> None:
    visit = json.loads(EXAMPLE.read_bytes())
    visit["readings"] = [reading for reading in visit["readings"] if "temperature" in reading["kind"]]
    assert drawn(json.dumps(visit).encode(), current, decoder) == []
