"""The account over HTTP: settings, what they do, keys, and who changed what."""

import base64
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import psycopg
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.api.account import LOGO_PIXELS, read_logo
from service.crew import Task, judge_line
from service.pipeline import Rulebook
from service.store.accounts import MOST_KEYS
from service.store.keys import create_key, create_tenant
from service.wire.request import LimitOverride

EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
SETTINGS = json.loads((EXAMPLES / "account_settings" / "letterhead_and_limits.json").read_bytes())
PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAYAAAAfFcSJAAAADUlEQVR42mNkYPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
"""A PNG of one pixel, as widely published."""


class Mine(msgspec.Struct):
    """An account of a test's own, by its first key."""

    tenant: Any
    key: dict[str, str]


@pytest.fixture
def mine(database_url: str) -> Mine:
    tenant = create_tenant(database_url, "Invented Air Works")
    secret = create_key(database_url, tenant, "first").secret
    return Mine(tenant, {"authorization": f"Bearer {secret}"})


@pytest.fixture
def put(client: TestClient[Litestar], mine: Mine) -> Callable[..., Any]:
    def send(settings: dict[str, Any], **fields: str) -> Any:
        headers = {**mine.key, "content-type": "application/json", **fields}
        return client.put("/v1/account", content=json.dumps(settings), headers=headers)

    return send


def test_settings_are_put_and_read(client: TestClient[Litestar], mine: Mine, put: Callable[..., Any]) -> None:
    before = client.get("/v1/account", headers=mine.key)
    assert before.json()["settings"] == {"units": "ip"}
    changed = put(SETTINGS, **{"if-match": before.headers["etag"]})
    assert changed.status_code == 200, changed.text
    after = client.get("/v1/account", headers=mine.key)
    assert after.json() == changed.json()
    assert after.headers["etag"] == changed.headers["etag"]
    said = after.json()["settings"]
    assert {name: said[name] for name in ("letterhead", "limit_overrides", "retention_days")} == {
        name: SETTINGS[name] for name in ("letterhead", "limit_overrides", "retention_days")
    }
    assert put({}).json()["settings"] == {"units": "ip"}


def test_two_who_change_at_once_do_not_overwrite_each_other(
    client: TestClient[Litestar], mine: Mine, put: Callable[..., Any]
) -> None:
    read = client.get("/v1/account", headers=mine.key).headers["etag"]
    assert put({"units": "si"}, **{"if-match": read}).status_code == 200
    late = put({"retention_days": 30}, **{"if-match": read})
    assert (late.status_code, late.json()["type"]) == (412, "/problems/changed_meanwhile")
    assert client.get("/v1/account", headers=mine.key).json()["settings"] == {"units": "si"}
    assert put({"retention_days": 30}, **{"if-match": "*"}).status_code == 200


def test_every_fault_of_settings_is_told_at_once(put: Callable[..., Any]) -> None:
    limit = {"reason": "why not", "unit": "%", "upper": 15.0, "criterion": "filter_share_usual"}
    refused = put(
        {
            "language": "tlh",
            "ruleset": "0.0.0",
            "letterhead": {"logo": base64.b64encode(b"GIF89a, not a PNG at all").decode()},
            "limit_overrides": [
                {**limit, "criterion": "no_such_criterion"},
                {**limit, "unit": "[cft_i]/min"},
                limit,
                {**limit, "lower": 20.0},
            ],
        }
    )
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/settings_refused")
    assert [(fault["pointer"], fault["code"]) for fault in refused.json()["errors"]] == [
        ("#/ruleset", "unknown_value"),
        ("#/language", "unknown_value"),
        ("#/limit_overrides/0/criterion", "unknown_value"),
        ("#/limit_overrides/1/unit", "unknown_value"),
        ("#/limit_overrides/2/criterion", "given_twice"),
        ("#/limit_overrides/3/criterion", "given_twice"),
        ("#/limit_overrides/3/lower", "out_of_range"),
        ("#/letterhead/logo", "wrong_format"),
    ]


