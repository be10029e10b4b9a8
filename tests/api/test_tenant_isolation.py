"""Nothing of one account is shown to, changed by or confirmed to another: every operation of the contract, every table.

Operations, their parameters and bodies are read from the contract, tables from PostgreSQL's catalogue, so that what is
added later is tried too. A new parameter needs an entry in `OWNED` and in `Kept.ids`, or in `SHARED`; a new table
needs a row of the account in `kept`. Without them these tests fail.
"""

import json
import re
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import msgspec
import psycopg
import pytest
from litestar.testing import TestClient
from psycopg import sql

from service.store.database import new_id

EXAMPLE = (Path(__file__).parents[2] / "openapi" / "examples" / "visit.json").read_bytes()

Operation = tuple[str, str, dict[str, Any]]

OWNED = {
    "after",
    "before",
    "equipment_reference",
    "evaluation_id",
    "reassessment_id",
    "webhook_id",
    "delivery_id",
    "erasure_id",
    "key_id",
    "site_reference",
}
"""Parameters, of the path or UUIDs of the query, that name what an account keeps."""

SHARED = {"plot_name", "problem_code", "procedure_id", "version", "other", "rule_id"}
"""Parameters that name what belongs to no account."""

LAST = ("post", "put", "patch", "delete")
"""What changes something, in the order in which its owner tries it."""


class Kept(msgspec.Struct):
    """An account, what it keeps by path parameter, and what would betray any of it."""

    headers: dict[str, str]
    ids: dict[str, str]
    erased: str
    cursors: list[str]

    @property
    def marks(self) -> list[str]:
        return [*(mark for name, mark in self.ids.items() if name != "plot_name"), self.erased]


@pytest.fixture(scope="module")
def contract(client: TestClient[Any]) -> dict[str, Any]:
    return client.get("/openapi.json").json()


@pytest.fixture(scope="module")
def operations(contract: dict[str, Any]) -> list[Operation]:
    return [
        (method, path, operation)
        for path, item in contract["paths"].items()
        for method, operation in item.items()
        if method in ("get", *LAST)
    ]


def names_in(path: str) -> list[str]:
    return re.findall("{(.*?)}", path)


def names_of(operation: Operation) -> list[str]:
    """What an operation is told in its path, and the UUIDs that it is told in its query."""
    _, path, described = operation
    identifiers = [
        parameter["name"]
        for parameter in described.get("parameters", ())
        if parameter["in"] == "query" and parameter["schema"].get("format") == "uuid"
    ]
    return names_in(path) + identifiers


@pytest.fixture(scope="module")
def kept(client: TestClient[Any], account: Callable[..., Any], contract: dict[str, Any], database_server: Any) -> Kept:
    """An account that keeps something of every kind, of which no webhook reaches anybody."""
    headers = account("Invented Isolated Air").full
    marked = uuid.uuid4().hex
    references = {name: f"{name}-{marked}" for name in ("site_reference", "equipment_reference")}
    visit = json.loads(EXAMPLE) | {"job_reference": f"job-{marked}"}
    visit["site"] = visit.get("site", {}) | {"reference": references["site_reference"]}
    visit["equipment"] = visit.get("equipment", {}) | {"reference": references["equipment_reference"]}

    def made(path: str, body: Any, **more: str) -> Any:
        answer = client.post(path, json=body, headers={**headers, **more})
        assert answer.status_code in (200, 201, 202), (path, answer.text)
        return answer.json()

    webhook = made("/v1/webhooks", {"url": "https://dispatch.example.com/airside", "events": ["evaluation.created"]})
    erased = made("/v1/evaluations", visit)["id"]
    made("/v1/erasures", {"selection": {"kind": "evaluation", "evaluation_id": erased}, "reason": "asked for"})
    evaluations = [made("/v1/evaluations", visit, **{"idempotency-key": f"key-{marked}-{n}"})["id"] for n in range(2)]
    again = made(f"/v1/evaluations/{evaluations[0]}/reassessments", {})
    deliveries = client.get(f"/v1/webhooks/{webhook['id']}/deliveries", headers=headers).json()["items"]
    ids = references | {
        "evaluation_id": evaluations[0],
        "before": evaluations[0],
        "after": evaluations[1],
        "reassessment_id": again["id"],
        "webhook_id": webhook["id"],
        "delivery_id": deliveries[0]["id"],
        "erasure_id": client.get("/v1/erasures", headers=headers).json()["items"][0]["id"],
        "plot_name": client.get(f"/v1/evaluations/{evaluations[0]}/plots", headers=headers).json()["items"][0]["name"],
    }
    if "/v1/account/keys" in contract["paths"]:
        key = made("/v1/account/keys", {"label": f"label-{marked}", "scopes": ["evaluations:read"]})
        ids["key_id"] = key["key"]["id"] if "key" in key else key["id"]
    with psycopg.connect(database_server.superuser_url) as connection:
        connection.execute(
            "INSERT INTO airside.webhook_attempts (tenant_id, delivery_id, attempt, finished_at, milliseconds, status)"
            " SELECT tenant_id, delivery_id, 1, now(), 10, 503 FROM airside.webhook_deliveries WHERE delivery_id = %s",
            (ids["delivery_id"],),
        )
    page = client.get("/v1/evaluations", params={"limit": 1}, headers=headers).json()
    return Kept(headers=headers, ids=ids, erased=erased, cursors=[page["next_cursor"]])


