"""Nothing of one account is shown to, changed by or confirmed to another: every operation of the contract, every table.

Operations, their parameters and bodies are read from the contract, tables from PostgreSQL's catalogue, so that what is
added later is tried too, or fails here until it is told what it is:

- a parameter or a field of a body that names something: `OWNED` (and `Keeping.keep` makes one), `BY_OWN_TEXT`,
  `SHARED` or `PLAIN`;
- an operation that changes something without naming anything: `ALONE`;
- a list in pages: `Keeping.keep` makes two of its items;
- a request that may be sent again: `Keeping.keep` sends it with a key;
- a table: `Keeping.keep` makes a row of it.
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

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
VISIT: dict[str, Any] = json.loads((EXAMPLES / "visit.json").read_bytes())
OUTCOME: dict[str, Any] = json.loads((EXAMPLES / "outcomes" / "repaired.json").read_bytes())
SETTINGS: dict[str, Any] = json.loads((EXAMPLES / "account_settings" / "letterhead_and_limits.json").read_bytes())

Operation = tuple[str, str, dict[str, Any]]

OWNED = {
    "after",
    "before",
    "equipment_reference",
    "evaluation_id",
    "reassessment_id",
    "outcome_id",
    "webhook_id",
    "delivery_id",
    "erasure_id",
    "key_id",
    "site_reference",
}
"""Parameters, of the path or UUIDs of the query, that name what an account keeps."""

SHARED = {"plot_name", "problem_code", "procedure_id", "version", "other", "rule_id"}
"""Parameters of the path that name what belongs to no account."""

BY_OWN_TEXT = {"site_reference", "equipment_reference", "job_reference", "words"}
"""Parameters of a query that narrow a list by what a client wrote; two accounts may well have written the same."""

PLAIN = {
    "against",
    "answer",
    "area",
    "created_before",
    "created_from",
    "criterion",
    "cursor",
    "finding",
    "format",
    "limit",
    "minimum_severity",
    "paper",
    "quantity",
    "reader",
    "rows",
    "rule",
    "ruleset",
    "ruleset_version",
    "since",
    "state",
    "superseded",
    "units",
    "visited_before",
    "visited_from",
}
"""Parameters of a query that name nothing of an account."""

IN_BODIES = {("create_erasure", "evaluation_id"), ("create_erasure", "site_reference")}
"""Fields of bodies that name what an account keeps; tried in a test of their own."""

ALONE = {
    "create_erasure",
    "create_evaluation",
    "create_evaluations",
    "create_key",
    "create_webhook",
    "preview_evaluation",
    "project_changes",
    "put_account",
    "settle_reading",
}
"""Operations that change or work something out, and name nothing that is kept."""

LAST = ("post", "put", "patch", "delete")
"""What changes something, in the order in which its owner tries it."""


class Kept(msgspec.Struct):
    """An account, what it keeps by the parameter that names it, and what would betray any of it."""

    headers: dict[str, str]
    ids: dict[str, str]
    erased: str
    marks: list[str]
    sent: dict[str, tuple[str, bytes, str]]
    """Requests with a key: of each operation the path, body and key."""


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


def query_of(operation: Operation) -> list[dict[str, Any]]:
    return [parameter for parameter in operation[2].get("parameters", ()) if parameter["in"] == "query"]


def names_of(operation: Operation) -> list[str]:
    """What an operation is told in its path, and the UUIDs that it is told in its query."""
    return names_in(operation[1]) + [p["name"] for p in query_of(operation) if p["schema"].get("format") == "uuid"]


def secured(operation: Operation) -> bool:
    return bool(operation[2].get("security"))


def owned(operations: list[Operation]) -> list[Operation]:
    return [operation for operation in operations if secured(operation) and OWNED & set(names_of(operation))]


def paged(operations: list[Operation]) -> list[Operation]:
    return [operation for operation in operations if "cursor" in {p["name"] for p in query_of(operation)}]


class Keeping:
    """Makes accounts that keep something of every kind. They write the same references, words and keys of repetition;
    their ids, notes and labels are their own."""

    def __init__(
        self, client: TestClient[Any], account: Callable[..., Any], operations: list[Operation], superuser_url: str
    ) -> None:
        self._client, self._account = client, account
        self._operations = {operation["operationId"]: (method, path) for method, path, operation in operations}
        self._superuser_url = superuser_url
        self.common = f"common{uuid.uuid4().hex}"
        self.shared = {
            "site_reference": f"site-{self.common}",
            "equipment_reference": f"equipment-{self.common}",
            "job_reference": f"job-{self.common}",
            "words": self.common,
        }

    def visit(self, label: str) -> dict[str, Any]:
        """The example with the references that all write."""
        equipment = {
            **VISIT["equipment"],
            "reference": self.shared["equipment_reference"],
            "label": f"{self.common} {label}",
        }
        return {
            **VISIT,
            "job_reference": self.shared["job_reference"],
            "site": {**VISIT["site"], "reference": self.shared["site_reference"]},
            "equipment": equipment,
        }

    def keep(self, name: str) -> Kept:
        headers = self._account(name).full
        mark = f"private{uuid.uuid4().hex}"
        ids = {name: self.shared[name] for name in ("site_reference", "equipment_reference")}
        sent: dict[str, tuple[str, bytes, str]] = {}

        def made(operation_id: str, body: Any, *, key: str = "") -> Any:
            path = filled(self._operations[operation_id][1], ids)
            content = msgspec.json.encode(body)
            more = {"content-type": "application/json"} | ({"idempotency-key": key} if key else {})
            if key:
                sent[operation_id] = (self._operations[operation_id][1], content, key)
            method = self._operations[operation_id][0]
            answer = self._client.request(method, path, content=content, headers={**headers, **more})
            assert answer.status_code in (200, 201, 202), (path, answer.text)
            return answer.json()

        def key(operation_id: str) -> str:
            return f"{self.common}-{operation_id}"

        target = {"url": "https://dispatch.example.com/airside", "label": mark}
        ids["webhook_id"] = made("create_webhook", target | {"events": ["evaluation.created"]})["id"]
        erased = made("create_evaluation", self.visit(mark))["id"]
        for selection in (
            {"kind": "evaluation", "evaluation_id": erased},
            {"kind": "site", "site_reference": f"nowhere-{mark}"},
        ):
            ids["erasure_id"] = made("create_erasure", {"selection": selection, "reason": mark})["id"]
        visit = self.visit(mark)
        evaluation = made("create_evaluation", visit, key=key("create_evaluation"))["id"]
        ids["evaluation_id"] = made("create_evaluation", visit | {"units": "si"})["id"]
        again = made("create_revision", {"reason": mark, "visit": visit}, key=key("create_revision"))["id"]
        ids["evaluation_id"] = ids["before"] = evaluation
        ids["after"] = again
        for n in range(2):
            reassessed = made("create_reassessment", {}, key=f"{key('create_reassessment')}-{n}")
            ids["reassessment_id"] = reassessed["id"]
            report = made("create_outcome", OUTCOME | {"note": mark}, key=f"{key('create_outcome')}-{n}")
            ids["outcome_id"] = report["id"]
            settings = SETTINGS | {"limit_overrides": [], "letterhead": {"company_name": f"{mark} {n}"}}
            made("put_account", settings)
        ids["key_id"] = made("create_key", {"label": mark, "scopes": ["evaluations:read"]})["key"]["id"]
        line = {"idempotency_key": key("create_evaluations"), "visit": visit}
        path = self._operations["create_evaluations"][1]
        content = msgspec.json.encode(line)
        sent["create_evaluations"] = (path, content, line["idempotency_key"])
        batch = self._client.post(
            path, content=content, headers={**headers, "content-type": "application/x-ndjson"}
        ).json()
        assert batch["status"] == 201, batch
        deliveries = self._get(f"/v1/webhooks/{ids['webhook_id']}/deliveries", headers)["items"]
        ids["delivery_id"] = deliveries[0]["id"]
        ids["plot_name"] = self._get(f"/v1/evaluations/{evaluation}/plots", headers)["items"][0]["name"]
        with psycopg.connect(self._superuser_url) as connection:  # no webhook of a test reaches anybody
            connection.execute(
                "INSERT INTO airside.webhook_attempts (tenant_id, delivery_id, attempt, finished_at, milliseconds,"
                " status) SELECT tenant_id, delivery_id, 1, now(), 10, 503 FROM airside.webhook_deliveries"
                " WHERE delivery_id = %s",
                (ids["delivery_id"],),
            )
        marks = [value for name, value in ids.items() if name not in ("plot_name", *self.shared)]
        return Kept(headers=headers, ids=ids, erased=erased, marks=[*marks, erased, batch["id"], mark], sent=sent)

    def _get(self, path: str, headers: dict[str, str]) -> Any:
        return self._client.get(path, headers=headers).json()


@pytest.fixture(scope="module")
def keeping(
    client: TestClient[Any], account: Callable[..., Any], operations: list[Operation], database_server: Any
) -> Keeping:
    return Keeping(client, account, operations, database_server.superuser_url)


@pytest.fixture(scope="module")
def kept(keeping: Keeping) -> Kept:
    """Whose things others are after."""
    return keeping.keep("Invented Isolated Air")


@pytest.fixture(scope="module")
def alike(keeping: Keeping) -> Kept:
    """Another account, which has written all the same."""
    return keeping.keep("Invented Alike Air")


@pytest.fixture
def stranger(account: Callable[..., Any]) -> dict[str, str]:
    """An account that keeps nothing."""
    return account("Made-up Curious Comfort").full


def never_was(name: str) -> str:
    return f"never-{uuid.uuid4().hex}" if name.endswith("_reference") else str(new_id())


def near(value: str) -> str:
    """The same but for its last character."""
    return value[:-1] + ("0" if value[-1] != "0" else "1")


def body_of(operation: dict[str, Any]) -> tuple[bytes | None, str]:
    """The first example of the body in the contract, if it has one, and its media type."""
    for media, content in operation.get("requestBody", {}).get("content", {}).items():
        if "examples" in content:
            value = next(iter(content["examples"].values()))["value"]
        else:
            value = content["example"]
        return (value.encode() if isinstance(value, str) else msgspec.json.encode(value)), media
    return None, ""


def filled(path: str, ids: dict[str, str]) -> str:
    for name in names_in(path):
        path = path.replace(f"{{{name}}}", quote(ids[name], safe=""))
    return path


def send(client: TestClient[Any], operation: Operation, ids: dict[str, str], headers: dict[str, str]) -> Any:
    method, path, described = operation
    query = {}
    for parameter in query_of(operation):
        if parameter["name"] in names_of(operation):
            query[parameter["name"]] = ids[parameter["name"]]
        elif parameter.get("required"):
            query[parameter["name"]] = example_of(parameter)
    content, media = body_of(described)
    more = {} if content is None else {"content-type": media}
    return client.request(method, filled(path, ids), params=query, content=content, headers={**headers, **more})


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


def betrayed(answer: Any, kept: Kept) -> list[str]:
    """Marks of an account in an answer or its header fields."""
    told = answer.text + repr(answer.headers)
    return [mark for mark in kept.marks if mark in told]


def fields_of(schema: Any, contract: dict[str, Any], seen: frozenset[str] = frozenset()) -> Iterator[str]:
    """Names of all fields at any depth."""
    if isinstance(schema, list):
        for part in schema:
            yield from fields_of(part, contract, seen)
    elif isinstance(schema, dict):
        if (name := schema.get("$ref", "").rpartition("/")[2]) and name not in seen:
            yield from fields_of(contract["components"]["schemas"][name], contract, seen | {name})
        yield from schema.get("properties", ())
        for keyword, part in schema.items():
            if keyword not in ("example", "examples", "enum", "const"):
                yield from fields_of(part, contract, seen)


# What must be told here of whatever is new ------------------------------------------------------------------------


def test_every_parameter_is_known_for_what_it_names(operations: list[Operation], kept: Kept) -> None:
    found = {name for operation in operations for name in names_of(operation)}
    assert found - OWNED - SHARED == set(), "say in OWNED or SHARED whose it is"
    assert found & OWNED - set(kept.ids) == set(), "make one in Keeping.keep"
    asked = {parameter["name"] for operation in filter(secured, operations) for parameter in query_of(operation)}
    assert asked - OWNED - BY_OWN_TEXT - PLAIN == set(), "say in OWNED, BY_OWN_TEXT or PLAIN what it names"
    assert (OWNED | SHARED | BY_OWN_TEXT | PLAIN) - found - asked == set(), "no operation has it any more"


def test_every_field_of_a_body_that_names_something_is_known(
    operations: list[Operation], contract: dict[str, Any]
) -> None:
    found = {
        (operation["operationId"], field)
        for _, _, operation in operations
        for content in operation.get("requestBody", {}).get("content", {}).values()
        for field in fields_of(content["schema"], contract)
        if field in OWNED or field.endswith("_id")
    }
    assert found == IN_BODIES


def test_every_operation_is_tried(operations: list[Operation]) -> None:
    changing = {operation[2]["operationId"]: operation for operation in operations if operation[0] != "get"}
    assert [name for name, operation in changing.items() if not secured(operation)] == []
    without_names = {name for name, operation in changing.items() if not OWNED & set(names_of(operation))}
    assert without_names == ALONE
    bodiless = {name for name, operation in changing.items() if body_of(operation[2])[0] is None}
    assert {name for name in bodiless if "requestBody" in changing[name][2]} == set(), "an example is what is sent"


def test_every_request_that_may_be_sent_again_was(operations: list[Operation], kept: Kept) -> None:
    repeatable = {
        operation["operationId"]
        for _, _, operation in operations
        if "Idempotency-Key" in {parameter["name"] for parameter in operation.get("parameters", ())}
    }
    assert repeatable | {"create_evaluations"} == set(kept.sent)


# Answers ----------------------------------------------------------------------------------------------------------


def test_without_a_key_nothing_of_an_account_is_told(
    client: TestClient[Any], operations: list[Operation], kept: Kept
) -> None:
    for operation in operations:
        if secured(operation):
            answer = send(client, operation, kept.ids, {})
            assert answer.status_code == 401, operation[1]
            assert not betrayed(answer, kept)


def test_what_needs_no_key_is_the_same_for_all(
    client: TestClient[Any], operations: list[Operation], contract: dict[str, Any], kept: Kept
) -> None:
    for operation in operations:
        if not secured(operation) and not names_of(operation):
            answers = [client.get(operation[1], headers=headers) for headers in ({}, kept.headers)]
            assert answers[0].content == answers[1].content, operation[1]
            assert not betrayed(answers[1], kept)


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
    after = [send(client, operation, kept.ids, kept.headers) for operation in reads]
    for operation, first, then in zip(reads, before, after, strict=True):
        assert first.status_code == 200, (operation[1], first.text)
        assert shape(first, {}) == shape(then, {}), operation[1]


def test_ones_own_does_not_open_what_is_anothers_beside_it(
    client: TestClient[Any], operations: list[Operation], kept: Kept, alike: Kept
) -> None:
    tried = set()
    for operation in owned(operations):
        names = OWNED & set(names_of(operation))
        for name in names if len(names) > 1 else ():
            own = send(client, operation, alike.ids, alike.headers) if operation[0] == "get" else None
            assert own is None or own.status_code == 200, (operation[1], own.text)
            mixed, absent = (alike.ids | {name: value} for value in (kept.ids[name], never_was(name)))
            answer = send(client, operation, mixed, alike.headers)
            assert shape(answer, mixed) == shape(send(client, operation, absent, alike.headers), absent), operation[1]
            assert answer.status_code == 404, (operation[1], name)
            tried.add(operation[2]["operationId"])
    assert tried >= {"compare_evaluations", "get_reassessment", "get_outcome", "replay_webhook_delivery"}


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


def test_reads_show_nothing_of_another_who_wrote_the_same(
    client: TestClient[Any], operations: list[Operation], keeping: Keeping, kept: Kept, alike: Kept
) -> None:
    """Lists, exports, timelines, trends and records, whole and narrowed by every text that both accounts wrote."""
    narrowed = set()
    for operation in filter(secured, operations):
        if operation[0] != "get":
            continue
        known = {parameter["name"] for parameter in query_of(operation)} & BY_OWN_TEXT
        narrowed |= known
        whole = send(client, operation, alike.ids, alike.headers)
        assert whole.status_code == 200, (operation[1], whole.text)
        assert not betrayed(whole, kept), operation[1]
        for name in known:
            answer = client.get(operation[1], params={name: keeping.shared[name]}, headers=alike.headers)
            assert betrayed(answer, alike), (operation[1], name)
            assert not betrayed(answer, kept), (operation[1], name)
    assert narrowed == BY_OWN_TEXT
    for media in ("text/csv", "application/x-ndjson"):
        answer = client.get("/v1/evaluations/export", headers={**alike.headers, "accept": media})
        assert betrayed(answer, alike)
        assert not betrayed(answer, kept)


def test_counts_are_of_ones_own(client: TestClient[Any], kept: Kept, alike: Kept, stranger: dict[str, str]) -> None:
    """Both have kept as many visits of one site, and have reported as much; nobody's add up."""
    equipment = f"/v1/equipment/{kept.ids['equipment_reference']}"
    trend = f"{equipment}/trends?quantity=external_static_pressure"
    for whose, visits, reports in ((kept, 3, 1), (alike, 3, 1)):
        for path in (f"/v1/sites/{whose.ids['site_reference']}/timeline", f"{equipment}/timeline"):
            assert len(client.get(path, headers=whose.headers).json()["items"]) == visits
        assert client.get(trend, headers=whose.headers).json()["visits_read"] == visits
        (rule,) = client.get(f"/v1/outcomes/rules?rule={OUTCOME['finding']}", headers=whose.headers).json()["items"]
        assert rule["repaired"] == reports
    assert client.get("/v1/outcomes/rules", headers=stranger).json()["items"] == []
    assert client.get(trend, headers=stranger).json()["visits_read"] == 0


