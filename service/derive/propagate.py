"""Propagation of uncertainty through plain functions (JCGM 100:2008, 5.1.2 and 5.2.2).

The sensitivity of the result to each input is the slope of the function over plus and minus one standard
uncertainty of that input; it is then chained to the independent error sources behind the input. Inputs that share
an error source are thereby correlated, with sign.
"""

from __future__ import annotations

from collections.abc import Callable

from service.errors import OutOfRange
from service.model.quantity import Measured


def propagate(function: Callable[..., float], *inputs: Measured) -> Measured:
    """`function` of the inputs' values, with the error terms of all inputs chained through it.

    Where a step leaves the function's range on one side, the slope is taken from the other side.

    Raises
    ------
    OutOfRange : the function refuses the values themselves, or a step on either side of an input
    """
    values = [entry.value for entry in inputs]
    value = function(*values)
    terms: dict[str, float] = {}
    for index, entry in enumerate(inputs):
        step = entry.uncertainty
        if step == 0.0:
            continue
        slope = _slope(function, values, index, step, value)
        for source, term in entry.terms.items():
            terms[source] = terms.get(source, 0.0) + slope * term
    return Measured(value, terms)


def _slope(function: Callable[..., float], values: list[float], index: int, step: float, value: float) -> float:
    centre = values[index]
    try:
        values[index] = centre + step
        above = function(*values)
    except OutOfRange:
        values[index] = centre - step
        try:
            return (value - function(*values)) / step
        finally:
            values[index] = centre
    try:
        values[index] = centre - step
        return (above - function(*values)) / (2.0 * step)
    except OutOfRange:
        return (above - value) / step
    finally:
        values[index] = centre


def combine(*parts: tuple[float, Measured]) -> Measured:
    """Weighted sum of inputs, exactly: sums, differences and means need no numerical slopes."""
    value = 0.0
    terms: dict[str, float] = {}
    for weight, entry in parts:
        value += weight * entry.value
        for source, term in entry.terms.items():
            terms[source] = terms.get(source, 0.0) + weight * term
    return Measured(value, terms)


def difference(minuend: Measured, subtrahend: Measured) -> Measured:
    """`minuend - subtrahend`."""
    return combine((1.0, minuend), (-1.0, subtrahend))


def mean(entries: list[Measured]) -> Measured:
    """Plain mean of repeated readings."""
    if len(entries) == 1:
        return entries[0]
    share = 1.0 / len(entries)
    return combine(*((share, entry) for entry in entries))


def product(first: Measured, second: Measured) -> Measured:
    """`first x second`, with its exact slopes."""
    terms = {source: term * second.value for source, term in first.terms.items()}
    for source, term in second.terms.items():
        terms[source] = terms.get(source, 0.0) + first.value * term
    return Measured(first.value * second.value, terms)


def ratio(numerator: Measured, denominator: Measured) -> Measured:
    """`numerator / denominator`, with its exact slopes.

    Raises
    ------
    OutOfRange : the denominator is zero
    """
    if denominator.value == 0.0:
        raise OutOfRange("denominator", 0.0, float("-inf"), float("inf"))
    value = numerator.value / denominator.value
    terms = {source: term / denominator.value for source, term in numerator.terms.items()}
    for source, term in denominator.terms.items():
        terms[source] = terms.get(source, 0.0) - value * term / denominator.value
    return Measured(value, terms)


def with_tolerance(entry: Measured, source: str, share: float) -> Measured:
    """The input with one more independent error source: a share of its value (one standard deviation)."""
    return Measured(entry.value, {**entry.terms, source: entry.value * share})
