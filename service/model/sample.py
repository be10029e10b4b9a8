"""A sample of what several numbers may be together, always at the same points (JCGM 101:2008).

What a function of the numbers gives at the points scatters as the function's value may, however bent it is. The points
are few: 96, with the mean, the covariance and the tails of the normal distribution, so that they tell a standard
uncertainty to a few per cent.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cache
from operator import mul
from statistics import NormalDist

from service.model.quantity import Measured

AGREES = 0.04
"""Share by which a sampled uncertainty may differ from the propagated one before it takes its place."""
ROUNDING = 1e-12
"""Share of a value that computing with it may lose."""
PAIRS = 48
"""Points, each with its mirror image."""


def points_of(inputs: Sequence[Measured]) -> Iterator[list[float]]:
    """What the inputs are at each point, correlated by the sources they share; none where nothing is uncertain, or
    where there are more independent inputs than so few points can stand for."""
    loadings = _loadings(inputs)
    dimension = max(map(len, loadings), default=0)
    if not 0 < dimension < PAIRS // 2:
        return
    for point in _normal_points(dimension):
        yield [entry.value + sum(map(mul, loading, point)) for entry, loading in zip(inputs, loadings, strict=True)]


def as_sampled(found: Measured, drawn: Sequence[float]) -> Measured:
    """The value with the uncertainty of what was drawn; unchanged where both agree, or few points gave a value.

    Terms by source stay those of the slopes, so that what shares them is still correlated; what the draws scatter more
    is a source of its own, where they scatter less all terms shrink alike. `sides` tell the two halves, from the value
    down and from the value up.
    """
    if len(drawn) < PAIRS:
        return found
    centre = sum(drawn) / len(drawn)
    spread = math.hypot(*(each - centre for each in drawn)) / math.sqrt(len(drawn))
    straight = found.uncertainty
    if not math.isfinite(spread) or abs(spread - straight) <= AGREES * straight + ROUNDING * abs(found.value):
        return found
    below, above = (
        math.hypot(*(max(side * (each - found.value), 0.0) for each in drawn)) * math.sqrt(2.0 / len(drawn))
        for side in (-1.0, 1.0)
    )
    if spread < straight:
        share = spread / straight
        terms = {source: term * share for source, term in found.terms.items()}
    else:
        terms = {
            **found.terms,
            f"bend.{'+'.join(sorted(found.terms))}": math.sqrt((spread - straight) * (spread + straight)),
        }
    return Measured(found.value, terms, True, (below, above))


def _loadings(inputs: Sequence[Measured]) -> list[list[float]]:
    """What each input takes from independent normal numbers, as few as it needs, so that they scatter together as
    their terms say (Gram-Schmidt over the terms; as Cholesky's factor of the covariance, which it is, need not exist).
    """
    axes: list[dict[str, float]] = []
    loadings: list[list[float]] = []
    for entry in inputs:
        rest = dict(entry.terms)
        loading = []
        for axis in axes:
            inner = sum(term * axis[source] for source, term in rest.items() if source in axis)
            loading.append(inner)
            if inner:
                for source, share in axis.items():
                    rest[source] = rest.get(source, 0.0) - inner * share
        left = math.hypot(*rest.values())
        if left > 1e-9 * entry.uncertainty:
            axes.append({source: term / left for source, term in rest.items()})
            loading.append(left)
        loadings.append(loading)
    return loadings


@cache
def _normal_points(dimension: int) -> tuple[tuple[float, ...], ...]:
    """Standard normal points, always the same, with mean nothing and covariance the identity: an additive recurrence
    of powers of one irrational number (M. Roberts, 2018, from memory) turned normal, given the tails that so few points
    lack, made orthogonal, and mirrored."""
    ratio = 2.0
    for _ in range(60):
        ratio = float((1.0 + ratio) ** (1.0 / (dimension + 1)))
    normal = NormalDist()
    columns: list[list[float]] = []
    for axis in range(dimension):
        step = ratio ** -(axis + 1)
        column = _with_tails([normal.inv_cdf((0.5 + step * (index + 1)) % 1.0) for index in range(PAIRS)])
        for other in columns:
            inner = sum(map(mul, column, other)) / PAIRS
            column = [each - inner * past for each, past in zip(column, other, strict=True)]
        size = math.hypot(*column) / math.sqrt(PAIRS)
        columns.append([each / size for each in column])
    points = tuple(zip(*columns, strict=True))
    return points + tuple(tuple(-each for each in point) for point in points)


def _with_tails(column: Sequence[float]) -> list[float]:
    """The numbers stretched by their cubes until their fourth moment is that of the normal distribution, three."""
    low, high = -0.05, 0.2
    for _ in range(40):
        stretch = 0.5 * (low + high)
        found = [each * (1.0 + stretch * each * each) for each in column]
        second, fourth = (sum(each**power for each in found) / len(found) for power in (2, 4))
        low, high = (stretch, high) if fourth < 3.0 * second * second else (low, stretch)
    return found
