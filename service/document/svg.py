"""Drawing with SVG: elements that escape what they hold, scales with round ticks, and one plain style.

A drawing is text and lines in the current ink on nothing: it prints, it scales, it refers to nothing outside. What
tells two things apart is their shape or dash, never colour alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

INK, SOFT, FAINT, ACCENT = "#1c2126", "#5b6670", "#d5dade", "#0b4f8a"
"""Lines and words; what stands behind them; the grid; what is to be seen first. Each but the grid has a contrast of at
least 4.5 to 1 against white (WCAG 2.2, 1.4.3)."""

FONT = "Helvetica, Arial, 'Liberation Sans', sans-serif"
TEXT = 12.0
"""Size of words in units of the drawing."""

DASHES = {"solid": "", "dashed": "7 4", "dotted": "2 3", "chained": "9 3 2 3"}


class Scale:
    """A straight scale from values to places of the drawing, over ticks at round values that cover the values.

    Parameters
    ----------
    low, high : values to be covered; widened where they are one
    start, end : places of the first and last tick
    most : ticks at most, 3 or more
    """

    def __init__(self, low: float, high: float, start: float, end: float, most: int = 8) -> None:
        self.ticks = round_ticks(low, high, most)
        self.low, self.high = self.ticks[0], self.ticks[-1]
        self.start, self.end = start, end

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    def holds(self, value: float) -> bool:
        """Whether a value lies between the first and the last tick."""
        return self.low <= value <= self.high

    @property
    def decimals(self) -> int:
        """Decimals that its ticks need."""
        return decimals_of(self.ticks[1] - self.ticks[0])


def round_ticks(low: float, high: float, most: int = 8) -> list[float]:
    """Equally spaced multiples of 1, 2 or 5 times a power of ten that cover the values: 3 to `most`."""
    if not high - low > 1e-9 * max(abs(low), abs(high)):  # one value, as far as ticks can tell
        spread = abs(low) * 0.1 or 1.0
        low, high = low - spread, high + spread
    power = math.floor(math.log10((high - low) / most))
    for exponent in range(power, power + 4):
        for factor in (1.0, 2.0, 5.0):
            step = factor * 10.0**exponent
            first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
            if last - first < most:
                if last - first < 2:
                    first, last = first - (last - first == 0), first + 2 - (last - first == 0)
                decimals = max(0, -exponent)
                return [round(index * step, decimals) for index in range(first, last + 1)]
    raise AssertionError("a step of ten thousand times the smallest covers the values")


def decimals_of(step: float) -> int:
    """Decimals that multiples of a round step need."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