def test_places_in_lists_of_another_are_places_in_ones_own(
    client: TestClient[Any], operations: list[Operation], kept: Kept, alike: Kept
) -> None:
    for operation in paged(operations):
        path = filled(operation[1], kept.ids)
        first = client.get(path, params={"limit": 1}, headers=kept.headers).json()
        assert "next_cursor" in first, (path, "make two in Keeping.keep")
        query = {"cursor": first["next_cursor"]}
        rest = client.get(path, params=query, headers=kept.headers)
        assert rest.json()["items"], path
        own_path = filled(operation[1], alike.ids)
        everything = client.get(own_path, headers=alike.headers).json()["items"]
        answer = client.get(own_path, params=query, headers=alike.headers)
        assert answer.status_code == 200, (path, answer.text)
        assert not betrayed(answer, kept), path
        assert [item for item in answer.json()["items"] if item not in everything] == [], path


def test_what_names_nothing_that_is_kept_touches_nothing_of_another(
    client: TestClient[Any], operations: list[Operation], kept: Kept, stranger: dict[str, str]
) -> None:
    reads = [operation for operation in operations if operation[0] == "get" and secured(operation)]
    before = [send(client, operation, kept.ids, kept.headers) for operation in reads]
    for operation in operations:
        if operation[2]["operationId"] in ALONE:
            answer = send(client, operation, kept.ids, stranger)
            assert answer.status_code in (200, 201), (operation[1], answer.text)
            assert not betrayed(answer, kept), operation[1]
    for operation, first in zip(reads, before, strict=True):
        assert shape(send(client, operation, kept.ids, kept.headers), {}) == shape(first, {}), operation[1]


