"""Answers in Spanish over HTTP: asked for by header, kept in neither language, marked as a translation."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from litestar import Litestar
from litestar.testing import TestClient

from service.pipeline import Rulebook

SPANISH = {"accept-language": "es-MX, es;q=0.9, en;q=0.4"}
JSON = {"content-type": "application/json"}


def test_one_kept_evaluation_reads_in_both_languages(
    client: TestClient[Litestar], account: Callable[..., Any], example: bytes
) -> None:
    keys = account().full
    made = client.post("/v1/evaluations", content=example, headers={**keys, **JSON, **SPANISH})
    assert made.status_code == 201
    assert made.headers["content-language"] == "es"
    assert made.headers["vary"] == "Accept-Language"
    spanish = made.json()["result"]
    assert spanish["language"] == "es"
    assert "no revisada" in spanish["translation_note"]
    english = client.get(f"/v1/evaluations/{made.json()['id']}", headers=keys)
    assert english.headers["content-language"] == "en"
    plain = english.json()["result"]
    assert "translation_note" not in plain
    assert [entry["code"] for entry in plain["findings"]] == [entry["code"] for entry in spanish["findings"]]
    for mine, other in zip(plain["findings"], spanish["findings"], strict=True):
        for field in ("title", "summary", "why_it_matters", "what_to_do"):
            assert mine[field] != other[field], (mine["code"], field)
    for mine, other in zip(plain["cautions"], spanish["cautions"], strict=True):
        assert mine["text"] != other["text"]
    assert plain["quantities"][0]["value"] == spanish["quantities"][0]["value"]


def test_what_the_service_knows_is_told_in_spanish(client: TestClient[Litestar], rulebook: Rulebook) -> None:
    version = rulebook.current.ruleset.release.version
    for address in (
        f"/v1/rulesets/{version}/rules/filter_loaded",
        "/v1/procedures?reading_kind=static_pressure",
        "/v1/vocabulary/causes",
        "/v1/vocabulary/observations",
    ):
        spanish, english = client.get(address, headers=SPANISH), client.get(address)
        assert spanish.headers["content-language"] == "es", address
        assert spanish.json() != english.json(), address
        assert spanish.headers["etag"] != english.headers["etag"]
    page = client.get(f"/docs/rules/{version}/rules/filter_loaded.html", headers=SPANISH)
    assert '<html lang="es">' in page.text
    assert "no revisada" in page.text
