"""Kept visits judged again, versions pinned by request and by account, and what may go wrong with either."""

import json
import shutil
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from service.app import create_app
from service.pipeline import SERVICE_VERSION, Rulebook, installed
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.released import write_release
from service.settings import Settings
from service.store.evaluations import Store
from service.store.keys import create_key, create_tenant, pin_ruleset

RULE = "external_static_pressure_above_rating"
LIMIT = "external_static_pressure_maximum"
Send = Callable[..., Any]


@pytest.fixture(scope="module")
def versions(tmp_path_factory: pytest.TempPathFactory) -> Rulebook:
    """1.0.0, 2.0.0 with a limit three times as high, and 2.1.0 that is being worked on."""
    folder = tmp_path_factory.mktemp("versions") / "rules"
    shutil.copytree(rules_folder(), folder, ignore=shutil.ignore_patterns("cases", "released", "languages"))
    limit = folder / "criteria" / "static_pressure" / f"{LIMIT}.toml"
    known = load_ruleset(folder).release.version
    for version in ("1.0.0", "2.0.0", "2.1.0"):
        release = folder / "ruleset.toml"
        release.write_text(release.read_text().replace(f'version = "{known}"', f'version = "{version}"'))
        known = version
        if version == "2.0.0":
            rated = 'upper_rating = "maximum_external_static_pressure"'
            limit.write_text(limit.read_text().replace(rated, f"{rated}\nupper_factor = 3.0"))
        if version != "2.1.0":
            write_release(folder, load_ruleset(folder))
    return installed(folder)


@pytest.fixture(scope="module")
def over_versions(database_url: str, versions: Rulebook) -> Iterator[TestClient[Litestar]]:
    application = create_app(Settings(database_url=database_url), versions, Store(database_url, pool_size=2))
    with TestClient(application) as client:
        yield client


@pytest.fixture
def send(over_versions: TestClient[Litestar]) -> Send:
    def send(path: str, body: Any, headers: dict[str, str]) -> Any:
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        return over_versions.post(path, content=content, headers={"content-type": "application/json", **headers})

    return send


@pytest.fixture
def evaluation(send: Send, example: bytes, ours: Any) -> Any:
    """An evaluation of the example by 1.0.0."""
    made = send("/v1/evaluations", json.loads(example) | {"ruleset": "1.0.0"}, ours.full)
    assert made.status_code == 201, made.text
    return made


def reassessed(send: Send, evaluation: Any, account: Any, **body: str) -> Any:
    made = send(f"{evaluation.headers['location']}/reassessments", body, account.full)
    assert made.status_code == 201, made.text
    return made


# Judging again ---------------------------------------------------------------------------------------------------


def test_a_kept_visit_is_judged_again_and_the_evaluation_stays_as_it_was(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any, versions: Rulebook
) -> None:
    made = reassessed(send, evaluation, ours)
    body = made.json()
    assert made.headers["location"] == f"{evaluation.headers['location']}/reassessments/{body['id']}"
    assert (body["evaluation_id"], uuid.UUID(body["id"]).version) == (evaluation.json()["id"], 7)
    current = {"version": "2.0.0", "digest": versions.rulesets["2.0.0"].digest}
    assert body["result"]["ruleset"] == current
    first = {"ruleset": evaluation.json()["result"]["ruleset"], "service_version": SERVICE_VERSION}
    difference = body["difference"]
    assert difference["before"] == first
    assert difference["after"] == {"ruleset": current, "service_version": SERVICE_VERSION}
    assert difference["attributed"] is True
    because = {"by": "limit", "id": LIMIT, "change": "changed", "parts": ["upper_factor"]}
    lost = next(change for change in difference["findings"] if change["code"] == RULE)
    assert (lost["change"], lost["severity_before"]) == ("lost", "fault")
    assert because in lost["reasons"]
    move = next(move for move in difference["verdicts"] if move["criterion"] == LIMIT)
    assert (move["before"], move["after"], move["reasons"]) == ("above", "within", [because])
    assert move["value_before"] == move["value_after"]
    assert move["upper_after"]["value"] == pytest.approx(3 * move["upper_before"]["value"], rel=1e-4)
    assert move["upper_before"]["unit"] == "[in_i'H2O]"
    assert RULE not in {found["code"] for found in body["result"]["findings"]}

    read = over_versions.get(made.headers["location"], headers=ours.reading)
    assert read.content == made.content
    held = over_versions.get(made.headers["location"], headers=ours.reading | {"if-none-match": read.headers["etag"]})
    assert held.status_code == 304
    assert over_versions.get(evaluation.headers["location"], headers=ours.reading).content == evaluation.content


def test_it_answers_in_the_units_asked_for_else_those_of_the_evaluation(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any
) -> None:
    made = reassessed(send, evaluation, ours, units="si")
    assert made.json()["result"]["units"] == "si"
    assert made.json()["difference"]["verdicts"][0]["upper_before"]["unit"] == "Pa"
    other = over_versions.get(f"{made.headers['location']}?units=ip", headers=ours.full).json()
    assert other["result"]["units"] == "ip"
    assert other["difference"]["verdicts"][0]["upper_before"]["unit"] == "[in_i'H2O]"
    assert reassessed(send, evaluation, ours).json()["result"]["units"] == "ip"


