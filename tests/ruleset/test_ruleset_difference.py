"""Two versions of the rules held against each other, and the step of the version that a change asks for."""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from msgspec.structs import replace

from service.model.difference import EntryChange, RulesetDifference
from service.model.ruleset import Ruleset
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.difference import affected_dates, difference
from service.ruleset.released import step_faults

RULES = load_ruleset(rules_folder())
RULE = "filter_loaded"
DATED = "power_per_airflow_limit"


def with_entry(section: str, key: str, **changes: Any) -> Ruleset:
    held = getattr(RULES, section)
    return replace(RULES, **{section: {**held, key: replace(held[key], **changes)}})


def without(section: str, key: str) -> Ruleset:
    return replace(RULES, **{section: {name: entry for name, entry in getattr(RULES, section).items() if name != key}})


def only(found: RulesetDifference) -> EntryChange:
    (entry,) = found.entries
    assert found.step == entry.step
    return entry


def test_a_version_does_not_differ_from_itself() -> None:
    found = difference(RULES, RULES)
    assert found.entries == ()
    assert found.step is None


@pytest.mark.parametrize(
    ("section", "key", "called"),
    [
        ("diagnoses", RULE, "rules"),
        ("criteria", DATED, "criteria"),
        ("quantities", "airflow", "quantities"),
        ("causes", "coil_fouled", "causes"),
        ("cautions", "capacitor_charge", "cautions"),
        ("assumptions", "default_airflow_share", "assumptions"),
    ],
)
def test_what_is_gained_is_minor_and_what_is_lost_is_major(section: str, key: str, called: str) -> None:
    fewer = without(section, key)
    lost, gained = only(difference(RULES, fewer)), only(difference(fewer, RULES))
    assert (lost.section, lost.id, lost.change, lost.step) == (called, key, "lost", "major")
    assert (gained.section, gained.id, gained.change, gained.step) == (called, key, "gained", "minor")
    assert lost.title == getattr(getattr(RULES, section)[key], "title", "")


@pytest.mark.parametrize(
    ("section", "key", "changes", "step"),
    [
        ("diagnoses", RULE, {"summary": "Other words."}, "patch"),
        ("diagnoses", RULE, {"sources": ["jcgm_106"]}, "patch"),
        ("diagnoses", RULE, {"known_false_alarms": []}, "patch"),
        ("diagnoses", RULE, {"severity": "note"}, "major"),
        ("diagnoses", RULE, {"when": ["filter_pressure_drop_against_rating.undecided"]}, "major"),
        ("diagnoses", RULE, {"causes": [*RULES.diagnoses[RULE].causes, "coil_fouled"]}, "minor"),
        ("diagnoses", RULE, {"causes": []}, "major"),
        ("criteria", DATED, {"confidence": 0.9}, "major"),
        ("criteria", DATED, {"decision_rule": "simple"}, "major"),
        ("criteria", DATED, {"note": ""}, "patch"),
        ("causes", "coil_fouled", {"remedy": "Other words."}, "patch"),
        ("causes", "coil_fouled", {"expects": []}, "major"),
        ("cautions", "capacitor_charge", {"text": "Other words."}, "patch"),
        ("cautions", "capacitor_charge", {"with_equipment": []}, "major"),
        ("quantities", "airflow", {"needs": ["a reading"]}, "patch"),
        ("quantities", "airflow", {"dimension": "ratio"}, "major"),
        ("instruments", "manometer", {"share": 0.02}, "major"),
        ("sources", "jcgm_106", {"edition": "another"}, "patch"),
    ],
)
def test_a_change_asks_for_its_step_and_names_the_part(
    section: str, key: str, changes: dict[str, Any], step: str
) -> None:
    entry = only(difference(RULES, with_entry(section, key, **changes)))
    assert (entry.id, entry.change, entry.step) == (key, "changed", step)
    assert [part.part for part in entry.parts] == list(changes)


def test_a_part_tells_both_values_and_a_list_what_it_gained_and_lost() -> None:
    before = RULES.diagnoses[RULE]
    token = "filter_pressure_drop_against_rating.undecided"
    (severity,) = only(difference(RULES, with_entry("diagnoses", RULE, severity="note"))).parts
    assert (severity.before, severity.after) == (before.severity, "note")
    (when,) = only(difference(RULES, with_entry("diagnoses", RULE, when=[token]))).parts
    assert (when.gained, when.lost) == ((token,), tuple(before.when))


def test_numbers_of_the_method_are_told_one_by_one() -> None:
    again = RULES.evidence.again
    heavier = replace(RULES, evidence=replace(RULES.evidence, again=replace(again, value=again.value + 0.125)))
    entry = only(difference(RULES, heavier))
    assert (entry.section, entry.id, entry.step) == ("evidence", "evidence", "major")
    assert [(part.part, part.before) for part in entry.parts] == [("again.value", f"{again.value:g}")]
    worded = replace(RULES, evidence=replace(RULES.evidence, again=replace(again, meaning="Other words.")))
    assert only(difference(RULES, worded)).step == "patch"


def test_the_largest_step_counts() -> None:
    worded = with_entry("diagnoses", RULE, summary="Other words.")
    both = replace(worded, criteria=without("criteria", DATED).criteria)
    found = difference(RULES, both)
    assert [entry.section for entry in found.entries] == ["rules", "criteria"]
    assert found.step == "major"


