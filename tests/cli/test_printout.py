"""An answer as text: nothing is said by colour alone, and nothing a client sends can steer a terminal."""

import json
import re
from pathlib import Path

import msgspec
import pytest

from service import pipeline
from service.printout import context_words, printable, printout
from service.wire.decode import RequestDecoder
from service.wire.render import result
from service.wire.response import ContextView, EvaluationResult

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "visit.json"


@pytest.fixture(scope="module")
def prepared() -> pipeline.Prepared:
    return pipeline.working()


def answer_to(body: bytes, prepared: pipeline.Prepared) -> EvaluationResult:
    decoder = RequestDecoder.for_rulesets({prepared.ruleset.release.version: prepared.ruleset})
    evaluation = pipeline.evaluate(decoder.decode(body), prepared)
    return result(evaluation, prepared.ruleset, prepared.units, "ip")


@pytest.fixture(scope="module")
def answer(prepared: pipeline.Prepared) -> EvaluationResult:
    return answer_to(EXAMPLE.read_bytes(), prepared)


def test_colour_says_nothing_that_words_do_not(answer: EvaluationResult, prepared: pipeline.Prepared) -> None:
    coloured = printout(answer, prepared.ruleset, prepared.units, colour=True)
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == printout(answer, prepared.ruleset, prepared.units)


@pytest.mark.parametrize("width", [60, 80, 100, 120])
def test_lines_keep_to_the_width(answer: EvaluationResult, prepared: pipeline.Prepared, width: int) -> None:
    lines = printout(answer, prepared.ruleset, prepared.units, width=width).splitlines()
    assert max(map(len, lines)) <= width
    assert max(map(len, lines)) > width - 10


def test_foreign_text_is_neither_markup_nor_control(answer: EvaluationResult, prepared: pipeline.Prepared) -> None:
    hostile = msgspec.structs.replace(answer, site_reference="[red]x[/red] \x1b]0;y\x07\u202e:smile:")
    text = printout(hostile, prepared.ruleset, prepared.units)
    assert "site [red]x[/red]  ]0;y  :smile:" in text
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", text)


def test_what_was_set_aside_is_printed_with_its_remedy(prepared: pipeline.Prepared) -> None:
    body = json.loads(EXAMPLE.read_bytes())
    body["readings"][0]["station"] = "station_that_is_not_there"
    answered = answer_to(json.dumps(body).encode(), prepared)
    assert answered.set_aside
    text = " ".join(printout(answered, prepared.ruleset, prepared.units).split())
    for entry in answered.set_aside:
        assert entry.pointer in text
        assert " ".join(entry.remedy.split()) in text


def test_without_findings_it_does_not_read_as_health(answer: EvaluationResult, prepared: pipeline.Prepared) -> None:
    silent = msgspec.structs.replace(answer, findings=[])
    text = " ".join(printout(silent, prepared.ruleset, prepared.units).split())
    assert "Findings: none" in text
    assert f"Points not judged, listed below: {len(answer.not_judged)}." in text
    assert "declares no site, appliance or heat exchanger safe" in text


@pytest.mark.parametrize(
    ("context", "words"),
    [
        (ContextView(state="unspecified"), "state not named"),
        (ContextView(state="cooling", mode="cooling", speed_setting="high"), "cooling, speed high"),
        (ContextView(state="after lunch", mode="fan_only", area="attic"), "after lunch, fan only, attic"),
    ],
)
def test_a_context_in_words(context: ContextView, words: str) -> None:
    assert context_words(context) == words


def test_printable_keeps_ordinary_text() -> None:
    assert printable("Ω ± 5 °F, naïve, 家") == "Ω ± 5 °F, naïve, 家"
    assert printable("a\nb\tc\x00") == "a b c "
