"""Every refusal of the lint, from both sides: the ruleset as it is passes, and with one thing wrong it does not."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from msgspec.structs import replace

from service.model.reasoning import fan_out
from service.model.ruleset import CASE_KINDS, CaseFile, Diagnosis, EquipmentMatch, Ruleset
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.guidance import PARTS
from service.ruleset.lint import edges, lint, lint_cases
from service.ruleset.load import read_cases

RULESET = replace(load_ruleset(rules_folder()), languages={})
"""Without translations, which changes made here would make stale."""
ABOVE = "external_static_pressure_above_rating"
MAXIMUM = "external_static_pressure_maximum"


def with_entry(ruleset: Ruleset, part: str, key: str, entry: object) -> Ruleset:
    return replace(ruleset, **{part: {**getattr(ruleset, part), key: entry}})


def altered(part: str, key: str, **fields: Any) -> Ruleset:
    """The ruleset with some fields of one entry changed."""
    return with_entry(RULESET, part, key, replace(getattr(RULESET, part)[key], **fields))


def without(part: str, key: str) -> Ruleset:
    return replace(RULESET, **{part: {k: v for k, v in getattr(RULESET, part).items() if k != key}})


def with_limit(**fields: Any) -> Ruleset:
    """The ruleset with the first limit of one criterion changed."""
    criterion = RULESET.criteria["filter_face_velocity_usual"]
    return altered("criteria", criterion.id, limit=[replace(criterion.limit[0], **fields)])


def rule(**fields: Any) -> Ruleset:
    return altered("diagnoses", ABOVE, **fields)


def another_rule(name: str, when: list[str], **fields: Any) -> Ruleset:
    entry = Diagnosis(id=name, title="Invented", status="trial", since="0.1.0", when=when, **fields)
    return with_entry(RULESET, "diagnoses", name, entry)


def spelling_twice() -> Ruleset:
    dimension = RULESET.dimensions["velocity"]
    unit = replace(dimension.unit[0], spellings=[*dimension.unit[0].spellings, dimension.unit[1].code])
    return altered("dimensions", "velocity", unit=[unit, *dimension.unit[1:]])


def circle() -> Ruleset:
    ruleset = another_rule("ring_a", ["conclusion:ring_b"])
    entry = Diagnosis(id="ring_b", title="Invented", status="trial", since="0.1.0", when=["conclusion:ring_a"])
    return with_entry(ruleset, "diagnoses", "ring_b", entry)


def fan_out_limit(limit: int) -> Ruleset:
    return replace(RULESET, release=replace(RULESET.release, fan_out_limit=limit))


def invented_source(kind: str) -> Ruleset:
    source = replace(RULESET.sources["field_practice"], id="invented", kind=kind)
    return with_entry(RULESET, "sources", "invented", source)


def hazard(**fields: Any) -> Ruleset:
    """The ruleset with one hazard changed."""
    return altered("diagnoses", "carbon_monoxide_high", **fields)


def practice_limit(severity: str) -> Ruleset:
    """A rule whose own sources are a rating's, and whose limit is a rule of thumb."""
    return another_rule(
        "thumb",
        ["filter_face_velocity_usual.above"],
        severity=severity,
        summary="Fast.",
        why_it_matters="It is.",
        what_to_do="Look.",
        sources=["rating_sheets"],
    )


WIDEST = max(fan_out(edges(RULESET)).values())

