"""Conversion between the accepted units and the SI, as factors and offsets worked out beforehand."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import msgspec

UnitSystem = Literal["ip", "si"]

NEGLIGIBLE = 1e-30
"""A smaller number of any unit is taken as zero: dividing by it, or squaring what comes of that, would overflow."""


class UnitScale(msgspec.Struct, frozen=True):
    """SI value = `factor` x value + `offset`."""

    code: str
    symbol: str
    factor: float
    offset: float


class DisplayUnit(msgspec.Struct, frozen=True):
    """The unit a dimension is shown in, and how many decimals words use."""

    scale: UnitScale
    decimals: int


class UnitTable(msgspec.Struct, frozen=True):
    """Every accepted spelling by dimension, and the unit each dimension is shown in."""

    scales: Mapping[str, Mapping[str, UnitScale]]
    display: Mapping[str, Mapping[str, DisplayUnit]]

    def accepts(self, dimension: str, spelling: str) -> bool:
        """Whether the spelling is one of the dimension's."""
        return spelling in self.scales[dimension]

    def to_si(self, dimension: str, value: float, spelling: str) -> float:
        """The value in the dimension's SI unit; `KeyError` for a spelling it does not accept."""
        scale = self.scales[dimension][spelling]
        return (value if abs(value) >= NEGLIGIBLE else 0.0) * scale.factor + scale.offset

    def difference_to_si(self, dimension: str, difference: float, spelling: str) -> float:
        """A difference or an uncertainty in SI: the offset of a scale does not apply to it."""
        return (difference if abs(difference) >= NEGLIGIBLE else 0.0) * self.scales[dimension][spelling].factor

    def shown(self, dimension: str, value: float, system: UnitSystem) -> tuple[float, str]:
        """The SI value as a number and UCUM code in a unit system."""
        scale = self.display[dimension][system].scale
        return (value - scale.offset) / scale.factor, scale.code

    def shown_difference(self, dimension: str, difference: float, system: UnitSystem) -> tuple[float, str]:
        """An SI difference or uncertainty as a number and UCUM code; temperatures become differences."""
        if dimension == "temperature":
            dimension = "temperature_difference"
        scale = self.display[dimension][system].scale
        return difference / scale.factor, scale.code

    def words(self, dimension: str, value: float, system: UnitSystem, uncertainty: float | None = None) -> str:
        """The SI value in words, with its expanded uncertainty (coverage factor 2) if its standard one is given."""
        display = self.display[dimension][system]
        decimals, scale = display.decimals, display.scale
        shown = (value - scale.offset) / scale.factor
        if abs(shown) >= LARGE:
            decimals = 0
        expanded = 2.0 * (uncertainty or 0.0) / scale.factor
        if 0.0 < expanded < 0.5 * 10.0**-decimals:
            # An uncertainty that would round to nothing gets its first digit, and the value as many.
            decimals = min(decimals + 3, math.ceil(-math.log10(expanded)))
        number = _without_minus_zero(shown, decimals)
        if expanded > 0.0:
            number += f" ± {expanded:.{decimals}f}"
        elif dimension == "count" and 0.0 < shown < 0.5 * 10.0**-decimals:
            number = f"less than {10.0**-decimals:.{decimals}f}"
        return f"{number}{_space(scale.symbol)}{scale.symbol}"

    def range_words(self, dimension: str, low: float, high: float, system: UnitSystem) -> tuple[str, str]:
        """Two SI values in words, the unit said with the second only: `0.5`, `2.0 times`."""
        first, symbol = self.words(dimension, low, system), self.display[dimension][system].scale.symbol
        return first.removesuffix(symbol).rstrip(), self.words(dimension, high, system)


LARGE = 1e4
"""A number this large is shown without decimals."""


def _without_minus_zero(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def _space(symbol: str) -> str:
    return "" if symbol in ("", "%") else " "
