"""Sampling of the error sources of a whole visit (JCGM 101), to hold against what `derive` propagates.

Every independent error source is drawn by its name. A draw moves all numbers of the visit through their own terms and
the errors that `derive` brings in of its own (`with_error`, `with_tolerance`), and the visit is worked out again by
the service, with all that it decides on uncertainty. What scatters is compared with what was propagated.

The points are scrambled Sobol points turned normal, each with its mirror image, and turned so that their mean is
exactly nothing and their covariance exactly the identity. A linear function then shows its standard deviation without
sampling error, so that few points suffice and what is left is how far the function is bent.
"""

from __future__ import annotations

import functools
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from typing import Any

import msgspec
import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import qmc

from service import derive, normalise
from service.derive import Worksheet, airflow, instruments, propagate
from service.derive.history import Seen
from service.derive.plan import WorkedOut
from service.model.quantity import Measured
from service.model.visit import Traverse, Visit
from service.physics.uncertainty import WeightedMean, weighted_mean
from service.pipeline import limit_in_force
from service.wire.request import EvaluationRequest
from tests.derive.sheets import PREPARED

PAIRS = 256
"""Points and as many mirror images; more than a visit has error sources."""

Draw = Mapping[str, float]


@cache
def normal_points(dimension: int, pairs: int = PAIRS) -> np.ndarray:
    """Standard normal points, shape (2 pairs, dimension), of mean nothing and covariance the identity."""
    assert dimension < pairs, "more points than error sources are needed"
    uniform = qmc.Sobol(dimension, scramble=True, seed=20260310).random(pairs)
    normal = ndtri(np.clip(uniform, 1e-9, 1.0 - 1e-9))
    second_moment = normal.T @ normal / pairs
    turned = normal @ np.linalg.inv(np.linalg.cholesky(second_moment)).T
    return np.concatenate([turned, -turned])


def sources_in(thing: Any) -> Iterator[str]:
    """Error sources of every `Measured` in a structure."""
    if isinstance(thing, Measured):
        yield from thing.terms
    elif isinstance(thing, Traverse):
        yield from (f"{thing.key}.{index}" for index in range(len(thing.velocity_pressures or thing.velocities)))
    elif isinstance(thing, msgspec.Struct):
        for name in thing.__struct_fields__:
            yield from sources_in(getattr(thing, name))
    elif isinstance(thing, Mapping):
        for entry in thing.values():
            yield from sources_in(entry)
    elif isinstance(thing, tuple):
        for entry in thing:
            yield from sources_in(entry)


def moved(thing: Any, draw: Draw) -> Any:
    """The same structure with every `Measured` in it moved by the draw; what does not move is kept as it is.

    Terms are kept, so that the service decides as it would on the visit itself.
    """
    if isinstance(thing, Measured):
        return Measured(thing.value + sum(term * draw[source] for source, term in thing.terms.items()), thing.terms)
    if isinstance(thing, Traverse):
        return _moved_traverse(thing, draw)
    if isinstance(thing, msgspec.Struct):
        fields = {name: getattr(thing, name) for name in thing.__struct_fields__}
        changed = {name: new for name, old in fields.items() if (new := moved(old, draw)) is not old}
        return msgspec.structs.replace(thing, **changed) if changed else thing
    if isinstance(thing, Mapping):
        entries = {name: moved(entry, draw) for name, entry in thing.items()}
        return entries if any(entries[name] is not thing[name] for name in thing) else thing
    if isinstance(thing, tuple):
        items = tuple(moved(entry, draw) for entry in thing)
        return items if any(new is not old for new, old in zip(items, thing, strict=True)) else thing
    return thing