def test_a_limit_of_the_account_judges_and_stays_with_the_evaluation(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine, put: Callable[..., Any], example: bytes
) -> None:
    def verdict(answer: Any) -> tuple[str, str | None]:
        found = next(v for v in answer["verdicts"] if v["criterion"] == "external_static_pressure_maximum")
        return found["verdict"], found["limits"].get("overridden_because")

    plain = post("/v1/evaluations", example, mine.key).json()
    assert verdict(plain["result"]) == ("above", None)
    generous = {
        "criterion": "external_static_pressure_maximum", "upper": 0.9, "unit": "[in_i'H2O]", "reason": "invented rule",
    }  # fmt: skip
    assert put({"limit_overrides": [generous]}).status_code == 200
    kept = post("/v1/evaluations", example, mine.key).json()
    assert verdict(kept["result"]) == ("within", "invented rule")
    assert verdict(post("/v1/evaluations/preview", example, mine.key).json()) == ("within", "invented rule")
    own = {**json.loads(example), "limit_overrides": [{**generous, "upper": 0.6, "reason": "of this visit"}]}
    assert verdict(post("/v1/evaluations/preview", own, mine.key).json()) == ("above", "of this visit")
    assert put({}).status_code == 200
    again = post(f"/v1/evaluations/{kept['id']}/reassessments", {}, mine.key)
    assert verdict(again.json()["result"]) == ("within", "invented rule")
    assert again.json()["difference"]["verdicts"] == []
    trace = client.get(f"/v1/evaluations/{kept['id']}/trace", headers=mine.key).json()["trace"]
    assert "limit_overrides" not in trace["request"]


def test_the_processes_of_a_batch_judge_under_limits_of_the_account(rulebook: Rulebook, example: bytes) -> None:
    limits = (
        LimitOverride(
            criterion="external_static_pressure_maximum", upper=0.9, unit="[in_i'H2O]", reason="invented rule"
        ),
        LimitOverride(criterion="of_another_version", upper=1.0, unit="%", reason="these rules do not have it"),
    )
    task = Task(
        line=b'{"visit": ' + example + b"}",
        ruleset=None,
        units="ip",
        limits=msgspec.json.encode(limits),
        languages="es",
        full=True,
    )
    judged = judge_line(task, rulebook, rulebook.decoder()).judged
    assert judged is not None
    assert judged.account_limits == msgspec.json.encode(limits[:1])
    told = json.loads(judged.result)
    assert "límite" in json.dumps(told, ensure_ascii=False)
    verdict = next(one for one in told["verdicts"] if one["criterion"] == "external_static_pressure_maximum")
    assert (verdict["verdict"], verdict["limits"]["overridden_because"]) == ("within", "invented rule")
    assert told["set_aside"] == []


def test_what_was_kept_is_told_under_the_limits_of_then(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine, put: Callable[..., Any], example: bytes
) -> None:
    limit = {
        "criterion": "external_static_pressure_maximum", "upper": 0.9, "unit": "[in_i'H2O]", "reason": "invented rule",
    }  # fmt: skip
    assert put({"limit_overrides": [limit]}).status_code == 200
    kept = post("/v1/evaluations", example, mine.key).json()
    revision = {"visit": json.loads(example), "reason": "a reading was typed wrong"}
    corrected = post(f"/v1/evaluations/{kept['id']}/revisions", revision, mine.key).json()
    assert put({}).status_code == 200
    for made in (kept, corrected):
        page = client.get(
            f"/v1/evaluations/{made['id']}/document?reader=technician&format=text", headers=mine.key
        ).text  # fmt: skip
        assert "invented rule" in page