def test_any_installed_version_may_judge_again_the_same_one_too(send: Send, evaluation: Any, ours: Any) -> None:
    for version, judged in (("1.0.0", "above"), ("2.0.0", "within"), ("2.1.0", "within")):
        body = reassessed(send, evaluation, ours, ruleset=version).json()
        assert body["result"]["ruleset"]["version"] == version
        verdicts = {v["verdict"] for v in body["result"]["verdicts"] if v["criterion"] == LIMIT and "value" in v}
        assert judged in verdicts
        assert bool(body["difference"]["verdicts"]) == (version != "1.0.0")


def test_reassessments_are_listed_newest_first_a_page_at_a_time(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any
) -> None:
    address = f"{evaluation.headers['location']}/reassessments"
    assert over_versions.get(address, headers=ours.full).json() == {"items": []}
    made = [reassessed(send, evaluation, ours, ruleset=version).json()["id"] for version in ("1.0.0", "2.0.0", "2.1.0")]
    first = over_versions.get(f"{address}?limit=2", headers=ours.full)
    assert [item["id"] for item in first.json()["items"]] == [made[2], made[1]]
    assert [item["ruleset"]["version"] for item in first.json()["items"]] == ["2.1.0", "2.0.0"]
    assert {item["service_version"] for item in first.json()["items"]} == {SERVICE_VERSION}
    link = first.headers["link"].removeprefix("<").partition(">")[0]
    second = over_versions.get(link, headers=ours.full)
    assert [item["id"] for item in second.json()["items"]] == [made[0]]
    assert "link" not in second.headers
    assert "next_cursor" not in second.json()


def test_the_links_between_versions_and_evaluations_lead_somewhere(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any
) -> None:
    difference = reassessed(send, evaluation, ours).json()["difference"]
    before, after = (difference[side]["ruleset"]["version"] for side in ("before", "after"))
    between = over_versions.get(f"/v1/rulesets/{before}/differences/{after}").json()
    assert (between["before"], between["after"]) == (
        difference["before"]["ruleset"], difference["after"]["ruleset"]
    )  # fmt: skip
    (change,) = between["changes"]
    assert (change["section"], change["id"], change["step"], between["step"]) == ("criteria", LIMIT, "major", "major")
    (limit,) = change["limits"]
    assert (limit["before"].get("upper_factor", 1.0), limit["after"]["upper_factor"]) == (1.0, 3.0)
    listed = over_versions.get("/v1/rulesets").json()["items"]
    assert [(item["version"], item["status"], item["current"]) for item in listed] == [
        ("2.1.0", "working", False), ("2.0.0", "released", True), ("1.0.0", "released", False)
    ]  # fmt: skip


# What may go wrong -----------------------------------------------------------------------------------------------


def test_a_version_that_is_not_installed_is_named_with_those_that_are(send: Send, evaluation: Any, ours: Any) -> None:
    refused = send(f"{evaluation.headers['location']}/reassessments", {"ruleset": "9.9.9"}, ours.full)
    assert (refused.status_code, refused.json()["type"]) == (422, "/problems/request_refused")
    (fault,) = refused.json()["errors"]
    assert (fault["pointer"], fault["code"]) == ("#/ruleset", "ruleset_not_installed")
    assert fault["accepted"] == ["2.1.0", "2.0.0", "1.0.0"]


def test_an_evaluation_that_is_not_there_or_is_anothers_is_not_found(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any, theirs: Any
) -> None:
    made = reassessed(send, evaluation, ours)
    address = evaluation.headers["location"]
    nowhere = address.replace(evaluation.json()["id"], str(uuid.uuid4()))
    for answered in (
        send(f"{nowhere}/reassessments", {}, ours.full),
        send(f"{address}/reassessments", {}, theirs.full),
        over_versions.get(f"{nowhere}/reassessments", headers=ours.full),
        over_versions.get(f"{address}/reassessments", headers=theirs.full),
        over_versions.get(made.headers["location"], headers=theirs.full),
        over_versions.get(f"{address}/reassessments/{uuid.uuid4()}", headers=ours.full),
        over_versions.get(
            made.headers["location"].replace(evaluation.json()["id"], str(uuid.uuid4())), headers=ours.full
        ),
    ):
        assert (answered.status_code, answered.json()["type"]) == (404, "/problems/not_found")
    assert [
        item["id"] for item in over_versions.get(f"{address}/reassessments", headers=ours.full).json()["items"]
    ] == [made.json()["id"]]


def test_judging_again_needs_the_right_to_write_and_reading_it_the_right_to_read(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any
) -> None:
    address = f"{evaluation.headers['location']}/reassessments"
    assert send(address, {}, ours.reading).status_code == 403
    assert over_versions.get(address, headers=ours.writing).status_code == 403


