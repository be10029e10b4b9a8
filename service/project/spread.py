"""Uncertainty of several results at once (JCGM 100:2008, 5.1.2 and 5.2.2): each solution gives all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress

from service.errors import OutOfRange
from service.model.quantity import Measured
from service.model.sample import as_sampled, points_of

Numbers = Mapping[str, float]
NOTICEABLE_BEND = 0.1
"""Bend over step at one standard uncertainty from which results are sampled."""


def spread(
    function: Callable[[Numbers], Numbers], inputs: Mapping[str, Measured], both_ways: bool = True
) -> dict[str, Measured]:
    """The function's results with the error terms of all inputs chained through it.

    Slopes are taken over a step both ways, or upwards only. Where a step leaves the function's range on one side, or a
    result is not told there, the slope is taken from the other side. Where steps both ways show a result that is bent,
    or end a range, all results are sampled.

    Raises
    ------
    OutOfRange : the function refuses the values themselves, or a step on either side of an input
    """
    values = {name: entry.value for name, entry in inputs.items()}
    centre = function(values)
    terms: dict[str, dict[str, float]] = {name: {} for name in centre}
    straight, bend = dict.fromkeys(centre, 0.0), dict.fromkeys(centre, 0.0)
    ends = False
    for name, entry in inputs.items():
        step = entry.uncertainty
        if step == 0.0:
            continue
        above = _stepped(function, values, name, step)
        below = (
            _stepped(function, values, name, -step)
            if both_ways or above is None or above.keys() < centre.keys()
            else None
        )
        for result, collected in terms.items():
            high, low = (above or {}).get(result), (below or {}).get(result)
            if high is None and low is None:
                raise OutOfRange(name, values[name] + step, values[name], values[name])
            width = step * ((high is not None) + (low is not None))
            here = centre[result]
            if high is not None and low is not None:
                straight[result] += (0.5 * (high - low)) ** 2
                bend[result] += (0.5 * (high + low) - here) ** 2
            elif both_ways:
                ends = True
            slope = ((here if high is None else high) - (here if low is None else low)) / width
            for source, term in entry.terms.items():
                collected[source] = collected.get(source, 0.0) + slope * term
    found = {name: Measured(value, terms[name]) for name, value in centre.items()}
    if not both_ways or not (ends or any(bend[name] > NOTICEABLE_BEND**2 * straight[name] for name in centre)):
        return found
    drawn: dict[str, list[float]] = {name: [] for name in centre}
    for point in points_of(list(inputs.values())):
        with suppress(OutOfRange):
            for name, number in function(dict(zip(inputs, point, strict=True))).items():
                if name in drawn:
                    drawn[name].append(number)
    return {name: as_sampled(entry, drawn[name]) for name, entry in found.items()}


def _stepped(
    function: Callable[[Numbers], Numbers], values: Mapping[str, float], name: str, step: float
) -> Numbers | None:
    try:
        return function({**values, name: values[name] + step})
    except OutOfRange:
        return None