def test_units_and_language_of_the_account_hold_where_none_is_asked_for(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine, put: Callable[..., Any], example: bytes
) -> None:
    assert put({"units": "si", "language": "es"}).status_code == 200
    visit = {name: held for name, held in json.loads(example).items() if name != "units"}
    answer = post("/v1/evaluations/preview", visit, mine.key)
    assert (answer.json()["units"], answer.headers["content-language"]) == ("si", "es")
    asked = post("/v1/evaluations/preview", {**visit, "units": "ip"}, {**mine.key, "accept-language": "en"})
    assert (asked.json()["units"], asked.headers["content-language"]) == ("ip", "en")


def test_documents_carry_the_letterhead(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine, put: Callable[..., Any], example: bytes
) -> None:
    assert put(SETTINGS).status_code == 200
    kept = post("/v1/evaluations", example, mine.key).json()["id"]
    page = client.get(f"/v1/evaluations/{kept}/document", headers={**mine.key, "accept": "text/html"}).text
    for words in ("Invented Air Works", "1 Example Lane (invented)", "An invented company."):
        assert words in page
    assert f'src="data:image/png;base64,{SETTINGS["letterhead"]["logo"]}"' in page
    paper = client.get(f"/v1/evaluations/{kept}/document?format=pdf", headers=mine.key)
    assert paper.content.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("spoiled", "words"),
    [
        (PIXEL[:-4], "whole PNG"),
        (b"\xff\xd8\xff\xe0" + PIXEL[4:], "whole PNG"),
        (PIXEL[:16] + (LOGO_PIXELS + 1).to_bytes(4) + PIXEL[20:], "pixels"),
        (PIXEL[:20] + bytes(4) + PIXEL[24:], "pixels"),
        (PIXEL[:24] + b"\x10" + PIXEL[25:], "check sum"),
    ],
)
def test_a_logo_that_is_no_png_is_refused(spoiled: bytes, words: str) -> None:
    assert read_logo(base64.b64encode(PIXEL).decode()) == PIXEL
    with pytest.raises(ValueError, match=words):
        read_logo(base64.b64encode(spoiled).decode())


def made(post: Callable[..., Any], key: dict[str, str], scopes: list[str], **more: str) -> Any:
    return post("/v1/account/keys", {"label": "second", "scopes": scopes, **more}, key)


def bearer(answer: Any) -> dict[str, str]:
    return {"authorization": f"Bearer {answer.json()['secret']}"}


def test_a_key_is_made_used_and_revoked(client: TestClient[Litestar], post: Callable[..., Any], mine: Mine) -> None:
    new = made(post, mine.key, ["evaluations:read"])
    assert (new.status_code, new.headers["cache-control"]) == (201, "no-store")
    second = bearer(new)
    assert client.get("/v1/evaluations", headers=second).status_code == 200
    assert client.get("/v1/account/keys", headers=second).status_code == 403
    address = new.headers["location"]
    told = client.get(address, headers=mine.key).json()
    assert told["label"] == "second"
    assert "last_used_at" in told
    assert "secret" not in client.get("/v1/account/keys", headers=mine.key).text
    assert client.delete(address, headers=mine.key).status_code == 204
    assert client.get("/v1/evaluations", headers=second).status_code == 401
    assert client.delete(address, headers=mine.key).status_code == 204
    gone = client.get(address, headers=mine.key)
    assert (gone.status_code, gone.json()["type"]) == (404, "/problems/not_found")
    listed = client.get("/v1/account/keys", headers=mine.key).json()["items"]
    assert [one["id"] for one in listed if "revoked_at" in one] == [told["id"]]
    changes = client.get("/v1/account/changes", headers=mine.key).json()["items"]
    assert [(change["what"], change["names"]) for change in changes] == [
        ("key_revoked", [told["id"]]), ("key_created", [told["id"]])
    ]  # fmt: skip