@pytest.fixture
def stranger(account: Callable[..., Any]) -> dict[str, str]:
    """An account that keeps nothing."""
    return account("Made-up Curious Comfort").full


def never_was(name: str) -> str:
    return f"never-{uuid.uuid4().hex}" if name.endswith("_reference") else str(new_id())


def near(value: str) -> str:
    """The same but for its last character."""
    return value[:-1] + ("0" if value[-1] != "0" else "1")


def body_of(operation: dict[str, Any]) -> Any:
    """The first example of the body in the contract, if it has one."""
    if "requestBody" not in operation:
        return None
    content = operation["requestBody"]["content"]["application/json"]
    return next(iter(content["examples"].values()))["value"]


def send(client: TestClient[Any], operation: Operation, ids: dict[str, str], headers: dict[str, str]) -> Any:
    method, path, described = operation
    for name in names_in(path):
        path = path.replace(f"{{{name}}}", quote(ids[name], safe=""))
    for parameter in described.get("parameters", ()):
        if parameter["in"] == "query" and (parameter.get("required") or parameter["name"] in OWNED):
            value = ids[parameter["name"]] if parameter["name"] in OWNED else example_of(parameter)
            path += f"{'&' if '?' in path else '?'}{parameter['name']}={quote(value, safe='')}"
    body = body_of(described)
    more = {} if body is None else {"content-type": "application/json"}
    content = None if body is None else msgspec.json.encode(body)
    return client.request(method, path, content=content, headers={**headers, **more})


def example_of(parameter: dict[str, Any]) -> str:
    schema = parameter["schema"]
    return str(parameter.get("example") or schema.get("enum", schema.get("examples", ["external_static_pressure"]))[0])


def shape(answer: Any, ids: dict[str, str]) -> tuple[int, dict[str, Any], str]:
    """Status, header fields and body, without the names that were asked for, times and the request's own id."""
    text = answer.text.replace(answer.headers.get("x-request-id", "\0"), "REQUEST")
    for name, value in ids.items():
        text = text.replace(quote(value, safe=""), name).replace(value, name)
    text = re.sub(r'"request_id":\s*"[^"]*"', "", text)
    told: dict[str, Any] = {
        name: answer.headers.get(name, "") for name in ("content-type", "link", "location", "allow")
    }
    told["etag"] = "etag" in answer.headers  # it is a digest, and changes with the name asked for
    return answer.status_code, told, text


def owned(operations: list[Operation]) -> list[Operation]:
    return [operation for operation in operations if OWNED & set(names_of(operation))]


def test_every_parameter_that_names_something_is_known_to_be_owned_or_shared(
    operations: list[Operation], kept: Kept
) -> None:
    found = {name for operation in operations for name in names_of(operation)}
    assert found - OWNED - SHARED == set(), "say in OWNED or SHARED whose it is"
    assert found & OWNED - set(kept.ids) == set(), "make one in the fixture `kept`"


def test_every_body_can_be_sent(operations: list[Operation]) -> None:
    for operation in owned(operations):
        if "requestBody" in operation[2]:
            assert body_of(operation[2]) is not None, operation[1]


def test_what_another_keeps_is_answered_as_what_never_was_and_stays(
    client: TestClient[Any], operations: list[Operation], kept: Kept, stranger: dict[str, str]
) -> None:
    tried = owned(operations)
    reads = [operation for operation in tried if operation[0] == "get"]
    before = [send(client, operation, kept.ids, kept.headers) for operation in reads]
    for operation in tried:
        foreign = send(client, operation, kept.ids, stranger)
        absent_ids = kept.ids | {name: never_was(name) for name in OWNED & set(kept.ids)}
        absent = send(client, operation, absent_ids, stranger)
        assert shape(foreign, kept.ids) == shape(absent, absent_ids), operation[1]
        assert foreign.status_code in (200, 404), (operation[1], foreign.text)
        guessed_ids = kept.ids | {name: near(kept.ids[name]) for name in OWNED & set(kept.ids)}
        assert shape(send(client, operation, guessed_ids, stranger), guessed_ids) == shape(absent, absent_ids)
        # A part that is the stranger's business alone does not open the rest: one id of the owner, the others not.
        for name in OWNED & set(names_of(operation)):
            mixed_ids = absent_ids | {name: kept.ids[name]}
            assert shape(send(client, operation, mixed_ids, stranger), mixed_ids) == shape(absent, absent_ids)
    after = [send(client, operation, kept.ids, kept.headers) for operation in reads]
    for operation, first, then in zip(reads, before, after, strict=True):
        assert first.status_code == 200, (operation[1], first.text)
        assert shape(first, {}) == shape(then, {}), operation[1]


