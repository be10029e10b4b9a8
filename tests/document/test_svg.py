"""Drawings: ticks that are round and cover, words that stay words, places that are numbers."""

import math
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.document.svg import ACCENT, INK, SOFT, Drawing, Scale, decimal, number, round_ticks, wrapped

SVG = "{http://www.w3.org/2000/svg}"


@given(
    st.floats(-1e6, 1e6, allow_nan=False), st.floats(1e-5, 1e6, allow_nan=False), st.integers(3, 12)
)  # fmt: skip
def test_ticks_cover_are_round_and_few(low: float, span: float, most: int) -> None:
    high = low + span * max(1.0, abs(low))  # a finer spread is lost in rounding
    ticks = round_ticks(low, high, most)
    step = ticks[1] - ticks[0]
    assert 3 <= len(ticks) <= most
    assert ticks[0] <= low + 1e-6 * step
    assert ticks[-1] >= high - 1e-6 * step
    leading = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(leading - known) for known in (1.0, 2.0, 5.0, 10.0)) < 1e-3 * leading


@pytest.mark.parametrize("value", [0.0, 5.0, -3.0])
def test_one_value_is_given_room(value: float) -> None:
    ticks = round_ticks(value, value)
    assert ticks[0] < value < ticks[-1]


def test_values_that_ticks_cannot_tell_apart_are_given_room() -> None:
    ticks = round_ticks(1e13, 1e13 + 0.01)
    assert ticks[0] < 1e13 < 1e13 + 0.01 < ticks[-1]
    assert len(set(ticks)) == len(ticks)


def test_a_scale_goes_from_tick_to_tick() -> None:
    scale = Scale(3.0, 97.0, 100.0, 500.0)
    assert (scale.low, scale.high) == (0.0, 100.0)
    assert (scale(0.0), scale(50.0), scale(100.0)) == (100.0, 300.0, 500.0)
    assert scale.holds(100.0)
    assert not scale.holds(100.1)
    assert Scale(0.0, 0.71, 0.0, 1.0).decimals == 1


def test_what_a_drawing_holds_is_escaped_and_cleaned() -> None:
    drawing = Drawing(100, 50, "a < b & c", "x\x00y")
    drawing.words(1, 2, '<script>alert("1")</script>\x07')
    root = ElementTree.fromstring(drawing.text())
    assert root.find(f"{SVG}title").text == "a < b & c"  # type: ignore[union-attr]
    assert root.find(f"{SVG}desc").text == "xy"  # type: ignore[union-attr]
    assert root.find(f"{SVG}text").text == '<script>alert("1")</script>'  # type: ignore[union-attr]
    assert root.find(f".//{SVG}script") is None
    assert root.get("viewBox") == "0 0 100 50"


def test_places_are_plain_numbers() -> None:
    assert [number(value) for value in (1.0, 0.126, -0.001, 1e9, math.nan)] == ["1", "0.13", "0", "1000000000", "0"]
    assert [decimal(value, 1) for value in (-0.04, -0.5, 1234.5)] == ["0.0", "\N{MINUS SIGN}0.5", "1234.5"]


def test_words_are_wrapped_and_cut() -> None:
    assert wrapped("Return duct and grille", 11) == ["Return duct", "and grille"]
    assert wrapped("abcdefghijkl mn", 5) == ["abcd-", "efgh-", "ijkl", "mn"]
    assert wrapped("abcde", 5) == ["abcde"]
    assert wrapped("", 5) == []


@pytest.mark.parametrize("ink", [INK, SOFT, ACCENT])
def test_inks_can_be_read_on_white(ink: str) -> None:
    """Contrast by the formula of WCAG 2.2 (relative luminance), 4.5 to 1 for text."""
    channels = [int(ink[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    assert 1.05 / (luminance + 0.05) >= 4.5