# Limits ----------------------------------------------------------------------------------------------------------


LIMITS = RULES.criteria[DATED].limit


def limits_changed(limits: list[Any]) -> EntryChange:
    return only(difference(RULES, with_entry("criteria", DATED, limit=limits)))


def test_another_number_is_a_changed_limit_and_major() -> None:
    entry = limits_changed([replace(LIMITS[0], upper=0.4), *LIMITS[1:]])
    (change,) = entry.limits
    assert (change.change, change.parts, entry.step) == ("changed", ("upper",), "major")
    assert change.before == LIMITS[0]
    assert change.after is not None
    assert change.after.upper == 0.4


def test_another_citation_is_a_changed_limit_and_a_patch() -> None:
    entry = limits_changed([replace(LIMITS[0], checked="read", locator="another page"), *LIMITS[1:]])
    assert (entry.limits[0].parts, entry.step) == (("locator", "checked"), "patch")


def test_a_limit_that_a_later_one_takes_over_from_is_minor_and_its_dates_are_told() -> None:
    first = datetime.date(2027, 1, 1)
    ended = replace(LIMITS[0], until_date=first - datetime.timedelta(days=1))
    later = replace(LIMITS[0], upper=0.4, from_date=first)
    found = difference(RULES, with_entry("criteria", DATED, limit=[later, ended, *LIMITS[1:]]))
    entry = only(found)
    assert [(change.change, change.parts) for change in entry.limits] == [("changed", ("until_date",)), ("gained", ())]
    assert entry.step == "minor"
    assert affected_dates(found) == [LIMITS[0].from_date, ended.until_date, first]


def test_a_limit_that_ends_with_nothing_after_it_is_major() -> None:
    ended = replace(LIMITS[0], until_date=datetime.date(2026, 12, 31))
    assert limits_changed([ended, *LIMITS[1:]]).step == "major"
    gap = replace(LIMITS[0], upper=0.4, from_date=datetime.date(2027, 1, 2))
    assert limits_changed([gap, ended, *LIMITS[1:]]).step == "major"


def test_a_limit_taken_away_is_major_and_one_more_is_minor() -> None:
    assert limits_changed(LIMITS[:-1]).step == "major"
    more = replace(LIMITS[0], when=["blower_kind.belt_driven"])
    entry = limits_changed([*LIMITS, more])
    assert (entry.limits[0].change, entry.limits[0].after, entry.step) == ("gained", more, "minor")


def test_the_order_of_limits_has_a_meaning() -> None:
    entry = limits_changed([LIMITS[1], LIMITS[0], *LIMITS[2:]])
    assert (entry.limits[0].parts, entry.step) == ((), "major")


# Units -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "step"),
    [
        (lambda units: [*units, replace(units[0], code="invented", spellings=[])], "minor"),
        (lambda units: units[1:], "major"),
        (lambda units: [replace(units[0], pint="pascal * 2"), *units[1:]], "major"),
        (lambda units: [replace(units[0], spellings=[*units[0].spellings, "invented"]), *units[1:]], "minor"),
        (lambda units: [replace(units[0], symbol="invented"), *units[1:]], "patch"),
        (lambda units: [*units[1:], units[0]], "patch"),
    ],
    ids=["one more", "one less", "redefined", "one more spelling", "another symbol", "another order"],
)
def test_units(change: Any, step: str) -> None:
    units = RULES.dimensions["gauge_pressure"].unit
    entry = only(difference(RULES, with_entry("dimensions", "gauge_pressure", unit=change(units))))
    assert entry.step == step
    assert entry.parts


# Versions --------------------------------------------------------------------------------------------------------


def step_from(before: str, after: str, changed: Ruleset) -> list[str]:
    old = replace(RULES, release=replace(RULES.release, version=before))
    return step_faults(difference(old, replace(changed, release=replace(RULES.release, version=after))))


@pytest.mark.parametrize(
    ("changed", "least"),
    [
        (with_entry("diagnoses", RULE, summary="Other words."), "patch"),
        (with_entry("diagnoses", RULE, causes=[*RULES.diagnoses[RULE].causes, "coil_fouled"]), "minor"),
        (with_entry("diagnoses", RULE, severity="note"), "major"),
    ],
    ids=["patch", "minor", "major"],
)
def test_a_step_may_be_larger_than_needed_and_not_smaller(changed: Ruleset, least: str) -> None:
    enough = {step: not step_from("1.2.3", to, changed) for step, to in TAKEN.items()}
    order = list(TAKEN)
    assert enough == {step: order.index(step) >= order.index(least) for step in order}


TAKEN = {"patch": "1.2.4", "minor": "1.3.0", "major": "2.0.0"}


def test_a_version_comes_after_the_one_before_and_changes_something() -> None:
    changed = with_entry("diagnoses", RULE, summary="Other words.")
    for version in ("1.2.3", "1.2.2", "0.9.9"):
        assert "does not come after 1.2.3" in step_from("1.2.3", version, changed)[0]
    assert step_from("1.9.0", "1.10.0", changed) == []
    assert step_from("1.2.3", "2.0.0", RULES) == ["ruleset.toml: nothing has changed since 1.2.3"]
