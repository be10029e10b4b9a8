"""Verdict tokens to conclusions by forward chaining; sees tokens, never numbers or client text."""

from service.reason.reasoner import CacheUse, Reasoner

__all__ = ["CacheUse", "Reasoner"]
