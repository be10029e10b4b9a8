"""Two evaluations held against each other: of one visit, what differs and what did it; of two visits, what became of
findings, and whether the work done between them shows."""

from service.reassess.compare import compare
from service.reassess.visits import Side, fates, verdict, with_turns

__all__ = ["Side", "compare", "fates", "verdict", "with_turns"]
