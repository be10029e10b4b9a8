"""Whatever could hurt people: precaution, cautions, deferral, and no word that anything is safe."""

from __future__ import annotations

import re

import pytest

from service.model.ruleset import Diagnosis
from service.ruleset import load_ruleset, rules_folder

RULESET = load_ruleset(rules_folder())
HAZARDS = [rule for rule in RULESET.diagnoses.values() if rule.severity == "hazard"]
DEFERS = re.compile(r"licensed person|gas supplier|emergency number", re.I)
CLEARS = re.compile(r"\b(is|are|was|were|now|found|declared) (safe|unsafe|sound|cracked)\b", re.I)


def test_there_are_hazards() -> None:
    assert len(HAZARDS) >= 10


@pytest.mark.parametrize("rule", HAZARDS, ids=lambda rule: rule.id)
def test_a_hazard_errs_to_the_careful_side_and_defers(rule: Diagnosis) -> None:
    compared = [RULESET.criteria[name] for token in rule.when if (name := token.rpartition(".")[0]) in RULESET.criteria]
    assert {criterion.decision_rule for criterion in compared} <= {"precautionary"}
    assert rule.cautions
    assert DEFERS.search(rule.what_to_do)
    assert {RULESET.sources[source].kind for source in rule.sources} - {"practice"}


@pytest.mark.parametrize("rule", RULESET.diagnoses.values(), ids=lambda rule: rule.id)
def test_nothing_is_declared_safe(rule: Diagnosis) -> None:
    assert not CLEARS.search(" ".join((rule.title, rule.summary, rule.why_it_matters, rule.what_to_do)))


def test_no_hazard_rests_on_a_sealed_appliance() -> None:
    sealed = ("appliance.direct_vent", "appliance.direct_vent_only", "spillage.at_direct_vent")
    assert not [rule.id for rule in HAZARDS if any(token in sealed or "direct_vent" in token for token in rule.when)]