def test_ids_and_references_in_a_body_reach_only_ones_own(
    client: TestClient[Any], keeping: Keeping, kept: Kept, account: Callable[..., Any]
) -> None:
    """An account that has kept two visits with the references that all write erases what it can."""
    headers = account("Made-up Erasing Comfort").full
    own = [client.post("/v1/evaluations", json=keeping.visit("mine"), headers=headers).json()["id"] for _ in range(2)]
    visits = f"/v1/sites/{keeping.shared['site_reference']}/timeline"
    before = client.get(visits, headers=kept.headers).json()

    def erase(kind: str, name: str, value: str) -> Any:
        body = {"selection": {"kind": kind, name: value}, "reason": "curious"}
        return client.post("/v1/erasures", json=body, headers=headers)

    for evaluation_id in (kept.ids["evaluation_id"], kept.erased, str(new_id())):
        answer = erase("evaluation", "evaluation_id", evaluation_id)
        assert (answer.status_code, answer.json()["evaluations"]) == (201, 0)
    assert erase("evaluation", "evaluation_id", own[0]).json()["evaluations"] == 1
    assert erase("site", "site_reference", keeping.shared["site_reference"]).json()["evaluations"] == 1
    assert client.post("/v1/evaluations", json=keeping.visit("mine"), headers=headers).status_code == 201
    assert erase("job", "job_reference", keeping.shared["job_reference"]).json()["evaluations"] == 1
    assert client.get(visits, headers=kept.headers).json() == before


