"""What the reasoning reads and returns: rules as edges from tokens to a conclusion, and the rules that fired.

A token is a short word the judgement established, such as `external_static_pressure.above`. A conclusion is a
token with the prefix `conclusion:` that only rules establish; another rule may read it. The functions say
what is wrong with a set of edges; the ruleset lint and the reasoner ask the same ones.
"""

from collections import Counter
from collections.abc import Sequence
from graphlib import CycleError, TopologicalSorter

import msgspec

CONCLUSION_PREFIX = "conclusion:"

FAN_OUT_LIMIT = 60
"""Most rules that may read one token: the engine is trusted up to 64 branches per fact, four are headroom."""


class RuleEdge(msgspec.Struct, frozen=True):
    """One rule: if every token in `when` holds, `concludes` holds.

    Attributes:
        id: permanent id of the rule, unique within a ruleset.
        when: one or more different tokens; "or" is a second rule with the same conclusion, there is no "not".
        concludes: a token with the prefix `conclusion:`.
    """

    id: str
    when: tuple[str, ...]
    concludes: str


class Firing(msgspec.Struct, frozen=True):
    """A rule that fired, by id, and the conclusion it established."""

    rule: str
    conclusion: str


def fan_out(edges: Sequence[RuleEdge]) -> dict[str, int]:
    """Number of rules that read each token, by token in alphabetical order."""
    return dict(sorted(Counter(token for edge in edges for token in set(edge.when)).items()))


def find_cycle(edges: Sequence[RuleEdge]) -> tuple[str, ...]:
    """Conclusions that rest on themselves, or an empty tuple.

    Each token is read by a rule that concludes the next one, and the last is the first again. One cycle is
    returned, the same for the same edges in the same order, even if there are several.
    """
    reads: dict[str, dict[str, None]] = {}
    for edge in edges:
        reads.setdefault(edge.concludes, {}).update(dict.fromkeys(edge.when))
    try:
        TopologicalSorter(reads).prepare()
    except CycleError as error:
        return tuple(error.args[1])
    return ()


def graph_faults(edges: Sequence[RuleEdge]) -> tuple[str, ...]:
    """Everything about the edges that the engine cannot run correctly, one sentence each; empty if sound."""
    faults = [
        f"Rule id {rule!r} is used {count} times; give each rule its own."
        for rule, count in sorted(Counter(edge.id for edge in edges).items())
        if count > 1
    ]
    concluded = {edge.concludes for edge in edges}
    for edge in edges:
        if not edge.concludes.startswith(CONCLUSION_PREFIX):
            faults.append(f"Rule {edge.id!r} concludes {edge.concludes!r}; let it start with {CONCLUSION_PREFIX!r}.")
        if not edge.when:
            faults.append(f"Rule {edge.id!r} has no condition; name at least one token.")
        for token, count in sorted(Counter(edge.when).items()):
            if count > 1:
                faults.append(f"Rule {edge.id!r} repeats {token!r} and could never fire; name it once.")
            if token.startswith(CONCLUSION_PREFIX) and token not in concluded:
                faults.append(f"Rule {edge.id!r} reads {token!r}, which no rule concludes; add that rule.")
    if cycle := find_cycle(edges):
        faults.append(f"Conclusions rest on themselves: {' -> '.join(cycle)}; break the circle.")
    for token, readers in fan_out(edges).items():
        if readers > FAN_OUT_LIMIT:
            faults.append(
                f"{readers} rules read {token!r}, the limit is {FAN_OUT_LIMIT}; "
                f"let some of them read a conclusion of it instead."
            )
    return tuple(faults)
