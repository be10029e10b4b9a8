"""Conclusions become findings: evidence, causes ranked, next readings, cautions, sources, and what was not judged."""

from service.explain.findings import Explained, Explainer, Explanation, Material, Told
from service.explain.listing import cautions_of, equipped, sources_of

__all__ = ["Explained", "Explainer", "Explanation", "Material", "Told", "cautions_of", "equipped", "sources_of"]