def test_an_erased_evaluation_is_known_to_its_owner_alone(
    client: TestClient[Any], operations: list[Operation], kept: Kept, stranger: dict[str, str]
) -> None:
    tried = [operation for operation in operations if "evaluation_id" in names_in(operation[1])]
    erased_ids = kept.ids | {"evaluation_id": kept.erased}
    absent_ids = kept.ids | {"evaluation_id": never_was("evaluation_id")}
    statuses = set()
    for operation in tried:
        statuses.add(send(client, operation, erased_ids, kept.headers).status_code)
        foreign, absent = (send(client, operation, ids, stranger) for ids in (erased_ids, absent_ids))
        assert shape(foreign, erased_ids) == shape(absent, absent_ids), operation[1]
    assert statuses == {410}


def test_lists_exports_and_filters_show_nothing_of_another(
    client: TestClient[Any], operations: list[Operation], kept: Kept, stranger: dict[str, str]
) -> None:
    values = {name: kept.ids[name] for name in ("site_reference", "equipment_reference")}
    values |= {"job_reference": kept.ids["site_reference"].replace("site_reference-", "job-"), "words": "invented"}
    filtered = set()
    for operation in operations:
        method, path, described = operation
        if method != "get" or OWNED & set(names_of(operation)) or not described.get("security", True):
            continue
        known = {parameter["name"] for parameter in described.get("parameters", ()) if parameter["in"] == "query"}
        queries: list[dict[str, str]] = [{}] + [{name: values[name]} for name in known & set(values)]
        queries += [{"cursor": cursor} for cursor in kept.cursors if "cursor" in known]
        filtered |= known & {*values, "cursor"}
        if set(names_in(path)) & SHARED:
            continue
        for query in queries:
            answer = client.get(path, params=query, headers=stranger)
            assert answer.status_code < 500
            assert not [mark for mark in kept.marks if mark in answer.text], (path, query)
    assert filtered >= {"site_reference", "equipment_reference", "job_reference", "words", "cursor"}
    listed = client.get("/v1/evaluations", params={"site_reference": values["site_reference"]}, headers=kept.headers)
    assert kept.ids["evaluation_id"] in listed.text


def test_ids_in_a_body_and_keys_of_repetition_reach_only_ones_own(
    client: TestClient[Any], kept: Kept, stranger: dict[str, str], example: bytes
) -> None:
    def erase(selection: dict[str, str]) -> Any:
        body = {"selection": selection, "reason": "curious"}
        return client.post("/v1/erasures", json=body, headers=stranger)

    for evaluation_id in (kept.ids["evaluation_id"], kept.erased):
        foreign, absent = (erase({"kind": "evaluation", "evaluation_id": i}) for i in (evaluation_id, str(new_id())))
        assert foreign.status_code == absent.status_code
        assert foreign.json().keys() == absent.json().keys()
        assert foreign.json().get("evaluations", 0) == 0
    nothing = erase({"kind": "site", "site_reference": kept.ids["site_reference"]})
    assert nothing.json().get("evaluations", 0) == 0
    key = kept.ids["site_reference"].replace("site_reference-", "key-") + "-0"
    headers = {**stranger, "idempotency-key": key, "content-type": "application/json"}
    made = client.post("/v1/evaluations", content=example, headers=headers)
    assert made.status_code == 201
    assert not [mark for mark in kept.marks if mark in made.text]
    read = client.get(f"/v1/evaluations/{kept.ids['evaluation_id']}", headers=kept.headers)
    assert read.status_code == 200


@pytest.fixture
def tables(database_server: Any) -> Iterator[tuple[psycopg.Connection[Any], list[str]]]:
    """A superuser's connection, and every table that has rows of tenants."""
    with psycopg.connect(database_server.superuser_url) as connection:
        found = connection.execute(
            "SELECT c.relname FROM pg_catalog.pg_class c JOIN pg_catalog.pg_attribute a ON a.attrelid = c.oid"
            " WHERE c.relnamespace = 'airside'::regnamespace AND c.relkind IN ('r', 'p') AND a.attname = 'tenant_id'"
            " ORDER BY c.relname"
        ).fetchall()
        yield connection, [row[0] for row in found]


