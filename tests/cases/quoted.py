"""Finds the numbers that the arithmetic of a case quotes and says which of them the case does not hold.

A number is at home in a case if it stands in the request as the case changes it (readings, ratings, site), in the
limits and plausible ranges that the case is about, is the right side of a sum written in the same text, is a value or
standard uncertainty that follows from the readings, or is one of the few constants that moist air, units and levels
of probability bring along. Whether a sum comes out is checked apart from this, in `arithmetic`.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Iterable, Iterator
from statistics import NormalDist
from typing import Any

from service.model.evaluation import Evaluation
from service.model.ruleset import Case, Ruleset
from service.pipeline import Prepared

NUMBER = re.compile(r"(?<![\w.])(\d[\d,]*(?:\.\d+)?)(?!\w)")
DATE = re.compile(r"\d{4}-\d\d-\d\d|\d(?:\.\d+)?e-\d+")
RESULT = re.compile(r"=\s*[+-]?(\d+(?:\.\d+)?)(?![\d.]*\s*[/x^]\s*\d)")
CONSTANTS = {
    "inch of water in pascals times cubic feet a minute (NIST SP 811, B.8)": (0.11756,),
    "cubic foot a minute in cubic metres a second, foot in metres": (0.0004719, 0.3048),
    "standard air, kg/m3": (1.2014,),
    "standard atmosphere (ISO 2533)": (29.921, 29.92, 288.15, 0.0065, 5.2559),
    "square inches in a square foot": (144.0,),
    "seconds in an hour": (3600.0,),
    "standard deviations that 5 % of a normal distribution lie beyond": (1.96,),
    "usual derating of gas appliances, each 1000 ft": (0.04,),
    "standard share for a blower table and for a rated drop": (0.06,),
    "standard uncertainty of a probe's place in the stream and of one room reading, degF": (0.72, 0.29),
    "standard uncertainty of one zone pressure by the usual gauge, Pa": (0.25 / math.sqrt(3),),
    "scatter and height of a carried barometer, Pa; seconds until spillage is no longer of the start": (0.29, 300.0),
    "probabilities": (0.05, 0.1, 0.2, 0.4, 0.5, 0.8, 0.9, 0.95, 0.99, 0.001),
}


def quoted(text: str) -> list[str]:
    """Every number of a text with a decimal point or of three digits and more; neither dates nor powers of ten."""
    return [
        number for number in NUMBER.findall(DATE.sub("", text)) if "." in number or len(number.replace(",", "")) >= 3
    ]


def strangers(rule: str, case: Case, request: Any, evaluation: Evaluation, prepared: Prepared) -> list[str]:
    """The numbers quoted that are not at home in the case; `request` is the visit as the case changes it."""
    known = [
        *_numbers(request),
        *_spreads(request),
        *(float(result) for result in RESULT.findall(case.arithmetic)),
        *(number for group in CONSTANTS.values() for number in group),
        *_limits({*_tokens(rule, prepared.ruleset), *case.expect_verdicts}, prepared.ruleset),
        *(number for kind in prepared.ruleset.elements.values() for number in (kind.exponent, kind.exponent - 1.0)),
        *_derived(evaluation, prepared, sampled="by sampling" in case.arithmetic),
    ]
    return [number for number in quoted(case.arithmetic) if not _at_home(number, known)]


def _at_home(number: str, known: Iterable[float]) -> bool:
    """Whether a known value, rounded to the places shown, is the number."""
    shown = float(number.replace(",", ""))
    half = 0.5 * 10.0 ** -len(number.partition(".")[2]) + 1e-9
    return any(abs(abs(value) - shown) <= half for value in known)


def _numbers(node: Any) -> Iterator[float]:
    """Every number of a request outside its sample series."""
    if isinstance(node, dict):
        for name, child in node.items():
            if name != "samples":
                yield from _numbers(child)
    elif isinstance(node, list):
        for child in node:
            yield from _numbers(child)
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield float(node)


def _spreads(request: Any) -> Iterator[float]:
    """Shares of the reading that an accuracy grants, as standard shares; swing and mean's uncertainty of a series."""
    for instrument in request.get("instruments", []):
        yield instrument.get("accuracy", {}).get("share_of_reading", 0.0) / math.sqrt(3)
    for reading in request["readings"]:
        series = reading.get("samples", {}).get("values", [])
        if len(series) > 1:
            mean = statistics.fmean(series)
            yield max(abs(sample - mean) for sample in series)
            yield statistics.stdev(series) / math.sqrt(len(series))


def _tokens(rule: str, ruleset: Ruleset) -> set[str]:
    """What a rule rests on, through the rules whose conclusions it takes up."""
    found: set[str] = set()
    for token in ruleset.diagnoses[rule].when:
        found.add(token)
        _, _, conclusion = token.partition("conclusion:")
        for other in ruleset.diagnoses.values():
            if conclusion and conclusion in (other.id, other.concludes):
                found |= _tokens(other.id, ruleset)
    return found


def _limits(tokens: Iterable[str], ruleset: Ruleset) -> Iterator[float]:
    """Limits, factors on ratings and plausible ranges of the criteria in the tokens, shares in per cent as well, and
    the deviate of each confidence."""
    for criterion in {token.rpartition(".")[0] for token in tokens} & ruleset.criteria.keys():
        entry = ruleset.criteria[criterion]
        plausible = ruleset.quantities[entry.quantity].plausible
        bounds = [plausible.low, plausible.high]
        for limit in entry.limit:
            bounds += [limit.lower, limit.upper, limit.lower_factor, limit.upper_factor]
        for bound in bounds:
            if bound is not None:
                yield from (bound, 100.0 * bound)
        yield NormalDist().inv_cdf(entry.confidence)


def _derived(evaluation: Evaluation, prepared: Prepared, *, sampled: bool) -> Iterator[float]:
    """Values and standard uncertainties in every accepted unit, and what a reading was divided by; those of the two
    sides where the text speaks of sampling."""
    scales = prepared.units.scales
    for context in evaluation.parts:
        house = () if evaluation.whole_house is None else evaluation.whole_house.quantities
        values = {quantity.name: quantity.value for quantity in (*house, *context.quantities)}
        for part, ratio in (
            ("blower_power", "blower_power_to_table"),
            ("station_pressure", "station_pressure_to_standard_atmosphere"),
        ):
            if part in values and ratio in values:
                for scale in scales[prepared.ruleset.quantities[part].dimension].values():
                    yield values[part] / values[ratio] / scale.factor
        for quantity in context.quantities:
            told = quantity.sides if sampled else None
            for scale in scales[prepared.ruleset.quantities[quantity.name].dimension].values():
                yield (quantity.value - scale.offset) / scale.factor
                yield from (each / scale.factor for each in (quantity.uncertainty, *(told or ())))
