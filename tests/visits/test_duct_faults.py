"""The visits on the sizes of ducts: written by the generator."""

from __future__ import annotations

from tests.visits.duct_faults import VISITS, documents
from tests.visits.healthy import ROOT


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_each_visit_has_runs_on_both_sides() -> None:
    assert all({entry["side"] for entry in visit.runs} == {"return", "supply"} for visit in VISITS)
