"""The request and answer shown in README.md, made by the service: `python -m tests.docs.readme` writes them anew."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec

from service import pipeline
from service.wire import render
from service.wire.request import EvaluationRequest

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
EXAMPLE = ROOT / "openapi" / "examples" / "first_visit.json"
BLOCK = "<!-- {name} -->\n```json\n{content}\n```\n<!-- end of {name} -->"


def first_visit() -> dict[str, Any]:
    """The heating state of the example visit with its four static pressures only, as a first integration sends it."""
    visit: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "visit.json").read_text())
    state = next(state for state in visit["states"] if state["mode"] == "heating")
    readings = [
        {name: value for name, value in reading.items() if name in ("kind", "station", "value")}
        for reading in visit["readings"]
        if reading["kind"] == "static_pressure" and reading["state"] == state["id"]
    ]
    equipment = {
        name: visit["equipment"][name]
        for name in ("reference", "arrangement", "rated_maximum_external_static_pressure")
    }
    return {
        "job_reference": visit["job_reference"],
        "visited_at": visit["visited_at"],
        "site": visit["site"],
        "equipment": equipment,
        "states": [{"id": state["id"], "mode": state["mode"]}],
        "readings": readings,
    }


def answer() -> dict[str, Any]:
    """The whole answer to the first visit."""
    prepared = pipeline.working()
    request = msgspec.json.decode(json.dumps(first_visit()).encode(), type=EvaluationRequest)
    result = render.result(pipeline.evaluate(request, prepared), prepared.ruleset, prepared.units, "ip")
    decoded: dict[str, Any] = json.loads(msgspec.json.encode(result))
    return decoded


def excerpt(whole: dict[str, Any]) -> dict[str, Any]:
    """What README.md shows of the answer: the first finding with its first cause, and one of each list."""
    finding = whole["findings"][0]
    names = ("severity", "code", "title", "summary", "what_to_do", "certainty")
    shown = {name: finding[name] for name in names}
    shown["evidence"] = finding["evidence"][:1]
    shown["causes"] = [
        {name: finding["causes"][0][name] for name in ("rank", "title", "word", "belief", "evidence_for", "remedy")}
    ]
    external = next(q for q in whole["quantities"] if q["name"] == "external_static_pressure")
    return {
        "highest_severity": whole["highest_severity"],
        "findings": [shown],
        "quantities": [
            {name: external[name] for name in ("name", "value", "expanded_uncertainty", "coverage_factor", "method")}
        ],
        "not_judged": [
            {name: whole["not_judged"][0][name] for name in ("criterion", "reason", "detail")},
        ],
        "next_readings": [
            {name: whole["next_readings"][0][name] for name in ("procedure", "title", "expected_reduction", "cautions")}
        ],
        "cautions": whole["cautions"][:1],
        "ruleset": {"version": whole["ruleset"]["version"]},
    }


def quantity_table() -> str:
    """Every derived quantity with its meaning and method, from the vocabulary."""
    rules = pipeline.working().ruleset
    rows = ["<!-- quantities -->", "| quantity | what it is | how it is obtained |", "| --- | --- | --- |"]
    rows += [
        f"| {entry.title} (`{name}`) | {entry.meaning} | {entry.method} |" for name, entry in rules.quantities.items()
    ]
    return "\n".join([*rows, "<!-- end of quantities -->"])


def block(name: str, content: object) -> str:
    """A marked JSON block of README.md."""
    return BLOCK.format(name=name, content=json_text(content))


def json_text(content: object) -> str:
    """Indented JSON with each measure on one line."""
    text = json.dumps(content, indent=2, ensure_ascii=False)
    return re.sub(r'\{\s+("value": [^,{}]+),\s+("unit": "[^"]*")\s+\}', r"{\1, \2}", text)


def rewritten(text: str) -> str:
    """README.md with its marked blocks as the service makes them today."""
    made = {
        "request": block("request", first_visit()),
        "answer": block("answer", excerpt(answer())),
        "quantities": quantity_table(),
    }
    for name, content in made.items():
        pattern = re.compile(rf"<!-- {name} -->.*?<!-- end of {name} -->", re.DOTALL)
        text, count = pattern.subn(lambda _, content=content: content, text)  # type: ignore[misc]
        if count != 1:
            raise ValueError(f"README.md must have the block {name} once")
    return text


def main() -> None:
    EXAMPLE.write_text(json_text(first_visit()) + "\n")
    README.write_text(rewritten(README.read_text()))


if __name__ == "__main__":
    main()
