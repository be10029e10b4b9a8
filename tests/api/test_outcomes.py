"""Reports of what was found to be true, and the record of the rules that they make."""

import csv
import io
import json
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from litestar import Litestar
from litestar.testing import TestClient
from scipy.stats import binomtest

from service.cli import main

REPORT: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "openapi" / "examples" / "outcomes" / "repaired.json").read_bytes()
)
RULE = REPORT["finding"]
"""Here a rule goes by the name of its finding."""


@pytest.fixture
def mine(account: Callable[..., Any]) -> Any:
    """An account of its own, so that its record holds what the test reports."""
    return account()


@pytest.fixture
def kept(post: Callable[..., Any], example: bytes) -> Callable[[Any], str]:
    """Keep the example, which has the finding in the states `heating` and `cooling`; its address."""
    return lambda whose: post("/v1/evaluations", example, whose.full).headers["location"]


def entry(client: TestClient[Litestar], whose: Any, query: str = "") -> dict[str, Any]:
    items = client.get(f"/v1/outcomes/rules?rule={RULE}{query}", headers=whose.reading).json()["items"]
    return items[0] if items else {}


def test_a_report_is_kept_and_read(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    address = kept(mine)
    made = post(f"{address}/outcomes", REPORT, mine.writing)
    assert made.status_code == 201, made.text
    told = made.json()
    assert told["rules"] == [RULE]
    assert told["cause_rank"] == 1
    assert told["ruleset_version"] == client.get(address, headers=mine.reading).json()["result"]["ruleset"]["version"]
    assert told["prevails"]
    read = client.get(made.headers["location"], headers=mine.reading)
    assert read.json() == told
    assert client.get(f"{address}/outcomes", headers=mine.reading).json() == {"items": [told]}
    held = {"if-none-match": read.headers["etag"]}
    assert client.get(made.headers["location"], headers=mine.reading | held).status_code == 304


def test_the_longest_note_is_kept(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    longest = {"note": "n" * 2000, "reported_by": "r" * 120}
    made = post(f"{kept(mine)}/outcomes", REPORT | longest, mine.writing)
    assert made.status_code == 201, made.text
    told = client.get(made.headers["location"], headers=mine.reading).json()
    assert {name: told[name] for name in longest} == longest


def test_a_later_report_prevails_in_its_context_and_the_history_stays(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    address = kept(mine)
    cooling = post(f"{address}/outcomes", REPORT | {"state": "cooling"}, mine.full).json()
    first = post(f"{address}/outcomes", REPORT | {"outcome": "ruled_out"}, mine.full).json()
    last = post(f"{address}/outcomes", REPORT | {"outcome": "confirmed"}, mine.full).json()
    listed = client.get(f"{address}/outcomes?limit=2", headers=mine.reading)
    assert [(one["id"], one["prevails"]) for one in listed.json()["items"]] == [
        (last["id"], True),
        (first["id"], False),
    ]
    following = listed.headers["link"].partition(">")[0].lstrip("<")
    rest = client.get(following, headers=mine.reading).json()
    assert [(one["id"], one["prevails"]) for one in rest["items"]] == [(cooling["id"], True)]
    assert "next_cursor" not in rest
    found = entry(client, mine)
    assert (found["confirmed"], found["repaired"], found["ruled_out"]) == (1, 1, 0)


def test_what_prevails_is_told_with_the_evaluation_wherever_it_is_read(
    client: TestClient[Litestar], post: Callable[..., Any], example: bytes, mine: Any
) -> None:
    sending = {"idempotency-key": "told-with-it"}
    first = post("/v1/evaluations", example, mine.full, **sending)
    address = first.headers["location"]
    silent = client.get(address, headers=mine.reading)
    assert silent.json() == first.json()
    assert "outcomes" not in silent.json()
    post(f"{address}/outcomes", REPORT | {"outcome": "ruled_out"}, mine.full)
    cooling = post(f"{address}/outcomes", REPORT | {"state": "cooling"}, mine.full).json()
    heating = post(f"{address}/outcomes", REPORT, mine.full).json()
    told = [
        {name: report[name] for name in ("id", "created_at", "finding", "state", "outcome", "cause")}
        | {"reports": reports}
        for report, reports in ((heating, 2), (cooling, 1))
    ]
    read = client.get(address, headers=mine.reading | {"if-none-match": silent.headers["etag"]})
    assert read.json() == first.json() | {"outcomes": told}
    lines = client.get("/v1/evaluations/export", headers=mine.reading | {"accept": "application/x-ndjson"}).text
    assert [json.loads(line)["outcomes"] for line in lines.splitlines()] == [told]
    site = json.loads(example)["site"]["reference"]
    (visit,) = client.get(f"/v1/sites/{site}/timeline", headers=mine.reading).json()["items"]
    assert visit["outcomes"] == told
    again = post("/v1/evaluations", example, mine.full, **sending)
    assert again.json() == first.json(), "sent again is answered as at first"


@pytest.mark.parametrize(
    ("changes", "pointer", "accepted"),
    [
        ({"finding": "no_such_finding"}, "#/finding", RULE),
        ({"state": None}, "#/state", "cooling"),
        ({"state": "fan"}, "#/state", "heating"),
        ({"area": "upstairs"}, "#/area", None),
        ({"cause": "no_such_cause"}, "#/cause", "filter_loaded_with_dirt"),
    ],
)
def test_what_is_not_in_the_evaluation_is_refused_with_what_is(
    post: Callable[..., Any],
    kept: Callable[[Any], str],
    ours: Any,
    changes: dict[str, str | None],
    pointer: str,
    accepted: str | None,
) -> None:
    report = {name: value for name, value in (REPORT | changes).items() if value is not None}
    refused = post(f"{kept(ours)}/outcomes", report, ours.full)
    assert refused.status_code == 409
    assert refused.json()["type"] == "/problems/finding_not_there"
    (fault,) = refused.json()["errors"]
    assert fault["pointer"] == pointer
    assert accepted is None or accepted in fault["accepted"]


def test_what_is_built_wrong_is_refused(post: Callable[..., Any], kept: Callable[[Any], str], ours: Any) -> None:
    refused = post(f"{kept(ours)}/outcomes", {"outcome": "maybe", "because": 1}, ours.full)
    assert refused.status_code == 422
    assert {fault["pointer"] for fault in refused.json()["errors"]} == {"#/finding", "#/outcome", "#/because"}


def test_a_report_sent_again_is_kept_once(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    address, key = kept(mine), {"idempotency-key": str(uuid.uuid4())}
    first = post(f"{address}/outcomes", REPORT, mine.full, **key)
    post(f"{address}/outcomes", REPORT | {"outcome": "ruled_out"}, mine.full)
    again = post(f"{address}/outcomes", REPORT, mine.full, **key)
    assert again.json() == first.json()
    assert again.headers["idempotency-replayed"] == "true"
    assert len(client.get(f"{address}/outcomes", headers=mine.reading).json()["items"]) == 2
    other = post(f"{address}/outcomes", REPORT | {"outcome": "confirmed"}, mine.full, **key)
    assert other.json()["type"] == "/problems/idempotency_key_reused"


def test_shares_are_told_from_ten_reports_on_with_their_interval(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    address = kept(mine)
    for number in range(6):
        address = kept(mine)
        cause = "filter_loaded_with_dirt" if number < 4 else "filter_area_too_small"
        heating = {"outcome": "confirmed" if number else "ruled_out", "cause": cause}
        assert post(f"{address}/outcomes", REPORT | heating, mine.full).status_code == 201
        if number == 4:
            assert (entry(client, mine)["too_few"], "right" in entry(client, mine)) == (True, False)
        cooling = {"state": "cooling", "outcome": "repaired", "cause": cause}
        assert post(f"{address}/outcomes", REPORT | cooling, mine.full).status_code == 201
    found = entry(client, mine)
    assert (found["reported"], found["confirmed"], found["repaired"], found["ruled_out"]) == (12, 5, 6, 1)
    # A report that rules the finding out tells nothing of the ranking, whatever cause it names.
    assert (found["causes_reported"], found["cause_among_ranked"], found["cause_ranked_first"]) == (11, 11, 7)
    assert not found["too_few"]
    assert found["right"]["share"] == round(11 / 12, 4)
    # Wilson's interval for 11 of 12 at 95 %, by scipy.stats.binomtest(11, 12).proportion_ci(method="wilson").
    ends = binomtest(11, 12).proportion_ci(0.95, method="wilson")
    assert (found["right"]["low"], found["right"]["high"]) == pytest.approx((ends.low, ends.high), abs=5e-5)
    assert entry(client, mine, "&since=2199-01-01T00:00:00Z") == {}
    assert entry(client, mine, f"&ruleset_version={found['ruleset_version']}") == found
    assert entry(client, mine, "&ruleset_version=0.0.1") == {}


def test_what_is_corrected_no_longer_counts(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any, example: bytes
) -> None:
    address = kept(mine)
    post(f"{address}/outcomes", REPORT, mine.full)
    assert entry(client, mine)["reported"] == 1
    revision = {"reason": "read from the wrong port", "visit": json.loads(example)}
    assert post(f"{address}/revisions", revision, mine.full).status_code == 201
    assert entry(client, mine) == {}


def test_reports_go_with_their_evaluation(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any
) -> None:
    address = kept(mine)
    report = post(f"{address}/outcomes", REPORT, mine.full).headers["location"]
    selection = {"kind": "evaluation", "evaluation_id": address.rpartition("/")[2]}
    assert post("/v1/erasures", {"selection": selection, "reason": "asked for"}, mine.full).status_code == 201
    assert client.get(report, headers=mine.reading).status_code == 410
    assert client.get(f"{address}/outcomes", headers=mine.reading).status_code == 410
    assert post(f"{address}/outcomes", REPORT, mine.full).status_code == 410
    assert entry(client, mine) == {}


def test_one_account_sees_nothing_of_anothers(
    client: TestClient[Litestar], post: Callable[..., Any], kept: Callable[[Any], str], mine: Any, account: Any
) -> None:
    stranger = account("Made-up Comfort")
    address = kept(mine)
    report = post(f"{address}/outcomes", REPORT, mine.full).headers["location"]
    assert post(f"{address}/outcomes", REPORT, stranger.full).status_code == 404
    for path in (report, f"{address}/outcomes"):
        assert client.get(path, headers=stranger.reading).status_code == 404
    beside = f"{kept(stranger)}/outcomes/{report.rpartition('/')[2]}"
    assert client.get(beside, headers=stranger.reading).status_code == 404
    assert entry(client, stranger) == {}
    assert post(f"{address}/outcomes", REPORT, mine.reading).status_code == 403


def test_the_operator_reads_the_record_of_all_accounts_without_whose_it_is(
    post: Callable[..., Any],
    kept: Callable[[Any], str],
    account: Any,
    database_url: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("DATABASE_URL", database_url)

    def read(shape: str) -> str:
        run = CliRunner().invoke(main, ["rules", "record", "--rule", RULE, "--format", shape])
        assert run.exit_code == 0, run.output
        return run.output

    def reported() -> int:
        return sum(int(row["reported"]) for row in csv.DictReader(io.StringIO(read("csv"))))

    before = reported()
    for whose in (account(), account("Made-up Comfort")):
        told = REPORT | {"note": "a note that stays", "reported_by": "nobody-else"}
        assert post(f"{kept(whose)}/outcomes", told, whose.full).status_code == 201
    assert reported() == before + 2
    answered = json.loads(read("json"))
    assert sum(one["reported"] for one in answered["items"]) == before + 2
    assert RULE in read("table")
    assert all("nobody-else" not in read(shape) and "stays" not in read(shape) for shape in ("csv", "json", "table"))
