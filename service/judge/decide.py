"""Decision rules under measurement uncertainty, after JCGM 106:2012 clause 8.

`simple`: the value itself is compared. `guarded`: a verdict needs at least the stated probability of being true, both
ways; otherwise the value is undecided. `precautionary`, for what could hurt people: as guarded, but an undecided
value counts as exceeding the limit it most likely exceeds, and says so.
"""

from __future__ import annotations

import math

import msgspec

from service.model.evaluation import DecisionRule, VerdictToken


class Decision(msgspec.Struct, frozen=True):
    """A verdict with the probabilities behind it; the probability beyond an absent limit is None."""

    verdict: VerdictToken
    probability_above: float | None
    probability_below: float | None
    precaution: bool = False


def probability_beyond(distance: float, uncertainty: float) -> float:
    """Probability that a normal value lies beyond a limit it exceeds by `distance` (negative: falls short of it).

    A value exactly at its limit does not exceed it where there is no uncertainty.
    """
    if uncertainty == 0.0:
        return 1.0 if distance > 0.0 else 0.0
    return 0.5 * math.erfc(-distance / (uncertainty * math.sqrt(2.0)))


def decide(
    value: float,
    uncertainty: float,
    lower: float | None,
    upper: float | None,
    rule: DecisionRule,
    confidence: float,
    sides: tuple[float, float] | None = None,
) -> Decision:
    """Verdict on a value with standard `uncertainty` against limits in the same unit, at least one of them given.

    Of a skewed value the two `sides`, towards lower and higher values, take the uncertainty's place, each on its side.
    """
    down, up = sides or (uncertainty, uncertainty)
    above = None if upper is None else probability_beyond(value - upper, down if value > upper else up)
    below = None if lower is None else probability_beyond(lower - value, up if value < lower else down)
    if rule == "simple":
        if upper is not None and value > upper:
            return Decision("above", above, below)
        if lower is not None and value < lower:
            return Decision("below", above, below)
        return Decision("within", above, below)
    too_high, too_low = above or 0.0, below or 0.0
    if too_high >= confidence:
        return Decision("above", above, below)
    if too_low >= confidence:
        return Decision("below", above, below)
    if 1.0 - too_high - too_low >= confidence:
        return Decision("within", above, below)
    if rule == "precautionary":
        return Decision("above" if too_high >= too_low else "below", above, below, precaution=True)
    return Decision("undecided", above, below)
