"""Instruments, readings, cautions and severities against the contract and against the rules of this folder."""

from __future__ import annotations

from collections import Counter
from typing import get_args, get_type_hints

import pytest

from service.model.ruleset import Diagnosis
from service.ruleset import load_ruleset, rules_folder
from service.wire.request import AnyReading, Equipment, EvaluationRequest, Instrument

RULESET = load_ruleset(rules_folder())
READING_KINDS = {reading.__struct_config__.tag for reading in get_args(AnyReading)}


def test_every_kind_of_instrument_a_client_may_name_has_its_usual_accuracy() -> None:
    assert set(get_args(get_type_hints(Instrument)["kind"])) == set(RULESET.instruments)


def test_every_kind_of_reading_has_one_usual_instrument() -> None:
    usual = Counter(kind for instrument in RULESET.instruments.values() for kind in instrument.reading_kinds)
    # Gas is timed by hand and its meter has a tolerance of its own; spillage is seen. A traverse is read as velocity
    # pressures or as velocities, by different instruments.
    assert usual == Counter((READING_KINDS - {"gas_meter", "spillage"}) | {"velocity_points"})


def test_no_instrument_is_exact() -> None:
    assert all(instrument.share > 0 or instrument.floor > 0 for instrument in RULESET.instruments.values())


def test_a_procedure_takes_a_reading_that_a_client_can_send() -> None:
    """Zero check, weather, duct runs, notes and earlier visits are sent beside the readings, not as one of them."""
    kinds = {procedure.reading_kind for procedure in RULESET.procedures.values()}
    assert kinds - READING_KINDS == {"zero_check", "weather", "duct_run", "noted", "earlier_visit"}
    assert {"weather", "noted", "earlier_visits"} <= set(EvaluationRequest.__struct_fields__)
    assert "zero_check" in Instrument.__struct_fields__
    assert "duct_runs" in Equipment.__struct_fields__


def test_a_reading_can_be_named_for_every_quantity_that_is_judged() -> None:
    """Age of calibration is a date on a certificate, not a reading."""
    given = {quantity for procedure in RULESET.procedures.values() for quantity in procedure.gives}
    judged = {criterion.quantity for criterion in RULESET.criteria.values()}
    assert judged - given == {"time_since_calibration"}


def test_every_caution_can_come_up() -> None:
    named = {name for rule in RULESET.diagnoses.values() for name in rule.cautions}
    named |= {name for cause in RULESET.causes.values() for name in cause.cautions}
    named |= {name for procedure in RULESET.procedures.values() for name in procedure.cautions}
    named |= {name for access in RULESET.access.values() for name in access.cautions}
    named |= {name for a in RULESET.access.values() for further in a.cautions_on.values() for name in further}
    brought = [c for c in RULESET.cautions.values() if c.always or c.with_tokens or c.with_equipment]
    silent = set(RULESET.cautions) - named - {caution.id for caution in brought}
    assert silent == set()


def test_the_answer_to_every_visit_says_what_it_is_not() -> None:
    assert [caution.id for caution in RULESET.cautions.values() if caution.always] == ["data_is_advisory"]


@pytest.mark.parametrize("rule", RULESET.diagnoses.values(), ids=lambda rule: rule.id)
def test_practice_alone_raises_no_fault(rule: Diagnosis) -> None:
    if rule.severity in ("fault", "hazard"):
        assert {RULESET.sources[source].kind for source in rule.sources} != {"practice"}


@pytest.mark.parametrize("rule", RULESET.diagnoses.values(), ids=lambda rule: rule.id)
def test_no_words_declare_anything_free_of_danger_or_condemned(rule: Diagnosis) -> None:
    words = " ".join([rule.title, *(getattr(rule, name) for name in ("summary", "why_it_matters", "what_to_do"))])
    lowered = words.lower()
    assert not any(word in lowered for word in (" is safe", " are safe", "unsafe", "crack", "condemn", "guarantee"))
