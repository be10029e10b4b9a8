"""Nothing in the rules may change unnoticed: each limit, each rule and each token is held by a case."""

from __future__ import annotations

import pytest

from service.cases import departures
from tests.cases.proof import Proof


@pytest.fixture(scope="module")
def proof() -> Proof:
    return Proof()


def test_a_limit_moved_by_a_tenth_breaks_a_case(proof: Proof) -> None:
    assert proof.unnoticed_limits() == []


def test_a_rule_that_goes_breaks_a_case(proof: Proof) -> None:
    assert proof.unnoticed_rules() == []


def test_every_token_is_reached_by_a_case(proof: Proof) -> None:
    assert proof.unreached() == []


def test_no_two_rules_always_fire_together(proof: Proof) -> None:
    assert proof.inseparable() == []


def test_cases_hold_as_the_rules_stand(proof: Proof) -> None:
    """The short way taken here comes to what the pipeline comes to."""
    wrong = [
        (worked.rule, worked.case.title)
        for worked, outcomes in zip(proof.cases, proof.outcomes, strict=True)
        if departures(worked.rule, worked.case, outcomes, proof.ruleset)
    ]
    assert wrong == []
