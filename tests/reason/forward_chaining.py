"""Reference for the reasoner: forward chaining in a few lines of plain Python, and random rule graphs to try it on."""

import random
from collections.abc import Iterable, Sequence

from service.model.reasoning import CONCLUSION_PREFIX, FAN_OUT_LIMIT, Firing, RuleEdge, fan_out


def chain(edges: Sequence[RuleEdge], tokens: Iterable[str]) -> tuple[Firing, ...]:
    """Rules that fire, by id: add the conclusions of the rules whose tokens all hold until nothing is new."""
    held = {token for token in tokens if not token.startswith(CONCLUSION_PREFIX)}
    while True:
        firing = [edge for edge in edges if held.issuperset(edge.when)]
        concluded = {edge.concludes for edge in firing}
        if concluded <= held:
            return tuple(Firing(edge.id, edge.concludes) for edge in sorted(firing, key=lambda edge: edge.id))
        held |= concluded


def random_edges(rng: random.Random, rules: int, tokens: int, topics: int, levels: int = 3) -> list[RuleEdge]:
    """Sound edges: topics of their own, conclusions shared by several rules, up to `levels` steps of chaining."""
    edges: list[RuleEdge] = []
    for number in range(rules):
        topic = number % topics
        level = number * levels // rules
        earlier = {edge.concludes for edge in edges if edge.concludes.startswith(f"conclusion:{topic}.")}
        lower = sorted(token for token in earlier if not token.startswith(f"conclusion:{topic}.{level}."))
        basic = [f"reading{topic}.{place}" for place in range(max(1, tokens // topics))]
        when = rng.sample(basic, min(len(basic), rng.choice((1, 1, 2, 2, 3))))
        if lower and rng.random() < 0.7:
            when[0] = rng.choice(lower)
        rng.shuffle(when)
        concludes = f"conclusion:{topic}.{level}.{rng.randrange(8)}"
        edges.append(RuleEdge(f"rule{number:03}", tuple(when), concludes))
    rng.shuffle(edges)
    assert max(fan_out(edges).values()) <= FAN_OUT_LIMIT
    return edges


def basic_tokens(edges: Sequence[RuleEdge]) -> list[str]:
    """Tokens that some rule reads and no rule concludes."""
    return sorted({t for edge in edges for t in edge.when if not t.startswith(CONCLUSION_PREFIX)})
