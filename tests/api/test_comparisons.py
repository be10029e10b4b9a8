"""Comparisons over HTTP: two kept visits to one invented equipment, before and after a new filter."""

from __future__ import annotations

import copy
import csv
import re
from collections.abc import Callable
from typing import Any

import jsonschema_rs
import msgspec
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api.contract import contract
from service.pipeline import Rulebook
from service.wire import comparison
from tests.visits.history_faults import VISITS

Visit = dict[str, Any]
Keep = Callable[..., str]


def pair(reference: str = "compared-house") -> tuple[Visit, Visit]:
    request = next(visit for visit in VISITS if visit.id == "filter_changed_1600_m").request()
    before = request.pop("earlier_visits")[-1]
    for visit in (before, request):
        visit["equipment"]["reference"] = reference
    return before, request


@pytest.fixture(scope="module")
def keep(client: TestClient[Litestar], ours: Any) -> Keep:
    def send(visit: Visit, path: str = "/v1/evaluations") -> str:
        answer = client.post(
            path, content=msgspec.json.encode(visit), headers={"content-type": "application/json", **ours.full}
        )
        assert answer.status_code == 201, answer.text
        return str(answer.json()["id"])

    return send


@pytest.fixture(scope="module")
def kept(keep: Keep) -> tuple[str, str]:
    before, after = pair()
    return keep(before), keep(after)


def address(before: str, after: str, more: str = "") -> str:
    return f"/v1/comparisons?before={before}&after={after}{more}"


def test_a_new_filter_is_proven(
    client: TestClient[Litestar], ours: Any, kept: tuple[str, str], rulebook: Rulebook
) -> None:
    answer = client.get(address(*kept, "&units=si"), headers=ours.reading)
    assert answer.status_code == 200
    found = answer.json()
    schema = {
        "$ref": "#/components/schemas/VisitComparisonView",
        "components": contract(rulebook.decoder())["components"],
    }
    jsonschema_rs.Draft202012Validator(schema, validate_formats=True).validate(found)
    assert (found["before"]["evaluation_id"], found["after"]["evaluation_id"]) == kept
    assert (found["verdict"]["verdict"], found["equipment_reference"]) == ("proven", "compared-house")
    assert (found["work_done"], found["notes"], found["unmatched"]) == (["filter_replaced"], [], [])
    (work,) = found["verdict"]["works"]
    assert work["deciding"][0]["probability"] >= work["needed"] == 0.95
    context = next(entry for entry in found["contexts"] if "whole_house" not in entry["context"])
    drop = next(entry for entry in context["quantities"] if entry["name"] == "filter_pressure_drop")
    assert (drop["moved"], drop["turn"], drop["basis"]) == ("fell", "better", "at_equal_flow_and_density")
    assert drop["difference"]["value"] == pytest.approx(drop["after"]["value"] - drop["before"]["value"], rel=1e-3)
    assert context["reference_density"]["unit"] == "kg/m3"
    assert found["cautions"]
    assert found["disclaimer"]


def test_it_is_answered_again_only_where_it_differs(
    client: TestClient[Litestar], ours: Any, kept: tuple[str, str]
) -> None:
    first = client.get(address(*kept), headers=ours.reading)
    held = {"if-none-match": first.headers["etag"], **ours.reading}
    assert client.get(address(*kept), headers=held).status_code == 304
    assert client.get(address(*kept, "&units=si"), headers=held).status_code == 200


def test_in_spanish(client: TestClient[Litestar], ours: Any, kept: tuple[str, str], rulebook: Rulebook) -> None:
    spanish = client.get(address(*kept), headers={"accept-language": "es", **ours.reading})
    assert spanish.headers["content-language"] == "es"
    summary = spanish.json()["verdict"]["summary"]
    assert summary == "Las lecturas muestran que el trabajo tuvo el efecto para el que se hizo."
    speech = rulebook.current.languages["es"]
    said = [
        text
        for texts in (
            comparison.NOT_COMPARABLE_BECAUSE, comparison.FATE_IN_WORDS, comparison.VERDICT_IN_WORDS,
            comparison.REASONS_IN_WORDS,
        )
        for text in texts.values()
    ]  # fmt: skip
    said += [comparison.RULE_OF_DECISION, comparison.NO_REFERENCE, comparison.CORRECTED, comparison.JUDGED_BY_OTHERS]
    assert [text for text in said if not speech.knows(text)] == []


def test_what_is_no_pair_of_visits_is_refused(
    client: TestClient[Litestar], ours: Any, keep: Keep, kept: tuple[str, str]
) -> None:
    before, after = pair("another-house")
    other = keep(after)
    corrected = keep({"visit": after, "reason": "invented"}, f"/v1/evaluations/{other}/revisions")
    for one, two, said in (
        (kept[0], kept[0], "same evaluation"),
        (kept[1], kept[0], "before the visit"),
        (kept[0], other, "different equipment"),
        (other, corrected, "corrects"),
    ):
        problem = client.get(address(one, two), headers=ours.reading)
        assert (problem.status_code, problem.json()["type"]) == (409, "/problems/visits_not_comparable")
        assert said in problem.json()["detail"]
    found = client.get(address(keep(before), other), headers=ours.reading).json()
    assert found["notes"] == [comparison.CORRECTED]


