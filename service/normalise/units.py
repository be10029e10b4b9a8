"""The unit table, worked out by pint from the definitions in `rules/vocabulary/units.toml`.

pint never sees a client's text: its parser reads `cfm` as centi-femto-metre and `F` as farad. It is given only
the definitions of the ruleset, each proven here to have the dimension of the base unit it belongs to.
"""

from __future__ import annotations

from typing import Any

import pint

from service.errors import RulesetRefused
from service.model.ruleset import Dimension, Ruleset
from service.model.units import DisplayUnit, UnitScale, UnitTable


def build_unit_table(ruleset: Ruleset) -> UnitTable:
    """Factors and offsets of every accepted unit.

    Raises
    ------
    RulesetRefused : a definition is not a unit of its dimension
    """
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    faults: list[str] = []
    scales: dict[str, dict[str, UnitScale]] = {}
    display: dict[str, dict[str, DisplayUnit]] = {}
    for name, dimension in ruleset.dimensions.items():
        scales[name] = _scales(registry, name, dimension, faults)
        if not faults:
            display[name] = {
                system: DisplayUnit(scales[name][code], dimension.decimals[system])
                for system, code in dimension.display.items()
            }
    if faults:
        raise RulesetRefused(faults)
    return UnitTable(scales, display)


def _scales(
    registry: pint.UnitRegistry[Any], name: str, dimension: Dimension, faults: list[str]
) -> dict[str, UnitScale]:
    scales: dict[str, UnitScale] = {}
    for unit in dimension.unit:
        try:
            if unit.pint in ("degree_Fahrenheit", "degree_Celsius"):
                zero = registry.Quantity(0.0, unit.pint).to(dimension.base).magnitude
                factor = registry.Quantity(1.0, unit.pint).to(dimension.base).magnitude - zero
            else:
                zero = 0.0
                factor = registry.Quantity(registry.parse_expression(unit.pint)).to(dimension.base).magnitude
        except (pint.PintError, AttributeError, SyntaxError, TypeError) as error:
            faults.append(f"units: {name} {unit.code}: {unit.pint} is not a unit of {dimension.base} ({error})")
            continue
        scale = UnitScale(unit.code, unit.symbol, float(factor), float(zero))
        scales.update(dict.fromkeys((unit.code, *unit.spellings), scale))
    return scales