def spoiled(database_url: str, evaluation_id: str, column: str, before: bytes, after: bytes) -> None:
    """Put other bytes in a kept row, as an older service might have, behind the back of everything that forbids it."""
    with psycopg.connect(database_url) as connection:
        tenants = connection.execute("SELECT tenant_id FROM airside.tenants").fetchall()
        for (tenant,) in tenants:
            connection.execute("SELECT set_config('airside.tenant', %s, true)", (str(tenant),))
            row = connection.execute(
                f"SELECT {column} FROM airside.evaluations WHERE evaluation_id = %s", (evaluation_id,)
            ).fetchone()
            if row is not None:
                assert before in row[0]
                connection.execute(
                    f"UPDATE airside.evaluations SET {column} = %s WHERE evaluation_id = %s",
                    (row[0].replace(before, after), evaluation_id),
                )
                return
    raise AssertionError("there is no such row")


def test_a_kept_request_that_is_no_longer_accepted_is_told_with_its_faults_and_stays(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any, database_url: str
) -> None:
    address = evaluation.headers["location"]
    spoiled(database_url, evaluation.json()["id"], "request", b'"readings"', b'"readings_of_old"')
    for refused in (
        send(f"{address}/reassessments", {}, ours.full),
        over_versions.get(f"{address}/trace", headers=ours.full),
    ):
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/kept_visit_unreadable")
        assert "#/readings_of_old" in {fault["pointer"] for fault in refused.json()["errors"]}
    assert over_versions.get(address, headers=ours.full).content == evaluation.content
    assert over_versions.get(f"{address}/reassessments", headers=ours.full).json() == {"items": []}


def test_a_kept_evaluation_of_a_shape_that_is_gone_is_told(
    over_versions: TestClient[Litestar], send: Send, evaluation: Any, ours: Any, database_url: str
) -> None:
    address = evaluation.headers["location"]
    spoiled(database_url, evaluation.json()["id"], "evaluation", b'"contexts"', b'"conditions"')
    for refused in (send(f"{address}/reassessments", {}, ours.full), over_versions.get(address, headers=ours.full)):
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/kept_visit_unreadable")


def test_what_the_rules_at_hand_judged_before_they_changed_has_no_known_reasons(
    send: Send, evaluation: Any, ours: Any, database_url: str, versions: Rulebook
) -> None:
    digest = versions.rulesets["1.0.0"].digest.encode()
    spoiled(database_url, evaluation.json()["id"], "evaluation", digest, b"0" * len(digest))
    difference = reassessed(send, evaluation, ours).json()["difference"]
    assert difference["attributed"] is False
    reasons = [change["reasons"] for change in (*difference["findings"], *difference["verdicts"])]
    assert reasons
    assert all(reason == [{"by": "unknown"}] for reason in reasons)


# Pinned by the account --------------------------------------------------------------------------------------------


@pytest.fixture
def pinned(database_url: str) -> Callable[[str | None], tuple[uuid.UUID, dict[str, str]]]:
    """Make an account set to a version."""

    def make(version: str | None) -> tuple[uuid.UUID, dict[str, str]]:
        tenant = create_tenant(database_url, "Invented Air Works, pinned")
        assert pin_ruleset(database_url, tenant, version)
        return tenant, {"authorization": f"Bearer {create_key(database_url, tenant, 'test').secret}"}

    return make


def test_an_account_may_pin_a_version_and_a_request_goes_before_it(
    send: Send, example: bytes, pinned: Callable[..., Any]
) -> None:
    _, key = pinned("1.0.0")
    visit = json.loads(example)
    examples = Path(__file__).parents[2] / "openapi" / "examples"
    series = json.loads((examples / "steady_readings" / "supply_air_warming.json").read_bytes())
    projected = {"visit": visit, "changes": [{"kind": "clean_coil"}]}
    for path, body, judged in (
        ("/v1/evaluations", visit, lambda answer: answer["result"]),
        ("/v1/evaluations/preview", visit, lambda answer: answer),
        ("/v1/projections", projected, lambda answer: answer),
        ("/v1/steady-readings", series, lambda answer: answer),
    ):
        answered = send(path, body, key)
        assert answered.status_code in (200, 201), answered.text
        assert judged(answered.json())["ruleset"]["version"] == "1.0.0", path
    own = send("/v1/evaluations", visit | {"ruleset": "2.1.0"}, key).json()
    assert own["result"]["ruleset"]["version"] == "2.1.0"
    again = send(f"/v1/evaluations/{own['id']}/reassessments", {}, key).json()
    assert again["result"]["ruleset"]["version"] == "1.0.0"
    unpinned = send("/v1/evaluations/preview", visit, pinned(None)[1]).json()
    assert unpinned["ruleset"]["version"] == "2.0.0"


def test_an_account_set_to_a_version_that_is_gone_is_told_rather_than_judged_by_another(
    send: Send, example: bytes, pinned: Callable[..., Any]
) -> None:
    _, key = pinned("9.9.9")
    for path in ("/v1/evaluations", "/v1/evaluations/preview"):
        refused = send(path, example, key)
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/ruleset_not_installed")
    assert send("/v1/evaluations/preview", json.loads(example) | {"ruleset": "2.0.0"}, key).status_code == 200