def test_equipment_that_is_not_named_is_noted(
    client: TestClient[Litestar], ours: Any, keep: Keep, kept: tuple[str, str]
) -> None:
    nameless = copy.deepcopy(pair()[1])
    del nameless["equipment"]["reference"]
    found = client.get(address(kept[0], keep(nameless)), headers=ours.reading).json()
    assert found["notes"] == [comparison.NO_REFERENCE]


def test_another_accounts_visit_looks_like_none(
    client: TestClient[Litestar], ours: Any, theirs: Any, kept: tuple[str, str]
) -> None:
    assert client.get(address(*kept), headers=theirs.reading).status_code == 404
    unknown = "00000000-0000-0000-0000-000000000000"
    assert client.get(address(kept[0], unknown), headers=ours.reading).status_code == 404


@pytest.mark.parametrize("query", ["", "?before=x&after=y", "?before=1", "?odd=1"])
def test_a_query_that_does_not_fit_is_refused(client: TestClient[Litestar], ours: Any, query: str) -> None:
    assert client.get(f"/v1/comparisons{query}", headers=ours.reading).status_code == 422


# In writing ------------------------------------------------------------------------------------------------------


def document(before: str, after: str, more: str = "") -> str:
    return address(before, after, more).replace("/v1/comparisons?", "/v1/comparisons/document?")


@pytest.mark.parametrize(
    ("accept", "more", "media", "begins"),
    [
        ("text/html", "", "text/html; charset=utf-8", b"<!doctype html>"),
        ("application/pdf", "&reader=office", "application/pdf", b"%PDF"),
        ("text/plain", "&reader=technician", "text/plain; charset=utf-8", b"Two visits compared: findings"),
        ("text/csv", "", "text/csv; charset=utf-8", b"before_evaluation_id,after_evaluation_id,"),
        ("*/*", "&format=text&paper=a4", "text/plain; charset=utf-8", b"What changed between our two visits"),
    ],
)
def test_a_comparison_in_writing(
    client: TestClient[Litestar],
    ours: Any,
    kept: tuple[str, str],
    accept: str,
    more: str,
    media: str,
    begins: bytes,
) -> None:
    answer = client.get(document(*kept, more), headers={"accept": accept, **ours.reading})
    assert (answer.status_code, answer.headers["content-type"]) == (200, media)
    assert answer.content.startswith(begins)
    name = rf'inline; filename="airside-comparison-[a-z]+-{kept[0][:13]}-{kept[1][:13]}\.(html|pdf|txt|csv)"'
    assert re.fullmatch(name, answer.headers["content-disposition"])
    held = {"accept": accept, "if-none-match": answer.headers["etag"], **ours.reading}
    assert client.get(document(*kept, more), headers=held).status_code == 304


def test_what_is_written_is_what_the_comparison_says(
    client: TestClient[Litestar], ours: Any, kept: tuple[str, str]
) -> None:
    found = client.get(address(*kept, "&units=si"), headers=ours.reading).json()
    rows = list(csv.DictReader(client.get(document(*kept, "&units=si&format=csv"), headers=ours.reading).iter_lines()))
    said = [(q["name"], q["moved"], q["difference"]["value"]) for c in found["contexts"] for q in c["quantities"]]
    written = [(r["quantity"], r["moved"], float(r["difference"])) for r in rows if not r["not_comparable_because"]]
    assert written == said
    assert {(r["before_evaluation_id"], r["after_evaluation_id"]) for r in rows} == {kept}
    office = client.get(document(*kept, "&reader=office&format=text"), headers=ours.reading).text
    for told in (*kept, found["ruleset"]["digest"], f"Verdict: {found['verdict']['verdict']}", "filter_replaced |"):
        assert told in office
    kept_by = [found[visit]["ruleset"]["version"] for visit in ("before", "after")]
    assert f"Kept as judged by: {', '.join(kept_by)}" in office
    page = client.get(document(*kept, "&reader=technician"), headers=ours.reading)
    assert page.text.count("<svg") == page.text.count("<desc>") == 2
    assert "default-src 'none'" in page.headers["content-security-policy"]
    spanish = client.get(document(*kept, "&format=text"), headers={"accept-language": "es", **ours.reading})
    assert spanish.headers["content-language"] == "es"
    assert spanish.text.startswith("Qu\u00e9 cambi\u00f3 entre nuestras dos visitas")


def test_refusals_of_a_document(client: TestClient[Litestar], ours: Any, theirs: Any, kept: tuple[str, str]) -> None:
    for asked, headers, status in (
        (document(*kept), {**ours.reading, "accept": "image/png"}, 406),
        (document(*kept, "&reader=neighbour"), ours.reading, 422),
        ("/v1/comparisons/document", ours.reading, 422),
        (document(*kept), theirs.reading, 404),
        (document(*kept), ours.writing, 403),
        (document(kept[1], kept[0]), ours.reading, 409),
    ):
        answer = client.get(asked, headers=headers)
        assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")


def test_a_corrected_visit_is_noted_in_plain_words(client: TestClient[Litestar], ours: Any, keep: Keep) -> None:
    before, after = (keep(visit) for visit in pair("corrected-house"))
    keep({"visit": pair("corrected-house")[1], "reason": "invented"}, f"/v1/evaluations/{after}/revisions")
    text = client.get(document(before, after, "&format=text"), headers=ours.reading).text
    assert "One of the two visits has been corrected since." in " ".join(text.split())
