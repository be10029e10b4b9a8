"""Propagation of uncertainty through plain functions (JCGM 100:2008, 5.1.2 and 5.2.2).

The sensitivity of the result to each input is the slope of the function over plus and minus one standard
uncertainty of that input; it is then chained to the independent error sources behind the input. Inputs that share
an error source are thereby correlated, with sign.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from service.errors import OutOfRange
from service.model.quantity import Measured


def propagate(function: Callable[..., float], *inputs: Measured) -> Measured:
    """`function` of the inputs' values, with the error terms of all inputs chained through it.

    Where a step leaves the function's range on one side, the slope is taken from the other side.

    Raises
    ------
    OutOfRange : the function refuses the values themselves, or a step on either side of an input; or the numbers
        are too large or too small to compute with
    """
    values = [entry.value for entry in inputs]
    terms: dict[str, float] = {}
    try:
        value = function(*values)
        for index, entry in enumerate(inputs):
            step = entry.uncertainty
            if step == 0.0:
                continue
            slope = _slope(function, values, index, step, value)
            for source, term in entry.terms.items():
                terms[source] = terms.get(source, 0.0) + slope * term
    except (OverflowError, ZeroDivisionError):
        raise OutOfRange("result", math.inf, -math.inf, math.inf) from None
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


def mean(entries: Sequence[Measured], scatter: str) -> Measured:
    """Plain mean of repeated readings; `scatter` names the error source of their disagreement.

    Its standard uncertainty is that of the mean of a few observations (JCGM 100:2008, 4.2.3), on top of what the
    readings share: repeats that contradict each other make the mean doubtful, not sure.
    """
    if len(entries) == 1:
        return entries[0]
    count = len(entries)
    centre = combine(*((1.0 / count, entry) for entry in entries))
    squares = sum((entry.value - centre.value) ** 2 for entry in entries)
    if squares == 0.0:
        return centre
    return Measured(centre.value, {**centre.terms, scatter: math.sqrt(squares / (count * (count - 1)))})


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
    divisor = denominator.value
    value = numerator.value / divisor
    terms = {source: term / divisor for source, term in numerator.terms.items()}
    for source, term in denominator.terms.items():
        terms[source] = terms.get(source, 0.0) - value * term / divisor
    return Measured(value, terms)


def with_tolerance(entry: Measured, source: str, share: float) -> Measured:
    """The input with one more independent error source: a share of its value (one standard deviation)."""
    return Measured(entry.value, {**entry.terms, source: entry.value * share})
