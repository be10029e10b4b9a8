"""Kept visits corrected: what supersedes what, both ways, and what stays as it was."""

import json
import uuid
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psycopg
import pytest
from litestar import Litestar
from litestar.testing import TestClient

REASON = "the hoses were swapped"


@pytest.fixture
def revise(post: Callable[..., Any], example: bytes) -> Callable[..., Any]:
    """Correct the evaluation at an address."""

    def revise(address: str, account: Any, reason: str = REASON, visit: bytes = example, **more: str) -> Any:
        body = b'{ "visit" : ' + visit + b', "reason": ' + json.dumps(reason).encode() + b"}"
        return post(f"{address}/revisions", body, account.full, **more)

    return revise


def made(answer: Any) -> Any:
    assert answer.status_code == 201, answer.text
    return answer


def test_a_correction_is_a_new_evaluation_and_the_old_one_stays(
    client: TestClient[Litestar], post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full))
    before = client.get(first.headers["location"], headers=ours.full)
    changed = json.dumps(json.loads(example) | {"units": "si"}).encode()
    second = made(revise(first.headers["location"], ours, visit=changed))
    body = second.json()
    assert body["supersedes"] == first.json()["id"]
    assert body["revision_reason"] == REASON
    assert "superseded_by" not in body
    assert body["result"]["units"] == "si"
    assert client.get(second.headers["location"], headers=ours.full).content == second.content

    after = client.get(first.headers["location"], headers=ours.full)
    assert after.json() == first.json() | {"superseded_by": body["id"]}
    assert after.headers["etag"] != before.headers["etag"]
    held = client.get(first.headers["location"], headers=ours.full | {"if-none-match": before.headers["etag"]})
    assert held.status_code == 200
    again = client.get(first.headers["location"], headers=ours.full | {"if-none-match": after.headers["etag"]})
    assert again.status_code == 304


def test_the_bytes_of_the_visit_are_kept_as_sent(
    post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any, database_server: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full))
    second = made(revise(first.headers["location"], ours)).json()["id"]
    with psycopg.connect(database_server.superuser_url) as connection:
        row = connection.execute("SELECT request FROM airside.evaluations WHERE evaluation_id = %s", (second,))
        assert row.fetchone() == (example.strip(),)


def test_the_chain_is_told_alike_from_any_member(
    client: TestClient[Litestar], post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    addresses = [made(post("/v1/evaluations", example, ours.full)).headers["location"]]
    alone = client.get(f"{addresses[0]}/revisions", headers=ours.full).json()["items"]
    assert [item["id"] for item in alone] == [addresses[0].rpartition("/")[2]]
    for turn in range(3):
        addresses.append(made(revise(addresses[-1], ours, reason=f"turn {turn}")).headers["location"])
    ids = [address.rpartition("/")[2] for address in addresses]
    told = [client.get(f"{address}/revisions", headers=ours.full).json() for address in addresses]
    assert told == [told[0]] * 4
    items = told[0]["items"]
    assert [item["id"] for item in items] == ids
    assert [item.get("supersedes") for item in items] == [None, *ids[:-1]]
    assert [item.get("superseded_by") for item in items] == [*ids[1:], None]
    assert [item.get("revision_reason") for item in items] == [None, "turn 0", "turn 1", "turn 2"]


def test_lists_leave_out_what_was_superseded_unless_asked(
    client: TestClient[Litestar], post: Callable[..., Any], revise: Callable[..., Any], example: bytes, account: Any
) -> None:
    someone = account()
    first = made(post("/v1/evaluations", example, someone.full))
    second = made(revise(first.headers["location"], someone))

    def listed(query: str) -> Any:
        return client.get(f"/v1/evaluations{query}", headers=someone.full).json()["items"]

    old, new = first.json()["id"], second.json()["id"]
    assert [(item["id"], item.get("supersedes")) for item in listed("")] == [(new, old)]
    everything = listed("?superseded=included")
    assert [(item["id"], item.get("superseded_by")) for item in everything] == [(new, None), (old, new)]


def test_of_two_at_once_one_corrects_and_the_other_is_told_which(
    post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full))
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda n: revise(first.headers["location"], ours, reason=f"{n}"), range(6)))
    (won,) = [answer for answer in answers if answer.status_code == 201]
    lost = [answer for answer in answers if answer.status_code == 409]
    assert len(lost) == 5
    assert {answer.json()["type"] for answer in lost} == {"/problems/superseded"}
    assert all(won.json()["id"] in answer.json()["detail"] for answer in lost)