def test_a_request_sent_again_by_another_is_a_first_one(
    client: TestClient[Any], kept: Kept, alike: Kept, stranger: dict[str, str]
) -> None:
    """The very same bytes under the very same key."""
    assert kept.sent["create_evaluation"][2] == alike.sent["create_evaluation"][2]
    own = client.post("/v1/evaluations", json=VISIT, headers=stranger).json()["id"]
    for name, (path, body, key) in kept.sent.items():
        media = "application/x-ndjson" if name == "create_evaluations" else "application/json"
        headers = {**stranger, "content-type": media, "idempotency-key": key}
        if name == "create_evaluations":
            del headers["idempotency-key"]
        here = filled(path, {"evaluation_id": own})
        first, again = (client.post(here, content=body, headers=headers) for _ in range(2))
        assert first.status_code == again.status_code == (200 if name == "create_evaluations" else 201), first.text
        assert first.json()["id"] == again.json()["id"]
        assert not set(kept.ids.values()) & {first.json()["id"]}
        assert "idempotency-replayed" not in first.headers
        if name == "create_evaluations":
            assert (first.json().get("repeated", False), again.json()["repeated"]) == (False, True)
        else:
            assert again.headers["idempotency-replayed"] == "true"
        mine, theirs = (
            client.get(first.json().get("location", first.headers.get("location")), headers=headers)
            for headers in (stranger, kept.headers)
        )
        assert (mine.status_code, theirs.status_code) == (200, 404)


