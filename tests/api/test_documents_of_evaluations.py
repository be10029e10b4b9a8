"""Documents over HTTP."""

import base64
import hashlib
import re
from collections.abc import Callable
from typing import Any

import pytest
from litestar import Litestar
from litestar.testing import TestClient


@pytest.fixture
def address(post: Callable[..., Any], example: bytes, ours: Any) -> str:
    return f"/v1/evaluations/{post('/v1/evaluations', example, ours.full).json()['id']}/document"


@pytest.mark.parametrize(
    ("accept", "query", "media", "ending", "begins"),
    [
        ("text/html", "", "text/html; charset=utf-8", "html", b"<!doctype html>"),
        ("application/pdf", "?reader=office", "application/pdf", "pdf", b"%PDF"),
        ("text/plain", "?reader=technician", "text/plain; charset=utf-8", "txt", b"Air-side readings"),
        ("text/csv", "", "text/csv; charset=utf-8", "csv", b"evaluation_id,"),
        ("text/html", "?format=pdf", "application/pdf", "pdf", b"%PDF"),
        ("*/*", "", "text/html; charset=utf-8", "html", b"<!doctype html>"),
    ],
)
def test_formats(
    client: TestClient[Litestar],
    ours: Any,
    address: str,
    accept: str,
    query: str,
    media: str,
    ending: str,
    begins: bytes,
) -> None:
    answer = client.get(address + query, headers={**ours.reading, "accept": accept})
    assert (answer.status_code, answer.headers["content-type"]) == (200, media)
    assert answer.content.startswith(begins)
    assert re.fullmatch(
        rf'inline; filename="airside-[a-z]+-[0-9a-f]{{8}}-[0-9a-f]{{4}}\.{ending}"',
        answer.headers["content-disposition"],
    )
    again = client.get(
        address + query, headers={**ours.reading, "accept": accept, "if-none-match": answer.headers["etag"]}
    )
    assert (again.status_code, again.content) == (304, b"")


def test_the_policy_of_a_page_allows_its_own_style_and_nothing_else(
    client: TestClient[Litestar], ours: Any, address: str
) -> None:
    """CSP Level 3, 2.3.1: the hash is that of the element's text."""
    answer = client.get(address, headers={**ours.reading, "accept": "text/html"})
    style = re.search("<style>(.*?)</style>", answer.text, re.S)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert f"style-src 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_language_units_and_paper_are_those_asked_for(client: TestClient[Litestar], ours: Any, address: str) -> None:
    answer = client.get(
        f"{address}?reader=technician&units=si",
        headers={**ours.reading, "accept": "text/plain", "accept-language": "es"},
    )
    assert answer.headers["content-language"] == "es"
    assert answer.text.startswith("Lecturas del lado del aire")
    assert " Pa" in answer.text


def test_refusals(client: TestClient[Litestar], ours: Any, theirs: Any, address: str) -> None:
    for query, headers, status in (
        ("", {**ours.reading, "accept": "image/png"}, 406),
        ("?reader=neighbour", ours.reading, 422),
        ("?format=docx", ours.reading, 422),
        ("", theirs.reading, 404),
        ("", ours.writing, 403),
    ):
        answer = client.get(address + query, headers=headers)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
    refused = client.get(f"{address}?reader=neighbour", headers=ours.reading).json()
    assert refused["errors"][0]["accepted"] == ["customer", "office", "technician"]
