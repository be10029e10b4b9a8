"""Tokens to firings: the vocabulary, the split into topics, and the cache in front of each topic's engine."""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

from service.errors import RulesetRefused
from service.model.reasoning import CONCLUSION_PREFIX, Firing, RuleEdge, graph_faults
from service.reason.engine import TopicEngine
from service.reason.topics import topics


class CacheUse(NamedTuple):
    """How often a topic was answered from the cache, and how full the caches are; all topics together."""

    hits: int
    misses: int
    entries: int
    capacity: int


class Reasoner:
    """Forward chaining over one immutable set of rules; build it once and share it between threads.

    The conclusions are a pure function of the tokens, so each topic remembers the firings of the token sets
    it met last. A topic of which no token is given is not asked: every rule has a condition.
    """

    def __init__(self, edges: Sequence[RuleEdge], *, cache_size: int = 2048) -> None:
        """Build the engines.

        Args:
            edges: all rules of the ruleset.
            cache_size: token sets remembered per topic, the least recently used forgotten first; 0 for none.

        Raises:
            RulesetRefused: the edges have `graph_faults`; all of them are named.
            ValueError: `cache_size` is negative.
        """
        if cache_size < 0:
            raise ValueError(f"cache_size must be 0 or more, not {cache_size}")
        if faults := graph_faults(edges):
            raise RulesetRefused(faults)
        self._engines = tuple(TopicEngine(group) for group in topics(edges))
        self._cached = tuple(lru_cache(maxsize=cache_size)(engine.conclude) for engine in self._engines)
        self._vocabulary = {
            token: (topic, code)
            for topic, engine in enumerate(self._engines)
            for token, code in engine.codes.items()
            if not token.startswith(CONCLUSION_PREFIX)
        }

    def conclude(self, tokens: Iterable[str], *, cached: bool = True) -> tuple[Firing, ...]:
        """Every rule that fires on the tokens, ordered by rule id; of two rules with one conclusion, both.

        Tokens that no rule reads are ignored, and so are conclusions: only a rule establishes one.

        Args:
            tokens: in any order, repeated or not.
            cached: False asks the engines even if the answer is known, and remembers nothing.

        Raises:
            ReasoningFailed: the engine failed; nothing of the evaluation remains.
        """
        given: dict[int, dict[int, None]] = {}
        for token in tokens:
            if (place := self._vocabulary.get(token)) is not None:
                given.setdefault(place[0], {})[place[1]] = None
        firings: list[Firing] = []
        for topic, codes in given.items():
            if cached:
                firings += self._cached[topic](frozenset(codes))
            else:
                firings += self._engines[topic].conclude(codes)
        return tuple(sorted(firings, key=lambda firing: firing.rule))

    def cache_use(self) -> CacheUse:
        """Counts since the reasoner was built."""
        uses = [conclude.cache_info() for conclude in self._cached]
        return CacheUse(
            hits=sum(use.hits for use in uses),
            misses=sum(use.misses for use in uses),
            entries=sum(use.currsize for use in uses),
            capacity=sum(use.maxsize or 0 for use in uses),
        )
