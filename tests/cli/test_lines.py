"""Many visits on the command line, a line each: answered in order, several at a time, whatever becomes of one."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner, Result

from service.cli import main
from service.pipeline import evaluate, load
from service.wire.render import result
from service.wire.speech import ENGLISH

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
RULES = Path(__file__).parents[2] / "rules"
VISITS: list[dict[str, Any]] = [
    json.loads(path.read_bytes())
    for path in (
        EXAMPLES / "first_visit.json",
        EXAMPLES / "visit.json",
        *sorted((EXAMPLES / "over_the_years").iterdir()),
    )
]

Run = Callable[..., Result]


@pytest.fixture
def airside(monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.delenv("AIRSIDE_RULESET", raising=False)

    def run(*arguments: str, given: bytes) -> Result:
        return CliRunner().invoke(main, ["evaluate", *arguments, "-"], input=given)

    return run


def lines(*visits: Any) -> bytes:
    return b"".join(json.dumps({"visit": visit}).encode() + b"\n" for visit in visits)


def answers(done: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_each_is_judged_as_if_alone_and_answered_in_order(airside: Run) -> None:
    done = airside("--lines", "--full", "--processes", "2", given=lines(*VISITS))
    assert done.exit_code == 0, done.stderr
    told = answers(done)
    assert [one["line"] for one in told] == [*range(1, len(VISITS) + 1)]
    assert {one["status"] for one in told} == {200}
    rulebook = load()
    rules, units = rulebook.current.ruleset, rulebook.current.units
    for visit, one in zip(VISITS, told, strict=True):
        judged = evaluate(rulebook.decoder().decode(json.dumps(visit).encode()), rulebook.current)
        alone = msgspec.to_builtins(result(judged, rules, units, visit.get("units", "ip"), ENGLISH))
        assert one["result"] == alone
        assert one["ruleset"] == alone["ruleset"]
        assert one.get("highest_severity") == alone.get("highest_severity")
        assert {found["code"] for found in one["findings"]} == {found["code"] for found in alone["findings"]}
    assert any(one["findings"] for one in told)


def test_units_and_language_are_those_asked_for_by_rules_of_a_folder(airside: Run) -> None:
    asked = ("--units", "si", "--language", "es", "--rules", str(RULES))
    done = airside("--lines", "--full", "--processes", "1", *asked, given=lines(VISITS[1]))
    alone = airside("--json", *asked, given=json.dumps(VISITS[1]).encode())
    assert VISITS[1]["units"] == "ip"
    assert [one["result"] for one in answers(done)] == [json.loads(alone.stdout)]
    assert answers(done)[0]["result"]["language"] == "es"


def test_a_line_that_comes_to_nothing_ends_nothing(airside: Run) -> None:
    good = lines(VISITS[0]).strip()
    given = b"\n".join(
        [
            good,
            b"",
            b'{"visit": ',
            good + b"\r",
            b"{}",
            json.dumps(VISITS[0]).encode(),  # without `visit` around it
            lines(VISITS[0] | {"ruleset": "99.0.0"}).strip(),
            good[:-1] + b', "idempotency_key": "invented-1"}',
        ]
    )
    done = airside("--lines", "--processes", "2", given=given)
    told = answers(done)
    assert [(one["line"], one["status"]) for one in told] == [
        (1, 200), (3, 400), (4, 200), (5, 422), (6, 422), (7, 422), (8, 200),
    ]  # fmt: skip
    assert told[0] | {"line": 8} == told[-1]
    assert "result" not in told[0]
    problems = {one["line"]: one["problem"] for one in told if one["status"] != 200}
    assert problems[3]["type"] == "/problems/not_well_formed"
    assert [(fault["pointer"], fault["code"]) for fault in problems[5]["errors"]] == [("#/visit", "missing_field")]
    assert "#/visit" in {fault["pointer"] for fault in problems[6]["errors"]}
    assert [fault["pointer"] for fault in problems[7]["errors"]] == ["#/visit/ruleset"]
    assert done.exit_code == 3
    assert done.stderr == "Of 7 visits 4 came to nothing; each line says why.\n"


def test_a_byte_order_mark_is_refused_and_nothing_given_is_nothing_answered(airside: Run) -> None:
    marked = airside("--lines", "--processes", "1", given=b"\xef\xbb\xbf" + lines(VISITS[0]))
    assert [one["problem"]["type"] for one in answers(marked)] == ["/problems/not_well_formed"]
    empty = airside("--lines", given=b"\n \n")
    assert (empty.exit_code, empty.stdout) == (0, "")


def test_fail_on_counts_the_visits_that_have_it(airside: Run) -> None:
    given = lines(*VISITS[:2])
    found = airside("--lines", "--processes", "1", "--fail-on", "fault", given=given)
    assert [one.get("highest_severity") for one in answers(found)] == ["fault", "fault"]
    assert found.exit_code == 1
    assert found.stderr == "Of 2 visits 2 have a finding as serious as fault.\n"
    assert airside("--lines", "--processes", "1", "--fail-on", "hazard", given=given).exit_code == 0


@pytest.mark.parametrize("option", [["--full"], ["--processes", "2"], ["--lines", "--processes", "0"]])
def test_options_that_do_not_go_together_are_refused(airside: Run, option: list[str]) -> None:
    assert airside(*option, given=lines(VISITS[0])).exit_code == 2
