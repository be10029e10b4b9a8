"""Propagation of uncertainty through plain functions (JCGM 100:2008, 5.1.2 and 5.2.2).

The sensitivity of the result to each input is the slope of the function over plus and minus one standard
uncertainty of that input; it is then chained to the independent error sources behind the input. Inputs that share
an error source are thereby correlated, with sign.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress

from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.sample import AGREES, as_sampled, points_of

NOTICEABLE_BEND = 0.1
"""Bend over step at one standard uncertainty from which sampling is tried: a reciprocal that is bent as much scatters
by 3 % more than the step says."""


def propagate(function: Callable[..., float], *inputs: Measured) -> Measured:
    """`function` of the inputs' values, with the error terms of all inputs chained through it.

    Where a step leaves the function's range on one side, the slope is taken from the other side. Where the steps show
    a function that is bent within the inputs' uncertainty, it is sampled instead, see `sampled`.

    Raises
    ------
    OutOfRange : the function refuses the values themselves, or a step on either side of an input; or the numbers
        are too large or too small to compute with
    """
    found, bent = _chained(function, inputs)
    if bent and _bend_matters(function, inputs, found.value):
        return _with_sampled_spread(function, inputs, found)
    return found


def sampled(function: Callable[..., float], *inputs: Measured) -> Measured:
    """As `propagate`, for functions whose bend the two steps of a slope do not show, such as a power law about zero.

    The standard uncertainty is that of the function's values over fixed points of a normal distribution of the
    inputs (JCGM 101:2008); points that the function refuses cannot be and are left out. The value stays the
    function of the values. Terms by source stay those of the slopes, so that what shares them is still correlated;
    what the values scatter more is a source of its own, where they scatter less all terms shrink alike. Where both
    uncertainties agree, the propagated one is kept. Where values are skewed, as those of a reciprocal are, the standard
    uncertainty is that of all of them; `sides` tell the two halves, from the value down and from the value up. The
    value less and plus twice its sides holds about 95 %, and verdicts rest on the side that a limit lies on.

    Raises
    ------
    OutOfRange : as `propagate`
    """
    return _with_sampled_spread(function, inputs, _chained(function, inputs)[0])


def _chained(function: Callable[..., float], inputs: Sequence[Measured]) -> tuple[Measured, bool]:
    """Value and terms by slopes, and whether the steps show a bend."""
    values = [entry.value for entry in inputs]
    terms: dict[str, float] = {}
    straight = bend = 0.0
    known_sampled = False
    try:
        value = function(*values)
        for index, entry in enumerate(inputs):
            step = entry.uncertainty
            if step == 0.0:
                continue
            slope, off = _slope(function, values, index, step, value)
            straight += (slope * step) * (slope * step)
            bend += off * off
            known_sampled = known_sampled or entry.sampled
            for source, term in entry.terms.items():
                terms[source] = terms.get(source, 0.0) + slope * term
    except (OverflowError, ZeroDivisionError):
        raise OutOfRange("result", math.inf, -math.inf, math.inf) from None
    return Measured(value, terms, known_sampled), bend > NOTICEABLE_BEND**2 * straight


def _slope(
    function: Callable[..., float], values: list[float], index: int, step: float, value: float
) -> tuple[float, float]:
    """Slope over both steps, and half of what the two steps together depart from a straight line."""
    centre = values[index]
    try:
        values[index] = centre + step
        above = function(*values)
    except OutOfRange:
        values[index] = centre - step
        try:
            return (value - function(*values)) / step, 0.0
        finally:
            values[index] = centre
    try:
        values[index] = centre - step
        below = function(*values)
    except OutOfRange:
        return (above - value) / step, 0.0
    finally:
        values[index] = centre
    return (above - below) / (2.0 * step), 0.5 * (above + below) - value


def _bend_matters(function: Callable[..., float], inputs: Sequence[Measured], value: float) -> bool:
    """Whether the inputs one by one scatter the result otherwise than their steps say: three points of Gauss and
    Hermite for each input tell its variance through any polynomial of the second degree, and cost far less than a
    sample."""
    values = [entry.value for entry in inputs]
    curved = straight = 0.0
    for index, entry in enumerate(inputs):
        step = entry.uncertainty
        if step == 0.0:
            continue
        offs = []
        for times in (1.0, -1.0, 3.0**0.5, -(3.0**0.5)):
            values[index] = entry.value + times * step
            try:
                offs.append(function(*values) - value)
            except (OutOfRange, OverflowError, ZeroDivisionError):
                return True
            finally:
                values[index] = entry.value
        near_up, near_down, far_up, far_down = offs
        # Products, since a power that is too large raises where a product is merely infinite, and decides nothing.
        near, far = 0.5 * (near_up - near_down), (far_up + far_down) / 6.0
        straight += near * near
        curved += (far_up * far_up + far_down * far_down) / 6.0 - far * far
    if not math.isfinite(curved) or curved < 0.0:
        return False
    return abs(math.sqrt(curved) - math.sqrt(straight)) > 0.5 * AGREES * math.sqrt(straight)


def _with_sampled_spread(function: Callable[..., float], inputs: Sequence[Measured], found: Measured) -> Measured:
    drawn: list[float] = []
    for values in points_of(inputs):
        with suppress(OutOfRange, OverflowError, ZeroDivisionError):
            drawn.append(function(*values))
    return as_sampled(found, drawn)


def combine(*parts: tuple[float, Measured]) -> Measured:
    """Weighted sum of inputs, exactly: sums, differences and means need no numerical slopes."""
    value = 0.0
    terms: dict[str, float] = {}
    for weight, entry in parts:
        value += weight * entry.value
        for source, term in entry.terms.items():
            terms[source] = terms.get(source, 0.0) + weight * term
    return Measured(value, terms, any(entry.sampled for _, entry in parts))


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
    squares = sum((entry.value - centre.value) * (entry.value - centre.value) for entry in entries)
    if squares == 0.0:
        return centre
    return with_error(centre, scatter, math.sqrt(squares / (count * (count - 1))))


def product(first: Measured, second: Measured) -> Measured:
    """`first x second`, with its exact slopes."""
    terms = {source: term * second.value for source, term in first.terms.items()}
    for source, term in second.terms.items():
        terms[source] = terms.get(source, 0.0) + first.value * term
    return Measured(first.value * second.value, terms, first.sampled or second.sampled)


def ratio(numerator: Measured, denominator: Measured) -> Measured:
    """`numerator / denominator`, with its exact slopes; sampled where the denominator is not known well.

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
    found = Measured(value, terms, numerator.sampled or denominator.sampled)
    if denominator.uncertainty <= NOTICEABLE_BEND * abs(divisor):
        return found
    return _with_sampled_spread(lambda a, b: _quotient(a, b, divisor), (numerator, denominator), found)


def _quotient(numerator: float, denominator: float, about: float) -> float:
    """A denominator on the other side of zero is none that the value could have."""
    if denominator * about <= 0.0:
        raise OutOfRange("denominator", denominator, 0.0, math.inf)
    return numerator / denominator


def with_error(entry: Measured, source: str, deviation: float) -> Measured:
    """The input with one more independent error source, by its standard deviation in the input's unit.

    Every error that a method brings in beside those of the readings passes here or through `with_tolerance`.
    """
    return Measured(entry.value, {**entry.terms, source: deviation}, entry.sampled) if deviation else entry


def with_tolerance(entry: Measured, source: str, share: float) -> Measured:
    """The input with one more independent error source: a share of its value (one standard deviation)."""
    return Measured(entry.value, {**entry.terms, source: entry.value * share}, entry.sampled)
