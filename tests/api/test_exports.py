"""Exports: the same evaluations as one by one, in forms that other programs read as they are meant."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import psycopg
import pytest
from litestar import Litestar
from litestar.testing import TestClient

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "visit.json"
NASTY = '=HYPERLINK("http://x.invalid";"a, b")\r\n+1'


@pytest.fixture(scope="module")
def exported(client: TestClient[Litestar], account: Callable[..., Any]) -> Any:
    """An account with three visits: the example, one of a client's worst words, and one judged by rules gone since."""
    someone = account()

    def post(visit: dict[str, Any]) -> str:
        created = client.post("/v1/evaluations", json=visit, headers=someone.full)
        assert created.status_code == 201, created.text
        return str(created.json()["id"])

    worst = json.loads(EXAMPLE.read_bytes())
    for reading in worst["readings"]:
        reading["area"] = NASTY
    return someone, [post(json.loads(EXAMPLE.read_bytes())), post(worst)]


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def export(client: TestClient[Litestar], someone: Any, query: str = "", accept: str = "text/csv", **more: str) -> Any:
    answer = client.get(f"/v1/evaluations/export?{query}", headers=someone.full | {"accept": accept} | more)
    assert answer.status_code == 200, answer.text
    return answer


def test_a_line_of_json_is_what_a_read_answers(client: TestClient[Litestar], exported: Any) -> None:
    someone, made = exported
    for units in ("ip", "si"):
        for spoken in ("en", "es"):
            fields = {"accept-language": spoken}
            answer = export(client, someone, f"units={units}", "application/x-ndjson", **fields)
            assert answer.headers["content-type"] == "application/x-ndjson"
            assert answer.headers["content-language"] == spoken
            alone = [
                client.get(f"/v1/evaluations/{one}?units={units}", headers=someone.full | fields).content + b"\n"
                for one in made[::-1]
            ]
            assert answer.content == b"".join(alone)


def test_every_quantity_finding_and_visit_is_a_row_with_the_numbers_of_the_answer(
    client: TestClient[Litestar], exported: Any
) -> None:
    someone, made = exported
    results = [client.get(f"/v1/evaluations/{one}", headers=someone.full).json()["result"] for one in made[::-1]]
    quantities = rows_of(export(client, someone, "rows=quantities").text)
    wanted = [
        (
            made[1 - place],
            one["name"],
            one["value"]["value"],
            one["expanded_uncertainty"]["value"],
            one["value"]["unit"],
        )
        for place, result in enumerate(results)
        for one in result["quantities"]
    ]
    assert [
        (row["evaluation_id"], row["quantity"], float(row["value"]), float(row["expanded_uncertainty"]), row["unit"])
        for row in quantities
    ] == wanted
    told = {(row["quantity"], verdict) for row in quantities for verdict in row["verdicts"].split("; ") if verdict}
    measured = [one for result in results for one in result["verdicts"] if "value" in one]
    assert told == {(one["quantity"], f"{one['criterion']}={one['verdict']}") for one in measured}

    findings = rows_of(export(client, someone, "rows=findings").text)
    assert [(row["evaluation_id"], row["finding"], row["severity"], row["summary"]) for row in findings] == [
        (made[1 - place], one["code"], one["severity"], one["summary"])
        for place, result in enumerate(results)
        for one in result["findings"]
    ]
    evaluations = rows_of(export(client, someone).text)
    assert [row["evaluation_id"] for row in evaluations] == made[::-1]
    for row, result in zip(evaluations, results, strict=True):
        counted = [int(row[f"{severity}_findings"]) for severity in ("hazard", "fault", "advisory", "note")]
        assert sum(counted) == len(result["findings"])
        assert row["highest_severity"] == result["highest_severity"]
        assert row["findings"].split() == list(dict.fromkeys(one["code"] for one in result["findings"]))


@pytest.mark.parametrize("rows", ["evaluations", "findings", "quantities"])
def test_csv_is_as_rfc_4180_has_it_and_runs_nothing(client: TestClient[Litestar], exported: Any, rows: str) -> None:
    """RFC 4180, 2: lines end in CRLF, each has as many fields, quotes are doubled. A client's formula is text."""
    someone, _ = exported
    answer = export(client, someone, f"rows={rows}")
    assert answer.headers["content-type"] == "text/csv; header=present; charset=utf-8"
    assert answer.headers["content-disposition"] == f'attachment; filename="{rows}.csv"'
    table = list(csv.reader(io.StringIO(answer.text, newline=""), strict=True))
    assert len({len(line) for line in table}) == 1
    assert len(table) > 2
    assert answer.text.endswith("\r\n")
    assert not [cell for line in table for cell in line if cell[:1] in {*"=+@\t\r"}]
    negative = [cell for line in table[1:] for cell in line if cell.startswith("-")]
    assert all(float(cell) < 0 for cell in negative)
    if rows != "evaluations":
        assert "'" + NASTY in {row["area"] for row in rows_of(answer.text)}


