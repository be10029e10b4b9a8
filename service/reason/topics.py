"""Splits the rules into topics: groups that share no token, so that each can be concluded on its own."""

from collections.abc import Sequence

from service.model.reasoning import RuleEdge


def topics(edges: Sequence[RuleEdge]) -> tuple[tuple[RuleEdge, ...], ...]:
    """Connected parts of the rule graph, in the order of their first rule; rules keep their order.

    Two rules belong to one topic if they read a common token, if one reads what the other concludes, or if
    both conclude the same.
    """
    parent: dict[str, str] = {}

    def root(token: str) -> str:
        parent.setdefault(token, token)
        while parent[token] != token:
            parent[token] = parent[parent[token]]
            token = parent[token]
        return token

    for edge in edges:
        for token in edge.when:
            parent[root(token)] = root(edge.concludes)
    grouped: dict[str, list[RuleEdge]] = {}
    for edge in edges:
        grouped.setdefault(root(edge.concludes), []).append(edge)
    return tuple(tuple(group) for group in grouped.values())
