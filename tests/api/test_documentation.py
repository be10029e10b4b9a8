"""The page works without any network, and the vocabulary says what requests may use."""

import re
from typing import Any

from litestar import Litestar
from litestar.testing import TestClient

from service.api.documentation import PAGE, STATIC
from service.api.problems import KINDS
from service.pipeline import Rulebook
from service.wire.faults import FAULT_CODES


def test_the_page_refers_to_nothing_outside(client: TestClient[Litestar]) -> None:
    page = client.get("/docs")
    assert page.status_code == 200
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    references = re.findall(r'(?:href|src)="([^"]*)"', page.text)
    assert len(references) == 5
    assert all(reference.startswith("/") or reference == "data:," for reference in references)
    for reference in references:
        if reference.startswith("/"):
            assert client.get(reference).status_code == 200, reference
    assert "http" not in page.text + client.get("/docs/start.js").text
    styles = client.get("/docs/swagger-ui.css").text
    drawn = re.findall(r"""url\(\s*["']?([^)"']{5})""", styles)
    assert drawn
    assert set(drawn) == {"data:"}
    assert "@import" not in styles


def test_the_browser_would_load_nothing_from_elsewhere(client: TestClient[Litestar]) -> None:
    """Whatever the bundle tries, the policy holds it back."""
    policy = dict(
        part.strip().partition(" ")[::2] for part in client.get("/docs").headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    for directive in ("script-src", "style-src", "connect-src"):
        assert policy[directive] == "'self'"
    assert policy["img-src"] == "'self' data:"
    assert b"<style" not in PAGE
    assert re.findall(rb"<script(?![^>]* src=)", PAGE) == []
    assert re.findall(rb"\son[a-z]+=", PAGE) == []


def test_the_bundle_is_whole_and_its_licence_is_with_it() -> None:
    assert "Apache License" in (STATIC / "swagger-ui.LICENSE").read_text()
    assert (STATIC / "swagger-ui.NOTICE").read_text().strip()
    assert (STATIC / "swagger-ui-bundle.js").stat().st_size > 1_000_000
    assert "SwaggerUIBundle" in (STATIC / "swagger-ui-bundle.js").read_text()


def test_a_file_of_the_page_is_not_sent_again(client: TestClient[Litestar]) -> None:
    for path in ("/docs/swagger-ui.css", "/openapi.json"):
        tag = client.get(path).headers["etag"]
        again = client.get(path, headers={"if-none-match": tag})
        assert (again.status_code, again.content) == (304, b"")


def test_each_problem_is_described_at_its_type(client: TestClient[Litestar]) -> None:
    listed = client.get("/problems").json()["items"]
    assert [kind["code"] for kind in listed] == list(KINDS)
    for kind in listed:
        described = client.get(kind["type"])
        assert described.json() == kind
        assert kind["meaning"]
        assert kind["remedy"]
    assert client.get("/problems/request_refused").json()["faults"] == FAULT_CODES


def test_the_vocabulary_is_that_of_the_rules(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    ruleset = rulebook.current.ruleset
    for name, entries in {
        "units": ruleset.dimensions,
        "quantities": ruleset.quantities,
        "stations": ruleset.stations,
        "places": ruleset.places,
        "elements": ruleset.elements,
        "arrangements": ruleset.arrangements,
        "observations": ruleset.observations,
        "causes": ruleset.causes,
    }.items():
        items = client.get(f"/v1/vocabulary/{name}").json()["items"]
        assert [item["name"] for item in items] == list(entries)
        assert all(item["meaning"] for item in items)
    procedures = client.get("/v1/procedures").json()["items"]
    assert [procedure["id"] for procedure in procedures] == list(ruleset.procedures)
    assert all(procedure["steps"] for procedure in procedures)


def test_stations_of_an_arrangement_are_those_its_path_has(client: TestClient[Litestar]) -> None:
    arrangements = {item["name"]: item for item in client.get("/v1/vocabulary/arrangements").json()["items"]}
    furnace = arrangements["furnace_with_cased_coil"]
    assert {"supply_plenum", "filter_inlet", "coil_inlet"} <= set(furnace["stations"])
    assert set(furnace["inside"]) <= set(furnace["air_path"])


def test_every_rule_can_be_read_with_what_it_rests_on(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    ruleset = rulebook.current.ruleset
    version = ruleset.release.version
    listed = client.get(f"/v1/rulesets/{version}").json()
    assert listed["digest"] == ruleset.digest
    assert listed["current"] is True
    assert [rule["id"] for rule in listed["rules"]] == list(ruleset.diagnoses)
    for rule in listed["rules"]:
        whole: dict[str, Any] = client.get(f"/v1/rulesets/{version}/rules/{rule['id']}").json()
        diagnosis = ruleset.diagnoses[rule["id"]]
        assert whole["when"] == diagnosis.when
        read = {criterion["id"] for criterion in whole["criteria"]}
        assert read == {token.rpartition(".")[0] for token in diagnosis.when} & set(ruleset.criteria)
        cited = {source["key"] for source in whole["sources"]}
        assert {limit["source"] for criterion in whole["criteria"] for limit in criterion["limits"]} <= cited
        assert set(diagnosis.sources) <= cited
    assert client.get("/v1/rulesets").json()["items"][0]["rules"] == len(listed["rules"])


def test_the_page_starts_with_the_contract_of_this_service(client: TestClient[Litestar]) -> None:
    options = dict(re.findall(r"(\w+): ([^,\n]+),", (STATIC / "start.js").read_text()))
    assert options["url"] == '"/openapi.json"'
    assert options["validatorUrl"] == "null"
    assert options["dom_id"] == '"#page"'
    assert b'<div id="page">' in PAGE
    assert client.get("/openapi.json").json()["openapi"].startswith("3.1")


def test_the_rulebook_is_served_page_by_page(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    version = rulebook.current.ruleset.release.version
    first = client.get("/docs/rules", follow_redirects=False)
    assert (first.status_code, first.headers["location"]) == (307, f"/docs/rules/{version}/index.html")
    page = client.get(f"/docs/rules/{version}/rules/filter_loaded.html")
    assert page.status_code == 200
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["content-language"] == "en"
    assert "script-src" not in page.headers["content-security-policy"]
    assert "default-src 'none'" in page.headers["content-security-policy"]
    assert "Filter pressure drop well above its clean rating" in page.text
    assert "near miss" in page.text
    again = client.get(page.url.path, headers={"if-none-match": page.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert client.get(f"/docs/rules/{version}/style.css").headers["content-type"].startswith("text/css")


def test_there_is_no_rulebook_of_another_version_and_no_other_page(
    client: TestClient[Litestar], rulebook: Rulebook
) -> None:
    version = rulebook.current.ruleset.release.version
    for address in ("99.0.0/index.html", f"{version}/nothing.html", f"{version}/rules/../../x.html"):
        answered = client.get(f"/docs/rules/{address}")
        assert answered.status_code == 404, address
        assert answered.headers["content-type"] == "application/problem+json"


def test_a_version_is_compared_with_another(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    (version,) = rulebook.names[:1]
    same = client.get(f"/v1/rulesets/{version}/differences/{version}")
    assert same.status_code == 200
    reference = {"version": version, "digest": rulebook.rulesets[version].digest}
    assert same.json() == {"before": reference, "after": reference, "changes": []}
    for path in (f"{version}/differences/99.0.0", f"99.0.0/differences/{version}"):
        refused = client.get(f"/v1/rulesets/{path}")
        assert (refused.status_code, refused.json()["type"]) == (404, "/problems/not_found")


def test_each_version_is_listed_as_released_or_worked_on(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    listed = client.get("/v1/rulesets").json()["items"]
    assert [item["version"] for item in listed] == list(rulebook.names)
    assert [item["version"] for item in listed if item["current"]] == [rulebook.current.ruleset.release.version]
    working = [item["version"] for item in listed if item["status"] == "working"]
    assert working == ([rulebook.unreleased] if rulebook.unreleased else [])