def test_a_key_does_not_revoke_itself_nor_grant_more_than_it_has(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine
) -> None:
    (own,) = client.get("/v1/account/keys", headers=mine.key).json()["items"]
    refused = client.delete(f"/v1/account/keys/{own['id']}", headers=mine.key)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/key_in_use")
    manager = bearer(made(post, mine.key, ["account:manage"]))
    more = made(post, manager, ["account:manage", "evaluations:write"])
    assert (more.status_code, more.json()["type"]) == (409, "/problems/key_not_made")
    assert made(post, manager, ["account:manage"]).status_code == 201
    late = made(post, mine.key, ["evaluations:read"], expires_at="2020-01-01T00:00:00Z")
    assert (late.status_code, late.json()["detail"]) == (409, "expires_at lies in the past")
    wide = post(f"/v1/account/keys/{own['id']}/rotations", {}, manager)
    assert wide.status_code == 404


def test_two_keys_cannot_revoke_each_other(database_url: str, mine: Mine) -> None:
    """The later of the two finds that it is no key any more."""
    ids = [create_key(database_url, mine.tenant, "one of two").key_id for _ in range(2)]
    with psycopg.connect(database_url) as connection:
        fates = [
            connection.execute(
                "SELECT airside.revoke_key(%s, %s, gen_random_uuid(), %s)", (mine.tenant, target, by)
            ).fetchone()
            for target, by in ((ids[0], ids[1]), (ids[1], ids[0]))
        ]
    assert fates == [("revoked",), ("not_yours_any_more",)]


def test_a_key_is_rotated_with_overlap(client: TestClient[Litestar], post: Callable[..., Any], mine: Mine) -> None:
    first = made(post, mine.key, ["evaluations:read"])
    address = first.headers["location"]
    second = post(f"{address}/rotations", {"overlap_hours": 1}, mine.key)
    assert second.status_code == 201
    assert second.json()["key"]["scopes"] == ["evaluations:read"]
    for key in (bearer(first), bearer(second)):
        assert client.get("/v1/evaluations", headers=key).status_code == 200
    third = post(f"{second.headers['location']}/rotations", {"overlap_hours": 0}, mine.key)
    assert client.get("/v1/evaluations", headers=bearer(second)).status_code == 401
    assert client.get("/v1/evaluations", headers=bearer(third)).status_code == 200
    assert "expires_at" in client.get(address, headers=mine.key).json()
    assert post(f"{second.headers['location']}/rotations", {}, mine.key).status_code == 404


def test_an_account_has_so_many_live_keys_and_no_more(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine
) -> None:
    addresses = [made(post, mine.key, ["evaluations:read"]).headers["location"] for _ in range(MOST_KEYS - 1)]
    for refused in (made(post, mine.key, ["evaluations:read"]), post(f"{addresses[0]}/rotations", {}, mine.key)):
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/key_not_made")
        assert "revoke one first" in refused.json()["detail"]
    assert "expires_at" not in client.get(addresses[0], headers=mine.key).json()
    assert client.delete(addresses[1], headers=mine.key).status_code == 204
    assert post(f"{addresses[0]}/rotations", {}, mine.key).status_code == 201


def test_another_account_sees_and_changes_nothing(
    client: TestClient[Litestar], post: Callable[..., Any], mine: Mine, theirs: Any
) -> None:
    address = made(post, mine.key, ["evaluations:read"]).headers["location"]
    assert client.get(address, headers=theirs.full).status_code == 404
    assert client.delete(address, headers=theirs.full).status_code == 404
    assert post(f"{address}/rotations", {}, theirs.full).status_code == 404
    assert client.get(address, headers=mine.key).json().keys() & {"revoked_at", "expires_at"} == set()


def test_the_application_cannot_read_what_secrets_are_told_by(database_url: str, mine: Mine) -> None:
    with psycopg.connect(database_url) as connection:
        connection.execute("SET ROLE airside_app")
        connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(mine.tenant),))
        assert len(connection.execute("SELECT key_id FROM airside.api_keys").fetchall()) == 1
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute("SELECT secret_sha256 FROM airside.api_keys")
