"""The arithmetic of each case quotes the numbers of its visit as the case changes it, not those of another."""

from __future__ import annotations

import msgspec
import pytest

from service.pipeline import Prepared, prepare
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.load import read_cases
from tests.cases.judging import changed, judged, visit
from tests.cases.quoted import quoted, strangers

RULES = rules_folder()
CASE_FILES = read_cases(RULES)[0]


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare(load_ruleset(RULES))


@pytest.mark.parametrize("rule", sorted(CASE_FILES))
def test_quoted_numbers_are_those_of_the_visit(rule: str, prepared: Prepared) -> None:
    found = {}
    for case in CASE_FILES[rule].case:
        request = changed(visit(RULES, case.visit), case)
        if numbers := strangers(rule, case, request, judged(request, prepared), prepared):
            found[f"{case.kind}: {case.title}"] = numbers
    assert found == {}


def test_a_number_of_another_visit_is_noticed(prepared: Prepared) -> None:
    """Every reading of three decimals, quoted wrong, is a stranger in nearly every case.

    A wrong number may be another one of the visit by chance, so each is quoted wrong three ways, of which two count.
    """
    tried, noticed = 0, 0
    seen: set[tuple[str, str]] = set()
    for rule, file in CASE_FILES.items():
        for case in file.case:
            request = changed(visit(RULES, case.visit), case)
            evaluation = judged(request, prepared)
            for reading in request["readings"]:
                if "value" not in reading:
                    continue
                value = abs(reading["value"]["value"])
                shown = f"{value:.3f}"
                # Rules about one visit quote the same readings: each counts once.
                if f" {shown} " in f" {case.arithmetic} " and (case.visit, shown) not in seen:
                    seen.add((case.visit, shown))
                    strange = 0
                    for offset in (0.013, 0.019, 0.027):
                        moved = f"{value + offset:.3f}"
                        other = msgspec.structs.replace(case, arithmetic=case.arithmetic.replace(shown, moved))
                        strange += moved in strangers(rule, other, request, evaluation, prepared)
                    tried += 1
                    noticed += strange >= 2
    assert tried >= 100
    assert noticed / tried > 0.9


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("0.422 - 0.047 = 0.375, above 2", ["0.422", "0.047", "0.375"]),
        ("1900-01-01 to 2026-07-14: 46,215 days, p = 1.7e-07", ["46,215"]),
        ("1066 (u 43.1) / 3 = 355.3 cfm/ton", ["1066", "43.1", "355.3"]),
        ("1 of 2 pressures", []),
    ],
)
def test_quoted_numbers_are_found(text: str, numbers: list[str]) -> None:
    assert quoted(text) == numbers
