"""Conclusions become findings: evidence, causes ranked, next readings, cautions, sources, and what was not judged."""

from service.explain.findings import Explainer
from service.explain.listing import cautions_of, sources_of

__all__ = ["Explainer", "cautions_of", "sources_of"]
