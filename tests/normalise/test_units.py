"""Every accepted unit against its definition in a named source, and answers that do not depend on the unit chosen."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import msgspec
import pint
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service import pipeline
from service.errors import RulesetRefused
from service.model.evaluation import Evaluation
from service.model.ruleset import Dimension
from service.normalise import build_unit_table
from service.wire.request import EvaluationRequest

PREPARED = pipeline.working()
RULES, UNITS = PREPARED.ruleset, PREPARED.units
ROOT = Path(__file__).parents[2]

BTU = 1055.05585262
"""International Table Btu in J (ISO 31-4; UCUM 2.2 [Btu_IT] = 1.05505585262 kJ)."""
FOOT, INCH, POUND, GRAIN = 0.3048, 0.0254, 0.45359237, 64.79891e-6
"""Exact: m, m, kg, kg (international yard and pound agreement 1959; NIST SP 811 B.8)."""
WATER_INCH = 0.0254 * 9806.65
"""Conventional inch of water, Pa: UCUM 2.2 m[H2O] = 9.80665 kPa; NIST SP 811 B.8 prints 249.0889 Pa."""

EXPECTED: dict[str, dict[str, tuple[float, float]]] = {
    "gauge_pressure": {
        "[in_i'H2O]": (WATER_INCH, 0.0),
        "Pa": (1.0, 0.0),
        "kPa": (1e3, 0.0),
        "hPa": (100.0, 0.0),
        "mm[H2O]": (9.80665, 0.0),  # NIST SP 811 B.8
        "[psi]": (POUND * 9.80665 / INCH**2, 0.0),  # definition; NIST SP 811 B.8 prints 6894.757
    },
    "absolute_pressure": {
        "[in_i'Hg]": (3386.389, 0.0),  # NIST SP 811 B.8, conventional; UCUM's m[Hg] is 3e-6 below
        "hPa": (100.0, 0.0),
        "kPa": (1e3, 0.0),
        "Pa": (1.0, 0.0),
        "mm[Hg]": (133.322387415, 0.0),  # 13 595.1 kg/m3 x 9.80665 m/s2 x 1 mm; NIST SP 811 B.8 prints 133.3224
        "[psi]": (POUND * 9.80665 / INCH**2, 0.0),
    },
    "temperature": {"[degF]": (5 / 9, 459.67 * 5 / 9), "Cel": (1.0, 273.15), "K": (1.0, 0.0)},
    "temperature_difference": {"[degR]": (5 / 9, 0.0), "K": (1.0, 0.0)},
    "ratio": {"%": (0.01, 0.0), "1": (1.0, 0.0)},
    "volume_flow": {
        "[cft_i]/min": (FOOT**3 / 60, 0.0),  # 4.719474432e-4 m3/s, NIST SP 811 B.8
        "m3/h": (1 / 3600, 0.0),
        "L/s": (1e-3, 0.0),
        "m3/s": (1.0, 0.0),
    },
    "electric_power": {"W": (1.0, 0.0), "kW": (1e3, 0.0), "[HP]": (550 * FOOT * POUND * 9.80665, 0.0)},
    "heat_rate": {
        "[Btu_IT]/h": (BTU / 3600, 0.0),
        "k[Btu_IT]/h": (BTU / 3.6, 0.0),
        "12000.[Btu_IT]/h": (12000 * BTU / 3600, 0.0),  # ton of refrigeration; NIST SP 811 B.8 prints 3516.853 W
        "W": (1.0, 0.0),
        "kW": (1e3, 0.0),
    },
    "voltage": {"V": (1.0, 0.0)},
    "current": {"A": (1.0, 0.0)},
    "length": {
        "[ft_i]": (FOOT, 0.0),
        "[in_i]": (INCH, 0.0),
        "m": (1.0, 0.0),
        "cm": (0.01, 0.0),
        "mm": (1e-3, 0.0),
        "km": (1e3, 0.0),
        "[mi_i]": (5280 * FOOT, 0.0),
    },
    "density": {"[lb_av]/[cft_i]": (POUND / FOOT**3, 0.0), "kg/m3": (1.0, 0.0)},
    "velocity": {
        "[ft_i]/min": (FOOT / 60, 0.0),
        "m/s": (1.0, 0.0),
        "km/h": (1 / 3.6, 0.0),
        "[mi_i]/h": (5280 * FOOT / 3600, 0.0),
        "[kn_i]": (1852 / 3600, 0.0),  # UCUM 2.2: one international nautical mile an hour
    },
    "wind_speed": {"[mi_i]/h": (5280 * FOOT / 3600, 0.0), "m/s": (1.0, 0.0)},
    "distance": {"[mi_i]": (5280 * FOOT, 0.0), "km": (1e3, 0.0)},
    "elapsed_time": {"h": (3600.0, 0.0), "min": (60.0, 0.0)},
    "waiting_time": {"s": (1.0, 0.0), "min": (60.0, 0.0)},
    "flow_per_capacity": {
        "[cft_i]/min/(12000.[Btu_IT]/h)": (FOOT**3 / 60 / (12000 * BTU / 3600), 0.0),
        "m3/h/kW": (1 / 3600 / 1000, 0.0),
    },
    "power_per_flow": {
        "W.min/[cft_i]": (60 / FOOT**3, 0.0),
        "W/(m3/h)": (3600.0, 0.0),
        "W/(L/s)": (1000.0, 0.0),
    },
    "humidity_ratio": {"[gr]/[lb_av]": (GRAIN / POUND, 0.0), "g/kg": (1e-3, 0.0), "kg/kg": (1.0, 0.0)},
    "duration": {"s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0), "d": (86400.0, 0.0)},
    "count": {"1": (1.0, 0.0)},
}


def test_every_unit_of_every_dimension_has_a_definition_here() -> None:
    """A unit cannot be added without its definition standing here as well. Dimensions added later may come first."""
    for dimension, units in EXPECTED.items():
        assert {unit.code for unit in RULES.dimensions[dimension].unit} == set(units), dimension


@pytest.mark.parametrize(
    ("dimension", "code"), [(dimension, code) for dimension, units in EXPECTED.items() for code in units]
)
def test_unit_as_defined(dimension: str, code: str) -> None:
    factor, zero = EXPECTED[dimension][code]
    scale = UNITS.scales[dimension][code]
    assert scale.factor == pytest.approx(factor, rel=1e-9)
    assert scale.offset == pytest.approx(zero, rel=1e-12, abs=1e-12)


REGISTRY: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
PINT_NAMES = {
    "[in_i'H2O]": "inH2O",
    "[psi]": "psi", "[in_i'Hg]": "inHg", "mm[Hg]": "mmHg",
    "[HP]": "horsepower", "[ft_i]": "foot", "[in_i]": "inch", "[degF]": "degF", "Cel": "degC",
    "[lb_av]/[cft_i]": "pound/foot**3", "[ft_i]/min": "foot/minute", "[cft_i]/min": "foot**3/minute",
    "[Btu_IT]/h": "Btu_it/hour",
}  # fmt: skip


@pytest.mark.parametrize("code", sorted(PINT_NAMES))
def test_unit_as_in_pints_own_registry(code: str) -> None:
    """pint's registry defines these on its own. Its mercury and water columns are within 3e-5 of ours."""
    for dimension, units in EXPECTED.items():
        if code not in units or (code == "[psi]" and dimension == "absolute_pressure"):
            continue
        base = RULES.dimensions[dimension].base
        if code in ("[degF]", "Cel"):
            theirs = REGISTRY.Quantity(77.0, PINT_NAMES[code]).to(base).magnitude
            assert UNITS.to_si(dimension, 77.0, code) == pytest.approx(theirs, rel=1e-12)
        else:
            theirs = REGISTRY.Quantity(1.0, PINT_NAMES[code]).to(base).magnitude
            assert UNITS.to_si(dimension, 1.0, code) == pytest.approx(theirs, rel=3e-5)


