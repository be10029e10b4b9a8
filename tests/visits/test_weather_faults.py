"""The visits with a weather report: written by the generator, and true to the atmosphere."""

from __future__ import annotations

import pytest

from tests.visits.airflow_faults import FaultVisit
from tests.visits.healthy import ROOT
from tests.visits.weather_faults import INCH_OF_MERCURY, VISITS, altimeter_setting, barometer_missing, documents


def test_the_committed_visits_are_what_the_generator_writes() -> None:
    for path, text in documents().items():
        assert (ROOT / path).read_text(encoding="utf-8") == text, path


@pytest.mark.parametrize("visit", VISITS, ids=lambda visit: visit.id)
def test_the_report_leads_back_to_the_houses_own_pressure(visit: FaultVisit) -> None:
    """Within 60 Pa, which is what the published forms part by; undone by the form of the US automated stations, inHg
    and ft: (A^0.1903 - 1.313e-5 h)^5.255."""
    house = visit.house
    setting = altimeter_setting(house.pressure, house.elevation) / INCH_OF_MERCURY
    station = (setting**0.1903 - 1.313e-5 * house.elevation / 0.3048) ** 5.255
    assert station * INCH_OF_MERCURY == pytest.approx(house.pressure, abs=60.0)


def test_a_mistake_with_nothing_to_spoil_is_refused() -> None:
    with pytest.raises(LookupError):
        barometer_missing({"readings": []})