def test_an_export_is_narrowed_like_a_list(client: TestClient[Litestar], exported: Any) -> None:
    someone, made = exported
    first, second = made
    begun = client.get(f"/v1/evaluations/{second}", headers=someone.full).json()["created_at"]
    code = client.get(f"/v1/evaluations/{first}", headers=someone.full).json()["result"]["findings"][0]["code"]
    for query, ids in {
        f"created_from={quote(begun)}": [second],
        f"created_before={quote(begun)}": [first],
        f"finding={code}&minimum_severity=note": [second, first],
        "site_reference=nowhere": [],
    }.items():
        listed = client.get(f"/v1/evaluations?{query}", headers=someone.full).json()["items"]
        assert [item["id"] for item in listed] == ids
        assert [row["evaluation_id"] for row in rows_of(export(client, someone, query).text)] == ids
    assert export(client, someone, "site_reference=nowhere", "application/x-ndjson").content == b""


def test_what_was_corrected_is_exported_where_asked_for(
    client: TestClient[Litestar], account: Callable[..., Any]
) -> None:
    someone = account()
    visit = json.loads(EXAMPLE.read_bytes())
    first = client.post("/v1/evaluations", json=visit, headers=someone.full).json()["id"]
    body = {"reason": "read again", "visit": visit}
    second = client.post(f"/v1/evaluations/{first}/revisions", json=body, headers=someone.full).json()["id"]
    assert [row["evaluation_id"] for row in rows_of(export(client, someone).text)] == [second]
    both = rows_of(export(client, someone, "superseded=included").text)
    assert [(row["evaluation_id"], row["supersedes"], row["superseded_by"]) for row in both] == [
        (second, first, ""),
        (first, "", second),
    ]
    lines = export(client, someone, "superseded=included", "application/x-ndjson").content.splitlines()
    assert lines == [client.get(f"/v1/evaluations/{one}", headers=someone.full).content for one in (second, first)]


def test_another_accounts_are_not_exported(client: TestClient[Litestar], exported: Any, theirs: Any) -> None:
    _, made = exported
    for accept in ("text/csv", "application/x-ndjson"):
        text = export(client, theirs, "superseded=included", accept).text
        assert not any(one in text for one in made)


def test_what_is_refused_is_refused_before_anything_is_sent(client: TestClient[Litestar], exported: Any) -> None:
    someone, _ = exported
    for query in ("rows=none", "limit=5", "cursor=" + "A" * 32, "units=us", "minimum_severity=grave"):
        refused = client.get(f"/v1/evaluations/export?{query}", headers=someone.full)
        assert (refused.status_code, refused.headers["content-type"]) == (422, "application/problem+json")
    other = client.get("/v1/evaluations/export", headers=someone.full | {"accept": "application/xml"})
    assert other.status_code == 406
    assert client.get("/v1/evaluations/export", headers=someone.writing).status_code == 403
    head = client.head("/v1/evaluations/export", headers=someone.full)
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-type"] == "application/x-ndjson"  # where the client does not mind


def test_one_that_can_no_longer_be_read_is_told_and_the_others_go_on(
    client: TestClient[Litestar], database_url: str, account: Callable[..., Any], example: bytes
) -> None:
    someone = account()
    made = [client.post("/v1/evaluations", json=json.loads(example), headers=someone.full).json()["id"]]
    with psycopg.connect(database_url) as connection:
        for (tenant,) in connection.execute("SELECT tenant_id FROM airside.tenants").fetchall():
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
            connection.execute(
                "INSERT INTO airside.evaluations (tenant_id, evaluation_id, created_at, site_reference,"
                " ruleset_version, ruleset_digest, units, request, evaluation) SELECT tenant_id, uuidv7(), now(),"
                " 'gone', v, '', 'ip', request, convert_to(b, 'UTF8') FROM airside.evaluations e,"
                " LATERAL (VALUES ('0.0.1', '{}'), (e.ruleset_version, '[]')) AS w (v, b) WHERE evaluation_id = %s",
                (made[0],),
            )
    lines = [json.loads(line) for line in export(client, someone, accept="application/x-ndjson").content.splitlines()]
    assert lines[-1]["id"] == made[0]
    assert {line["problem"]["type"] for line in lines[:-1]} == {
        "/problems/ruleset_not_installed", "/problems/kept_visit_unreadable"
    }  # fmt: skip
    for line in lines[:-1]:
        alone = client.get(f"/v1/evaluations/{line['id']}", headers=someone.full)
        assert alone.status_code == line["problem"]["status"]
        assert alone.json()["type"] == line["problem"]["type"]
    for rows in ("evaluations", "findings", "quantities"):
        table = rows_of(export(client, someone, f"rows={rows}").text)
        assert [row["problem"] for row in table[:2]] == [
            line["problem"]["type"].rpartition("/")[2] for line in lines[:2]
        ]
        assert {row["site_reference"] for row in table[:2]} == {"gone"}
        assert {row["problem"] for row in table[2:]} == {""}