# Worked conversions; NIST SP 811 B.8 and UCUM 2.2 unless noted.
@pytest.mark.parametrize(
    ("dimension", "value", "unit", "expected", "relative"),
    [
        ("gauge_pressure", 1.0, "[in_i'H2O]", 249.08891, 1e-9),
        ("gauge_pressure", 0.50, "inWC", 124.544455, 1e-9),
        ("gauge_pressure", 27.67990, "[in_i'H2O]", 6894.757, 1e-6),
        ("temperature", 100.0, "degF", 310.9278, 1e-7),
        ("temperature_difference", 20.0, "degF", 11.1111, 1e-5),
        ("volume_flow", 400.0, "cfm", 0.18877898, 1e-7),
        ("heat_rate", 36000.0, "Btu/h", 10550.5585, 1e-8),
        ("heat_rate", 3.0, "tons", 10550.5585, 1e-8),
        ("electric_power", 1.0, "hp", 745.6998716, 1e-9),
        ("density", 0.075, "lb/ft3", 1.201384753, 1e-9),
        ("humidity_ratio", 7000.0, "gr/lb", 1.0, 1e-12),
    ],
)
def test_worked_conversions(dimension: str, value: float, unit: str, expected: float, relative: float) -> None:
    assert UNITS.to_si(dimension, value, unit) == pytest.approx(expected, rel=relative)


def test_a_difference_of_temperatures_knows_no_zero() -> None:
    assert UNITS.difference_to_si("temperature", 20.0, "degF") == pytest.approx(20 * 5 / 9)
    assert UNITS.shown_difference("temperature", 10.0, "ip") == (pytest.approx(18.0), "[degR]")
    assert UNITS.shown("temperature", 294.15, "ip") == (pytest.approx(69.8), "[degF]")


def test_a_definition_of_another_dimension_is_refused() -> None:
    wrong = [msgspec.structs.replace(unit, pint="second") for unit in RULES.dimensions["length"].unit]
    spoiled: Dimension = msgspec.structs.replace(RULES.dimensions["length"], unit=wrong)
    with pytest.raises(RulesetRefused, match="length") as refused:
        build_unit_table(msgspec.structs.replace(RULES, dimensions={**RULES.dimensions, "length": spoiled}))
    assert len(refused.value.faults) == len(wrong)