class Drawing:
    """An SVG drawing of a size of its own, to be shown at any.

    Parameters
    ----------
    width, height : of the view box
    title, description : what it is, and what it shows, for those who do not see it
    font : families of its words
    language : BCP 47 code of its words
    """

    def __init__(
        self, width: float, height: float, title: str, description: str, *, font: str = FONT, language: str = "en"
    ) -> None:
        self.width, self.height = width, height
        self.root = Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {number(width)} {number(height)}",
                "role": "img",
                "lang": language,
                "font-family": font,
                "font-size": number(TEXT),
                "fill": INK,
            },
        )
        SubElement(self.root, "title").text = clean(title)
        SubElement(self.root, "desc").text = clean(description)

    def line(
        self, points: Iterable[tuple[float, float]], *, ink: str = INK, width: float = 1.5, dash: str = "solid"
    ) -> None:
        """A line through points."""
        places = [f"{number(x)},{number(y)}" for x, y in points]
        style = {"fill": "none", "stroke": ink, "stroke-width": number(width), "stroke-linejoin": "round"}
        if DASHES[dash]:
            style["stroke-dasharray"] = DASHES[dash]
        SubElement(self.root, "polyline", {"points": " ".join(places), **style})

    def area(self, points: Iterable[tuple[float, float]], *, ink: str = FAINT, opacity: float = 0.5) -> None:
        """A filled area."""
        places = [f"{number(x)},{number(y)}" for x, y in points]
        style = {"points": " ".join(places), "fill": ink, "fill-opacity": number(opacity)}
        SubElement(self.root, "polygon", style)

    def words(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "start",
        ink: str = INK,
        size: float = TEXT,
        bold: bool = False,
        turned: float = 0.0,
    ) -> None:
        """Words with their base line at a place; `anchor` start, middle or end; `turned` by degrees about the place."""
        style = {"x": number(x), "y": number(y), "text-anchor": anchor, "fill": ink, "font-size": number(size)}
        if bold:
            style["font-weight"] = "bold"
        if turned:
            style["transform"] = f"rotate({number(turned)} {number(x)} {number(y)})"
        SubElement(self.root, "text", style).text = clean(text)

    def mark(
        self, x: float, y: float, shape: str = "disc", *, ink: str = INK, size: float = 4.5, open_: bool = False
    ) -> None:
        """A mark about a place: `disc`, `square`, `diamond` or `triangle`; open or filled."""
        style = {"fill": "#ffffff" if open_ else ink, "stroke": ink, "stroke-width": "1.5"}
        if shape == "disc":
            SubElement(self.root, "circle", {"cx": number(x), "cy": number(y), "r": number(size), **style})
            return
        corners = {
            "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
            "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
            "triangle": ((0, -1.2), (1.2, 1), (-1.2, 1)),
        }[shape]
        places = " ".join(f"{number(x + size * dx)},{number(y + size * dy)}" for dx, dy in corners)
        SubElement(self.root, "polygon", {"points": places, **style})

    def error_bar(self, x: float, low: float, high: float, *, upright: bool = True, ink: str = INK) -> None:
        """A bar from one place to another with caps: upright at `x`, or lying at the height `x`."""
        cap = 4.0
        ends = ((low, low), (high, high))
        for start, end in (*ends, (low, high)):
            half = cap if start == end else 0.0
            across = ((x - half, start), (x + half, end))
            self.line(across if upright else [(y, x) for x, y in across], ink=ink, width=1.2)

    def axes(
        self, across: Scale, up: Scale, across_title: str, up_title: str, *, across_labels: Sequence[str] | None = None
    ) -> None:
        """Grid, ticks and titles of a plot whose scales begin at its lower left corner.

        `across_labels` stand in place of the numbers of the ticks; empty for none.
        """
        for tick in up.ticks:
            self.line([(across.start, up(tick)), (across.end, up(tick))], ink=FAINT, width=1.0)
            self.words(across.start - 8, up(tick) + 4, decimal(tick, up.decimals), anchor="end", ink=SOFT)
        labels = [decimal(tick, across.decimals) for tick in across.ticks] if across_labels is None else across_labels
        for tick, label in zip(across.ticks, labels, strict=False):
            self.line([(across(tick), up.start), (across(tick), up.start + 5)], ink=SOFT, width=1.0)
            self.words(across(tick), up.start + 19, label, anchor="middle", ink=SOFT)
        self.line([(across.start, up.start), (across.end, up.start)], ink=SOFT, width=1.2)
        self.line([(across.start, up.start), (across.start, up.end)], ink=SOFT, width=1.2)
        self.words((across.start + across.end) / 2, up.start + 38, across_title, anchor="middle")
        middle = (up.start + up.end) / 2
        self.words(across.start - 48, middle, up_title, anchor="middle", turned=-90)

    def text(self) -> str:
        """The drawing."""
        return tostring(self.root, encoding="unicode")


def number(value: float) -> str:
    """A place of the drawing, to a hundredth; never an exponent."""
    if not math.isfinite(value) or abs(value) < 0.005:
        return "0"
    return f"{value:.2f}".rstrip("0").rstrip(".")


def decimal(value: float, decimals: int) -> str:
    """A tick's number with a true minus sign."""
    text = f"{abs(value):.{decimals}f}"
    return f"\N{MINUS SIGN}{text}" if value < 0 and float(text) != 0.0 else text


_UNHOLDABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def clean(text: str) -> str:
    """Text without characters that XML cannot hold (XML 1.0, 2.2)."""
    return _UNHOLDABLE.sub("", text)


def wrapped(text: str, most: int) -> list[str]:
    """Words in lines of at most `most` characters, 2 or more; a longer word is broken with a hyphen."""
    lines: list[str] = []
    for word in text.split():
        rest = word
        while len(rest) > most:
            lines.append(f"{rest[: most - 1]}-")
            rest = rest[most - 1 :]
        if lines and rest == word and len(lines[-1]) + 1 + len(rest) <= most:
            lines[-1] += f" {rest}"
        else:
            lines.append(rest)
    return lines