def test_every_table_belongs_to_tenants_and_is_bound_to_one(tables: Any) -> None:
    connection, names = tables
    every = connection.execute(
        "SELECT relname, relrowsecurity, relforcerowsecurity FROM pg_catalog.pg_class"
        " WHERE relnamespace = 'airside'::regnamespace AND relkind IN ('r', 'p', 'v', 'm', 'f')"
    ).fetchall()
    assert {row[0] for row in every} - set(names) == {"revision"}, "a table or view without tenant_id"
    assert [row for row in every if row[0] != "revision" and not (row[1] and row[2])] == []
    for name in names:
        policies = connection.execute(
            "SELECT policyname, cmd, replace(qual, ' ', ''), with_check FROM pg_catalog.pg_policies"
            " WHERE schemaname = 'airside' AND tablename = %s AND (roles && '{public,airside_app}'::name[])",
            (name,),
        ).fetchall()
        qual = "(tenant_id=(NULLIF(current_setting('airside.tenant'::text,true),''::text))::uuid)"
        assert policies == [("own_rows", "ALL", qual, None)], name


def test_as_another_tenant_no_row_is_read_added_changed_or_removed(
    tables: Any, kept: Kept, account: Callable[..., Any], database_server: Any
) -> None:
    connection, names = tables
    (owner,) = connection.execute(
        "SELECT tenant_id FROM airside.evaluations WHERE evaluation_id = %s", (kept.ids["evaluation_id"],)
    ).fetchone()
    account("Made-up Other")
    (other,) = connection.execute("SELECT tenant_id FROM airside.tenants WHERE name = 'Made-up Other'").fetchone()

    def rows(table: str, tenant: Any = owner) -> list[Any]:
        query = sql.SQL("SELECT to_jsonb(t) FROM airside.{} t WHERE tenant_id = %s ORDER BY 1")
        return [row[0] for row in connection.execute(query.format(sql.Identifier(table)), (tenant,))]

    for table in names:
        before = rows(table)
        assert before, f"the fixture `kept` makes no row of {table}"
        ones_own = len(rows(table, other))
        connection.commit()
        columns = [
            row[0]
            for row in connection.execute(
                "SELECT attname FROM pg_catalog.pg_attribute WHERE attrelid = %s::regclass AND attnum > 0"
                " AND NOT attisdropped AND attgenerated = ''",
                (f"airside.{table}",),
            )
        ]
        connection.commit()
        named = sql.SQL(", ").join(map(sql.Identifier, columns))
        here = sql.Identifier(table)
        tries = [sql.SQL("DELETE FROM airside.{}").format(here)]
        tries += [sql.SQL("UPDATE airside.{} SET {c} = {c}").format(here, c=sql.Identifier(c)) for c in columns]
        tries += [sql.SQL("SELECT {} FROM airside.{}").format(sql.Identifier(c), here) for c in columns]
        for query in tries:
            with psycopg.connect(database_server.database_url) as asking:
                asking.execute("SET ROLE airside_app")
                asking.execute("SELECT set_config('airside.tenant', %s, true)", (str(other),))
                try:
                    touched = asking.execute(query).rowcount
                except psycopg.errors.InsufficientPrivilege:
                    touched = 0
                asking.rollback()
            assert touched in (0, ones_own), query.as_string(connection)
        insert = sql.SQL(
            "INSERT INTO airside.{t} ({c}) SELECT {c} FROM jsonb_populate_record(NULL::airside.{t}, %s)"
        ).format(t=here, c=named)
        with psycopg.connect(database_server.database_url) as asking:
            asking.execute("SET ROLE airside_app")
            asking.execute("SELECT set_config('airside.tenant', %s, true)", (str(other),))
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                asking.execute(insert, (json.dumps(before[0]),))
            asking.rollback()
        assert rows(table) == before, table
        connection.commit()


def test_owners_can_do_what_strangers_could_not(
    client: TestClient[Any], operations: list[Operation], kept: Kept
) -> None:
    """The requests refused above are good ones: the owner's are not answered 404. This removes, so it is last."""
    tried = sorted(
        (operation for operation in owned(operations) if operation[0] != "get"), key=lambda o: LAST.index(o[0])
    )
    assert tried
    for operation in tried:
        answer = send(client, operation, kept.ids, kept.headers)
        assert answer.status_code in (200, 201, 202, 204, 409), (operation[1], answer.text)