@pytest.mark.parametrize("dimension", sorted(EXPECTED))
def test_spellings_mean_one_unit_each(dimension: str) -> None:
    for unit in RULES.dimensions[dimension].unit:
        for spelling in (unit.code, *unit.spellings):
            assert UNITS.scales[dimension][spelling].code == unit.code


# Unit invariance -------------------------------------------------------------------------------------------------

VISITS = [
    json.loads((ROOT / name).read_text())
    for name in (
        "rules/cases/healthy/furnace_1600_m.json",
        "rules/cases/healthy/air_handler_sea_level.json",
        "openapi/examples/visit.json",
    )
]
SPELLING = {
    spelling: name
    for name in EXPECTED
    for unit in RULES.dimensions[name].unit
    for spelling in (unit.code, *unit.spellings)
}


def dimension_of(field: str, owner: dict[str, Any]) -> str | None:
    """Dimension of a measure by the name of the field it stands under."""
    kinds = {
        "static_pressure": "gauge_pressure", "pressure_difference": "gauge_pressure", "airflow": "volume_flow",
        "dry_bulb_temperature": "temperature", "wet_bulb_temperature": "temperature",
        "relative_humidity": "ratio", "electric_power": "electric_power", "voltage": "voltage", "current": "current",
        "station_pressure": "absolute_pressure",
    }  # fmt: skip
    fields = {
        "rated_maximum_external_static_pressure": "gauge_pressure", "nominal_cooling_capacity": "heat_rate",
        "design_airflow": "volume_flow", "external_static_pressure": "gauge_pressure", "airflow": "volume_flow",
        "power": "electric_power", "table_air_density": "density", "width": "length", "height": "length",
        "depth": "length", "pressure_drop": "gauge_pressure", "input": "heat_rate",
        "steady_state_efficiency": "ratio", "temperature_rise_minimum": "temperature_difference",
        "temperature_rise_maximum": "temperature_difference", "rated_power": "electric_power", "elevation": "length",
    }  # fmt: skip
    return kinds[owner["kind"]] if field == "value" else fields.get(field)


def rewrite(tree: Any, choose: Any) -> None:
    """Write every measure of a visit in another accepted unit."""
    if isinstance(tree, list):
        for part in tree:
            rewrite(part, choose)
    if not isinstance(tree, dict):
        return
    for field, part in tree.items():
        if isinstance(part, dict) and set(part) == {"value", "unit"}:
            dimension = dimension_of(field, tree)
            assert dimension is not None, field
            unit = choose(sorted(UNITS.scales[dimension]))
            si, scale = UNITS.to_si(dimension, part["value"], part["unit"]), UNITS.scales[dimension][unit]
            if "samples" in tree and field == "value":
                series = [UNITS.to_si(dimension, value, part["unit"]) for value in tree["samples"]["values"]]
                tree["samples"]["values"] = [(value - scale.offset) / scale.factor for value in series]
            part["value"], part["unit"] = (si - scale.offset) / scale.factor, unit
        else:
            rewrite(part, choose)


def numbers(evaluation: Evaluation) -> dict[tuple[str, str, str | None], tuple[float, float]]:
    return {
        (str(place), quantity.name, quantity.subject): (quantity.value, quantity.uncertainty)
        for place, part in enumerate(evaluation.parts)
        for quantity in part.quantities
    }


@settings(deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
@given(visit=st.sampled_from(range(len(VISITS))), data=st.data())
def test_the_answer_does_not_depend_on_the_units(visit: int, data: st.DataObject) -> None:
    plain = VISITS[visit]
    other = copy.deepcopy(plain)
    rewrite(other["equipment"], lambda units: data.draw(st.sampled_from(units)))
    rewrite(other["readings"], lambda units: data.draw(st.sampled_from(units)))
    rewrite(other["site"], lambda units: data.draw(st.sampled_from(units)))
    first, second = (
        pipeline.evaluate(msgspec.convert(tree, EvaluationRequest, strict=False), PREPARED) for tree in (plain, other)
    )
    theirs = numbers(second)
    assert theirs.keys() == numbers(first).keys()
    for key, (value, uncertainty) in numbers(first).items():
        assert theirs[key][0] == pytest.approx(value, rel=1e-6, abs=1e-9), key
        assert theirs[key][1] == pytest.approx(uncertainty, rel=1e-5, abs=1e-9), key
    for mine, others in zip(first.parts, second.parts, strict=True):
        assert [verdict.token for verdict in mine.verdicts] == [verdict.token for verdict in others.verdicts]
        assert [finding.code for finding in mine.findings] == [finding.code for finding in others.findings]


@pytest.mark.parametrize("system", ["ip", "si"])
def test_what_is_shown_reads_back_as_what_was_meant(system: Any) -> None:
    for dimension, shown in UNITS.display.items():
        scale = shown[system].scale
        value, code = UNITS.shown(dimension, 12.5, system)
        assert code == scale.code
        assert UNITS.to_si(dimension, value, code) == pytest.approx(12.5, rel=1e-12)