def _moved_traverse(plain: Traverse, draw: Draw) -> Traverse:
    """Each point by an error of its own; those of the gauge enter in `derive`."""

    def each(points: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(point + plain.each * draw[f"{plain.key}.{index}"] for index, point in enumerate(points))

    return msgspec.structs.replace(
        plain, velocity_pressures=each(plain.velocity_pressures), velocities=each(plain.velocities)
    )


class Brought:
    """The errors that `derive` brings in: noted while the visit itself is worked out, drawn in all draws after."""

    def __init__(self) -> None:
        self.draw: Draw | None = None
        self.sources: set[str] = set()
        self.deviations: dict[tuple[str, str, int], float] = {}
        self.weights: dict[str, list[WeightedMean]] = defaultdict(list)
        self.begin(None)

    def begin(self, draw: Draw | None, visit: str = "") -> None:
        """A visit is about to be worked out: the one at hand, or an earlier one by its name."""
        self.draw = draw
        self.visit = visit
        self.seen: Counter[str] = Counter()
        self.weighed = iter(list(self.weights[visit]))

    def with_error(self, entry: Measured, source: str, deviation: float) -> Measured:
        """A standard deviation is known from the visit itself; a draw moves the value by as much."""
        self.seen[source] += 1
        key = (self.visit, source, self.seen[source])
        if self.draw is None:
            if deviation:
                self.sources.add(source)
                self.deviations[key] = deviation
            return ORIGINAL_ERROR(entry, source, deviation)
        if source.endswith(".points"):  # moved one by one already
            return ORIGINAL_ERROR(entry, source, deviation)
        by = self.deviations.get(key, deviation) * self.draw.get(source, 0.0)
        return ORIGINAL_ERROR(Measured(entry.value + by, entry.terms), source, deviation)

    def with_tolerance(self, entry: Measured, source: str, share: float) -> Measured:
        """A share is one of whatever the value is."""
        if self.draw is None:
            self.sources.add(source)
            return ORIGINAL_TOLERANCE(entry, source, share)
        factor = 1.0 + share * self.draw[source]
        terms = {name: term * factor for name, term in entry.terms.items()}
        return Measured(entry.value * factor, {**terms, source: entry.value * share})

    def weighted_mean(self, values: list[float], covariance: list[list[float]]) -> WeightedMean:
        """The methods keep the weights, and the agreement, that they have in the visit itself."""
        if self.draw is None:
            self.weights[self.visit].append(weighted_mean(values, covariance))
            return self.weights[self.visit][-1]
        held = next(self.weighed)
        return msgspec.structs.replace(held, value=sum(w * v for w, v in zip(held.weights, values, strict=True)))


ORIGINAL_ERROR, ORIGINAL_TOLERANCE = propagate.with_error, propagate.with_tolerance


@contextmanager
def brought_in() -> Iterator[Brought]:
    """`Brought` in place of what `derive` uses."""
    own = Brought()
    with pytest.MonkeyPatch.context() as patch:
        for name, module in list(sys.modules.items()):
            if name.startswith("service.derive"):
                for function in (ORIGINAL_ERROR, ORIGINAL_TOLERANCE):
                    if getattr(module, function.__name__, None) is function:
                        patch.setattr(module, function.__name__, getattr(own, function.__name__))
        patch.setattr(airflow, "weighted_mean", own.weighted_mean)
        # Whether readings prove an offset is a choice that one draw in twenty would make otherwise.
        patch.setattr(instruments, "chi_square_survival", lambda *_: 1.0)
        yield own


def normal_visit(request: dict[str, Any]) -> Visit:
    decoded = msgspec.convert(request, EvaluationRequest, strict=False)
    return normalise.normalise(decoded, PREPARED.ruleset, PREPARED.units)


class OfAnotherDay(Mapping[str, float]):
    """The errors of an earlier visit: its own, but for the exponents of the parts, which last."""

    def __init__(self, draw: Draw, name: str) -> None:
        self.drawn, self.name = draw, name

    def __getitem__(self, source: str) -> float:
        return self.drawn[source if source.startswith("exponent.") else f"{self.name}:{source}"]

    def __iter__(self) -> Iterator[str]:
        return iter(self.drawn)

    def __len__(self) -> int:
        return len(self.drawn)


def worked_out(plain: Visit, draw: Draw | None = None, brought: Brought | None = None) -> list[Worksheet]:
    """The whole house and every context of a visit, compared with its earlier visits if any; all moved by a draw."""

    def of(visit: Visit, name: str) -> WorkedOut:
        own = draw if draw is None or not name else OfAnotherDay(draw, name)
        if brought is not None:
            brought.begin(own, name)
        return derive.work_out(visit if own is None else moved(visit, own), PREPARED.ruleset)

    alone = msgspec.structs.replace(plain, earlier=())
    worked = of(alone, "")
    sheets = [*([] if worked.whole_house is None else [worked.whole_house]), *worked.contexts]
    for sheet in sheets:
        sheet.visit = msgspec.structs.replace(sheet.visit, earlier=plain.earlier)
    seen = []
    for place, earlier in enumerate(plain.earlier):
        if earlier.visited_at is not None:
            then = of(earlier, str(place))
            seen.append(Seen(earlier, tuple(then.contexts), earlier.visited_at, then.whole_house))
    assert all(use.calibrated_on is None for visit in (plain, *plain.earlier) for use in visit.instruments) or not seen
    derive.derive_history(worked, seen, functools.partial(limit_in_force, PREPARED))
    return sheets


Key = tuple[int, str]
"""Number of the context, and key of the quantity in it."""


class Scatter:
    """A visit worked out as it is, and every quantity's values over the points."""

    def __init__(self, request: dict[str, Any], still: Callable[[str], bool] = lambda source: False) -> None:
        plain = normal_visit(request)
        with brought_in() as brought:
            self.sheets: list[Worksheet] = worked_out(plain, None, brought)
            sources = sorted(
                {
                    *sources_in(msgspec.structs.replace(plain, earlier=())),
                    *brought.sources,
                    *(
                        f"{place}:{source}"
                        for place, earlier in enumerate(plain.earlier)
                        for source in {*sources_in(earlier), *brought.sources}
                    ),
                }
            )
            points = normal_points(len(sources))
            methods = {
                (number, key): quantity.method
                for number, sheet in enumerate(self.sheets)
                for key, quantity in sheet.quantities.items()
            }
            self.sampled: dict[Key, list[float]] = defaultdict(list)
            for point in points.tolist():
                draw = {s: 0.0 if still(s) else z for s, z in zip(sources, point, strict=True)}
                for number, sheet in enumerate(worked_out(plain, draw, brought)):
                    for key, quantity in sheet.quantities.items():
                        # Without a credit, where a point has no law of leaks, it is another quantity.
                        if quantity.name != "ventilation_required_of_fans" or quantity.method == methods[number, key]:
                            self.sampled[number, key].append(quantity.value)
        self.points = len(points)
        self.propagated = {
            (number, key): quantity
            for number, sheet in enumerate(self.sheets)
            for key, quantity in sheet.quantities.items()
        }
