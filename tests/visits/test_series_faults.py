"""The visits with sample series: written by the generator."""

from __future__ import annotations

import math

import pytest

from tests.visits.healthy import ROOT
from tests.visits.series_faults import VISITS, documents


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


def test_slowing_air_is_a_first_order_lag_of_ten_samples() -> None:
    """Within the thermometer's 0.1 degF: what is left to go falls by e in ten samples."""
    request = next(visit for visit in VISITS if visit.id.startswith("supply_air_slowing")).request()
    (series,) = [r["samples"]["values"] for r in request["readings"] if "samples" in r]
    settled = series[0] + 12.0
    for early, late in zip(series, series[10:], strict=False):
        assert settled - late == pytest.approx((settled - early) / math.e, abs=0.15)