REFUSALS: list[tuple[str, Callable[[], Ruleset], str]] = [
    ("a spelling of two units", spelling_twice, "velocity has m/s twice"),
    (
        "a shown unit that is none",
        lambda: altered("dimensions", "velocity", display={"ip": "knot", "si": "m/s"}),
        "shows ip in knot",
    ),
    (
        "a quantity of no dimension",
        lambda: altered("quantities", "airflow", dimension="haste"),
        "unknown dimension haste",
    ),
    (
        "a plausible range in another unit",
        lambda: altered("quantities", "airflow", plausible=replace(RULESET.quantities["airflow"].plausible, unit="Pa")),
        "airflow has a plausible range in Pa",
    ),
    ("a source that is not there", lambda: without("sources", "jcgm_106"), "the source jcgm_106 is not in sources/"),
    ("a source nobody cites", lambda: invented_source("standard"), "sources invented: nothing cites it"),
    ("a criterion of no quantity", lambda: altered("criteria", MAXIMUM, quantity="haste"), "its quantity haste"),
    ("a criterion without a limit", lambda: altered("criteria", MAXIMUM, limit=[]), "it has no limit"),
    ("confidence below even odds", lambda: altered("criteria", MAXIMUM, confidence=0.49), "confidence must be"),
    ("certainty", lambda: altered("criteria", MAXIMUM, confidence=1.0), "confidence must be"),
    (
        "a criterion nobody reads",
        lambda: with_entry(RULESET, "criteria", "unread", replace(RULESET.criteria[MAXIMUM], id="unread")),
        "criteria unread: no rule, cause or caution reads",
    ),
    ("a limit without an end", lambda: with_limit(upper=None), "neither a lower nor an upper end"),
    ("a number without a unit", lambda: with_limit(unit=None), "numbers but no unit"),
    ("a unit of another kind", lambda: with_limit(unit="Pa"), "Pa is not a unit of velocity"),
    ("a limit under an unknown observation", lambda: with_limit(when=["moon.full"]), "unknown observation moon.full"),
    ("a rule of no token", lambda: rule(when=[]), "it names no token"),
    ("an unknown token", lambda: rule(when=["moon.full"]), "unknown token moon.full"),
    ("a conclusion nobody draws", lambda: rule(when=["conclusion:moon"]), "unknown token conclusion:moon"),
    ("an unknown cause", lambda: rule(causes=["moon"]), "unknown cause moon"),
    ("an unknown procedure", lambda: rule(next_readings=["moon"]), "unknown procedure moon"),
    ("an unknown caution of a rule", lambda: rule(cautions=["moon"]), f"diagnosis {ABOVE}: unknown caution moon"),
    (
        "an intermediate conclusion nobody reads",
        lambda: another_rule("unread", ["blower.on"]),
        "nobody reads its conclusion",
    ),
    ("a finding without a summary", lambda: rule(summary=""), "a finding needs summary"),
    ("a finding without a source", lambda: rule(sources=[]), "a finding needs summary"),
    ("a hazard without a caution", lambda: hazard(cautions=[]), "a hazard needs a caution"),
    (
        "a hazard with a caution that nobody is hurt by",
        lambda: hazard(cautions=["boards_and_wiring"]),
        "a hazard needs a caution for people at risk",
    ),
    ("a hazard on practice alone", lambda: hazard(sources=["field_practice"]), "practice alone never raises"),
    ("a hazard on a derivation alone", lambda: hazard(sources=["hydrostatics"]), "practice alone never raises"),
    ("a hazard that hands over to nobody", lambda: hazard(what_to_do="Open a window."), "must hand over to one of"),
    (
        "a hazard that is not precautionary",
        lambda: altered("criteria", "ambient_carbon_monoxide_act", decision_rule="guarded"),
        "a hazard is decided by precautionary; ambient_carbon_monoxide_act is not",
    ),
    ("a fault on a rule of thumb's limit", lambda: practice_limit("fault"), "practice alone never raises"),
    (
        "a fault of which nothing is proven",
        lambda: rule(when=[f"{MAXIMUM}.undecided"], summary="Perhaps."),
        "a fault needs a token that is proven",
    ),
    (
        "a severity without criteria",
        lambda: without("severities", "fault"),
        "a fault has no criteria in severity.toml",
    ),
    (
        "words that declare something safe",
        lambda: altered("procedures", "zero_check", purpose="The house is safe."),
        'procedures zero_check: " is safe" declares too much',
    ),
    (
        "words of a caution that declare something safe",
        lambda: altered("cautions", "gas_smell", text="A little gas is harmless."),
        'cautions gas_smell: "harmless" declares too much',
    ),
    ("a number the rule does not have", lambda: rule(summary="{airflow}"), "{airflow} may have no value"),
    (
        "a limit the rule does not rest on",
        lambda: rule(summary="{filter_share_usual:upper}"),
        "its tokens do not rest on",
    ),
    ("an unknown kind of placeholder", lambda: rule(summary="{external_static_pressure:bold}"), "may have no value"),
    ("rules in a circle", circle, "rules read each other in a circle"),
    ("too many readers of a token", lambda: fan_out_limit(WIDEST - 1), f"the engine allows {WIDEST - 1}"),
    ("a token named twice", lambda: rule(when=[f"{MAXIMUM}.above", f"{MAXIMUM}.above"]), "it names a token twice"),
    (
        "a cause no rule names",
        lambda: with_entry(RULESET, "causes", "moon", RULESET.causes["coil_fouled"]),
        "causes moon: no rule names it",
    ),
    (
        "an unknown token of a cause",
        lambda: altered("causes", "coil_fouled", against=["moon.full"]),
        "causes coil_fouled: unknown token",
    ),
    (
        "an unknown token a cause needs",
        lambda: altered("causes", "coil_fouled", needs=["moon.full"]),
        "causes coil_fouled: unknown token",
    ),
    (
        "an unknown caution of a cause",
        lambda: altered("causes", "coil_fouled", cautions=["moon"]),
        "causes coil_fouled: unknown caution",
    ),
    (
        "an unknown token of a caution",
        lambda: altered("cautions", "capacitor_charge", with_tokens=["moon.full"]),
        "cautions capacitor_charge: unknown token",
    ),
    (
        "a reading of no quantity",
        lambda: altered("procedures", "zero_check", gives=["haste"]),
        "unknown quantity haste",
    ),
    (
        "an unknown caution of a reading",
        lambda: altered("procedures", "zero_check", cautions=["moon"]),
        "procedures zero_check: unknown caution",
    ),
    (
        "a practice called read",
        lambda: altered("cautions", "capacitor_charge", checked="read"),
        "cautions capacitor_charge: practice is what rests on practice alone",
    ),
    (
        "a law called practice",
        lambda: altered("cautions", "refrigerant", checked="practice"),
        "cautions refrigerant: practice is what rests on practice alone",
    ),
    (
        "equipment of no known arrangement",
        lambda: altered("cautions", "refrigerant", with_equipment=[EquipmentMatch(arrangement=["moon"])]),
        "cautions refrigerant: unknown arrangement moon",
    ),
    (
        "a reading of no known part",
        lambda: altered("procedures", "zero_check", only_on=[EquipmentMatch(parts=["moon"])]),
        "procedures zero_check: unknown element moon",
    ),
    ("a reading at no place", lambda: altered("procedures", "zero_check", locations=["moon"]), "unknown station moon"),
    (
        "an unknown technique",
        lambda: altered("procedures", "zero_check", technique="moon"),
        "procedures zero_check: unknown technique moon",
    ),
    (
        "a technique that nobody uses",
        lambda: with_entry(RULESET, "techniques", "moon", RULESET.techniques["wet_bulb"]),
        "techniques moon: no procedure uses it",
    ),
    (
        "another way of another reading",
        lambda: altered("procedures", "airflow_by_hood", in_place_of="zero_check"),
        "procedures airflow_by_hood: zero_check is no procedure of its reading kind",
    ),
    (
        "another way of nothing",
        lambda: altered("procedures", "airflow_by_hood", in_place_of="moon"),
        "procedures airflow_by_hood: moon is no procedure of its reading kind",
    ),
    (
        "words on no arrangement",
        lambda: altered("procedures", "blower_power", where_on={"moon": "There."}),
        "procedures blower_power: unknown arrangement moon",
    ),
    *(
        (
            f"a procedure without {part}",
            functools.partial(altered, "procedures", "zero_check", **{part: "" if part == "settled_when" else []}),
            f"procedures zero_check: {part} is empty",
        )
        for part in PARTS
    ),
    (
        "a procedure at no place",
        lambda: altered("procedures", "zero_check", where=""),
        "procedures zero_check: where is empty",
    ),
    (
        "a station that nobody tells how to reach",
        lambda: without("access", "coil_inlet"),
        "access: nothing says how coil_inlet is reached",
    ),
    (
        "a way to nowhere",
        lambda: altered("access", "coil_inlet", id="moon"),
        "access moon: it is no station and no place",
    ),
    (
        "a station untold on an arrangement that has it",
        lambda: altered("access", "coil_inlet", on={}),
        "access coil_inlet: it says nothing of packaged_unit",
    ),
    (
        "a station on no arrangement",
        lambda: altered("access", "garage", on={"moon": "There."}),
        "access garage: unknown arrangement moon",
    ),
    (
        "an unknown caution of a place",
        lambda: altered("access", "garage", cautions=["moon"]),
        "access garage: unknown caution moon",
    ),
    ("a reading at no station", lambda: altered("procedures", "zero_check", station="moon"), "unknown station moon"),
    (
        "an arrangement of an unknown element",
        lambda: altered("arrangements", "custom", inside=["moon"]),
        "custom has the unknown element moon",
    ),
]


