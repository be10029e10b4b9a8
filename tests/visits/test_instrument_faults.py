"""The visits with instruments that are off: written by the generator, and off by what they say."""

from __future__ import annotations

import pytest

from tests.visits.airflow_faults import STATICS, FaultVisit
from tests.visits.healthy import ROOT
from tests.visits.instrument_faults import DIFFERENCES, VISITS, documents
from tests.visits.library import HOUSES, cooling


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_the_offset_is_in_every_pressure() -> None:
    plain = FaultVisit("plain", HOUSES["furnace_1600_m"], cooling("high"), (*STATICS, *DIFFERENCES)).request()
    off = next(visit for visit in VISITS if visit.id.startswith("zero_offset")).request()
    for before, after in zip(plain["readings"], off["readings"], strict=True):
        assert after["value"]["value"] - before["value"]["value"] == pytest.approx(0.04)
