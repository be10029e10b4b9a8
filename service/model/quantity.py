"""A value with its uncertainty, kept as contributions from independent error sources.

`terms` maps the name of an independent error source (a gauge's zero, a gauge's scale, the repeatability of one
reading, a rating's tolerance, a model's coefficient) to the signed contribution of one standard deviation of that
source to the value, in the value's own SI unit. Two quantities that share a source are correlated through it:
the covariance is the sum of the products of their shared terms (JCGM 100:2008, 5.2.2 and H.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec


class Measured(msgspec.Struct, frozen=True):
    """A number in SI units with its error terms; the currency of `derive`.

    `sampled` says that its uncertainty is that of a sample, because the slopes do not tell it; `sides` are then the
    standard uncertainties towards lower and towards higher values, which differ where the sample is skewed.
    """

    value: float
    terms: Mapping[str, float] = {}
    sampled: bool = False
    sides: tuple[float, float] | None = None

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty (coverage factor 1), same unit as the value, never negative."""
        return math.hypot(*self.terms.values())

    def covariance(self, other: Measured) -> float:
        """Covariance with another value through the error sources both share."""
        theirs = other.terms
        return sum(term * theirs[source] for source, term in self.terms.items() if source in theirs)


class Quantity(msgspec.Struct, frozen=True, omit_defaults=True):
    """A derived quantity of one operating context.

    Attributes:
        name: name in `rules/vocabulary/quantities/`.
        value: SI value.
        uncertainty: standard uncertainty, SI.
        method: how it was obtained, in a few words a technician understands.
        inputs: names of the readings, ratings and quantities it was computed from, for the trace.
        terms: error source -> signed contribution, SI.
        subject: the element or station it belongs to, where there may be several.
        sides: standard uncertainty towards lower and towards higher values, SI, where it was sampled.
    """

    name: str
    value: float
    uncertainty: float
    method: str
    inputs: tuple[str, ...]
    terms: Mapping[str, float] = {}
    subject: str | None = None
    sides: tuple[float, float] | None = None

    @property
    def measured(self) -> Measured:
        """The bare number with its error terms."""
        return Measured(self.value, self.terms)
