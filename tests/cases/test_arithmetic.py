"""The sums that cases write out come out as written; and the check that says so can fail."""

from __future__ import annotations

import pytest

from service.ruleset import rules_folder
from service.ruleset.load import read_cases
from tests.cases.arithmetic import value, wrong_sums

CASE_FILES = read_cases(rules_folder())[0]


@pytest.mark.parametrize("rule", sorted(CASE_FILES))
def test_written_sums_come_out(rule: str) -> None:
    wrong = [fault for case in CASE_FILES[rule].case for fault in wrong_sums(case.arithmetic)[0]]
    assert wrong == []


def test_sums_are_found_in_most_rules() -> None:
    with_sums = [rule for rule, file in CASE_FILES.items() if any(wrong_sums(case.arithmetic)[1] for case in file.case)]
    assert len(with_sums) >= len(CASE_FILES) // 2


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("0.107 - (-0.423) = 0.530; rated 0.500", 1),
        ("0.377 / (0.07 x (998/1240)^1.4 x (0.971/1.2014)^0.4 = 0.0474) = 7.95, above 2", 2),
        ("0.009 - (-0.042) = 0.051; 0.051/0.500 = 10.2 %, below 30 %", 2),
        ("983/(14 x 20/144 = 1.944 ft2) = 506 ft/min", 2),
        ("|0.336 - 0.9| / 0.021 = 26.9 and u = sqrt(2) x 0.72 = 1.02", 2),
        ("0.015 - 0.010 = +0.005", 1),
        ("no sum here", 0),
    ],
)
def test_sums_are_found_and_right(text: str, found: int) -> None:
    assert wrong_sums(text) == ([], found)


@pytest.mark.parametrize(
    "text",
    [
        "0.107 - (-0.423) = 0.531",
        "0.107 - 0.423 = 0.316",
        "0.051/0.500 = 11 %",
        "983/(14 x 20/144 = 1.844 ft2) = 533 ft/min",
        "0.377 / (0.07 x (998/1240)^1.4 = 0.0517) = 7.9",
        "|0.336 - 0.9| / 0.021 = 27.5",
        "154.7 / sqrt(43.6^2 + 74.0^2) = 1.70",
    ],
)
def test_a_wrong_sum_is_noticed(text: str) -> None:
    assert len(wrong_sums(text)[0]) == 1


def test_what_is_no_sum_has_no_value() -> None:
    assert value("0.1 - ") is None
    assert value("2 x 3") == 6.0