def test_the_ruleset_as_it_is_has_no_fault() -> None:
    assert lint(RULESET) == []


@pytest.mark.parametrize(("make", "words"), [pytest.param(make, words, id=name) for name, make, words in REFUSALS])
def test_refused(make: Callable[[], Ruleset], words: str) -> None:
    assert any(words in fault for fault in lint(make())), lint(make())


ACCEPTED: list[tuple[str, Callable[[], Ruleset]]] = [
    ("confidence of even odds", lambda: altered("criteria", MAXIMUM, confidence=0.5)),
    ("confidence just short of certainty", lambda: altered("criteria", MAXIMUM, confidence=0.999)),
    ("a limit with one end more", lambda: with_limit(lower=10.0)),
    ("a limit in another unit of its kind", lambda: with_limit(unit="m/s", upper=1.5)),
    ("a limit under a known observation", lambda: with_limit(when=["mode.cooling"])),
    ("as many readers of a token as allowed", lambda: fan_out_limit(WIDEST)),
    (
        "a hazard on a rating, with a caution",
        lambda: hazard(sources=["rating_sheets", "jcgm_106"], cautions=["capacitor_charge"]),
    ),
    ("an advisory on a rule of thumb's limit", lambda: practice_limit("advisory")),
    ("a value with its uncertainty", lambda: rule(summary="{external_static_pressure:u}")),
    ("a limit the rule rests on", lambda: rule(summary=f"{{{MAXIMUM}:upper}}")),
    ("no number at all", lambda: rule(summary="Too high.")),
    (
        "a reading at a place instead of a station",
        lambda: altered("procedures", "zero_check", station="equipment_room"),
    ),
]