def test_limits_and_letterhead_of_one_do_not_bear_on_another(
    client: TestClient[Any], account: Callable[..., Any], operations: list[Operation], stranger: dict[str, str]
) -> None:
    """Also not in the processes that judge batches, one after the other."""
    theirs = account("Invented Strict Air").full
    ndjson = {"content-type": "application/x-ndjson"}
    line = msgspec.json.encode({"visit": VISIT})
    settings = SETTINGS | {"letterhead": {"company_name": "Invented Strict Air"}, "units": "ip"}

    def judged(headers: dict[str, str]) -> list[Any]:
        batch = client.post("/v1/evaluations/batch?answer=full", content=line, headers={**headers, **ndjson}).json()
        single = client.post("/v1/evaluations", json=VISIT, headers=headers).json()
        document = client.get(f"/v1/evaluations/{single['id']}/document", params={"format": "text"}, headers=headers)
        assert document.status_code == 200, document.text
        return [batch["result"], single["result"], "Invented Strict Air" in document.text]

    plain = judged(stranger)
    assert client.put("/v1/account", json=settings, headers=theirs).status_code == 200
    strict = judged(theirs)
    assert strict[:2] != plain[:2]
    assert strict[2]
    assert judged(stranger) == plain
    assert not plain[2]


# Tables -----------------------------------------------------------------------------------------------------------


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
    tables: Any, kept: Kept, alike: Kept, database_server: Any
) -> None:
    connection, names = tables
    owner, other = (
        connection.execute(
            "SELECT tenant_id FROM airside.evaluations WHERE evaluation_id = %s", (whose.ids["evaluation_id"],)
        ).fetchone()[0]
        for whose in (kept, alike)
    )

    def rows(table: str, tenant: Any = owner) -> list[Any]:
        query = sql.SQL("SELECT to_jsonb(t) FROM airside.{} t WHERE tenant_id = %s ORDER BY 1")
        return [row[0] for row in connection.execute(query.format(sql.Identifier(table)), (tenant,))]

    for table in names:
        before, ones_own = rows(table), len(rows(table, other))
        assert before, f"Keeping.keep makes no row of {table}"
        assert ones_own
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
        handed_over = sql.SQL("UPDATE airside.{} SET tenant_id = %s").format(here)
        insert = sql.SQL(
            "INSERT INTO airside.{t} ({c}) SELECT {c} FROM jsonb_populate_record(NULL::airside.{t}, %s)"
        ).format(t=here, c=named)
        with psycopg.connect(database_server.database_url) as asking:
            asking.execute("SET ROLE airside_app")
            asking.commit()

            def as_other(query: sql.Composed, *values: Any, asking: psycopg.Connection[Any] = asking) -> int:
                asking.execute("SELECT set_config('airside.tenant', %s, true)", (str(other),))
                try:
                    return asking.execute(query, values).rowcount
                finally:
                    asking.rollback()

            for query in tries:
                try:
                    touched = as_other(query)
                except psycopg.errors.InsufficientPrivilege:
                    touched = 0
                assert touched in (0, ones_own), query.as_string(connection)
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                as_other(handed_over, owner)
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                as_other(insert, json.dumps(before[0]))
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
