"""Two evaluations of one visit held against each other: what differs, and which rule, limit or quantity did it."""

from service.reassess.compare import compare

__all__ = ["compare"]