@pytest.mark.parametrize("make", [pytest.param(make, id=name) for name, make in ACCEPTED])
def test_accepted(make: Callable[[], Ruleset]) -> None:
    assert lint(make()) == []


def test_a_number_carried_by_a_conclusion_may_be_used_and_one_of_two_makers_may_not() -> None:
    """A rule reads another's conclusion with its value; where two rules draw it, neither value is certain."""
    when = [f"conclusion:{ABOVE}"]
    words = {
        "summary": "{external_static_pressure}",
        "why_it_matters": "w",
        "what_to_do": "d",
        "sources": ["bernoulli"],
    }
    alone = another_rule("reader", when, severity="note", **words)
    assert lint(alone) == []
    second = Diagnosis(id="second", title="t", status="trial", since="0.1.0", when=["blower.on"], concludes=ABOVE)
    both = with_entry(alone, "diagnoses", "second", second)
    assert any("diagnosis reader" in fault and "may have no value" in fault for fault in lint(both))


# Cases -----------------------------------------------------------------------------------------------------------


CASES = read_cases(rules_folder())[0]


@pytest.mark.parametrize("kind", CASE_KINDS)
def test_a_rule_that_lacks_a_kind_of_case_is_refused(kind: str) -> None:
    file = CASES[ABOVE]
    assert {case.kind for case in file.case} == set(CASE_KINDS)
    lacking = CaseFile(rule=ABOVE, case=[case for case in file.case if case.kind != kind])
    fault = f"diagnosis {ABOVE}: it has no case of the kind {kind}"
    assert fault not in lint_cases(RULESET, CASES)
    assert fault in lint_cases(RULESET, {**CASES, ABOVE: lacking})


def test_cases_of_no_rule_are_refused() -> None:
    file = msgspec.structs.replace(CASES[ABOVE], rule="moon")
    assert "cases: moon is not a rule" in lint_cases(RULESET, {**CASES, "moon": file})