def test_sent_again_a_correction_is_made_once(
    post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full))
    key = {"idempotency-key": str(uuid.uuid4())}
    second = made(revise(first.headers["location"], ours, **key))
    made(revise(second.headers["location"], ours))  # and that one is corrected in turn
    again = made(revise(first.headers["location"], ours, **key))
    assert again.content == second.content
    assert again.headers["idempotency-replayed"] == "true"
    other = revise(first.headers["location"], ours, reason="another", **key)
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency_key_reused")


def test_a_creation_sent_again_is_answered_as_the_first_time_also_once_superseded(
    post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    key = {"idempotency-key": str(uuid.uuid4())}
    first = made(post("/v1/evaluations", example, ours.full, **key))
    made(revise(first.headers["location"], ours))
    assert made(post("/v1/evaluations", example, ours.full, **key)).content == first.content


def test_reassessments_stay_beside_the_one_they_belong_to(
    client: TestClient[Litestar], post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full)).headers["location"]
    beside = made(post(f"{first}/reassessments", {}, ours.full)).json()["id"]
    second = made(revise(first, ours)).headers["location"]
    later = made(post(f"{first}/reassessments", {}, ours.full)).json()["id"]
    listed = client.get(f"{first}/reassessments", headers=ours.full).json()["items"]
    assert [item["id"] for item in listed] == [later, beside]
    assert client.get(f"{second}/reassessments", headers=ours.full).json() == {"items": []}


def test_no_other_account_corrects_or_sees_a_chain(
    client: TestClient[Litestar], post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any,
    theirs: Any,
) -> None:  # fmt: skip
    first = made(post("/v1/evaluations", example, ours.full)).headers["location"]
    refused = revise(first, theirs)
    never_was = revise(f"/v1/evaluations/{uuid.uuid4()}", theirs)
    assert refused.status_code == never_was.status_code == 404
    assert refused.json() | {"request_id": ""} == never_was.json() | {"request_id": ""}
    assert client.get(f"{first}/revisions", headers=theirs.full).status_code == 404
    assert len(client.get(f"{first}/revisions", headers=ours.full).json()["items"]) == 1
    assert client.get(f"{first}/revisions", headers=ours.writing).status_code == 403
    assert post(f"{first}/revisions", b"{}", ours.reading).status_code == 403


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, {"#/reason", "#/visit"}),
        ({"reason": "", "visit": {"readings": 1}, "more": 2}, {"#/reason", "#/visit/readings", "#/more"}),
        ({"reason": "x" * 2001, "visit": {"ruleset": "0.0.1"}}, {"#/reason", "#/visit/ruleset", "#/visit/readings"}),
    ],
)
def test_every_fault_is_told_at_its_place(
    post: Callable[..., Any], example: bytes, ours: Any, body: Any, pointers: set[str]
) -> None:
    first = made(post("/v1/evaluations", example, ours.full)).headers["location"]
    refused = post(f"{first}/revisions", body, ours.full)
    assert refused.status_code == 422
    assert pointers <= {fault["pointer"] for fault in refused.json()["errors"]}


def test_a_reason_of_2000_characters_is_kept(
    post: Callable[..., Any], revise: Callable[..., Any], example: bytes, ours: Any
) -> None:
    first = made(post("/v1/evaluations", example, ours.full)).headers["location"]
    assert made(revise(first, ours, reason="\u00e4" * 2000)).json()["revision_reason"] == "\u00e4" * 2000
