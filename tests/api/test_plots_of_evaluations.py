"""Plots over HTTP."""

from collections.abc import Callable
from typing import Any
from xml.etree import ElementTree

from litestar import Litestar
from litestar.testing import TestClient


def kept(post: Callable[..., Any], example: bytes, account: Any) -> str:
    return str(post("/v1/evaluations", example, account.full).json()["id"])


def test_plots_are_listed_and_drawn(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any, example: bytes
) -> None:
    listed = client.get(f"/v1/evaluations/{kept(post, example, ours)}/plots", headers=ours.reading)
    assert listed.status_code == 200
    items = listed.json()["items"]
    assert [item["kind"] for item in items] == ["air_path", "blower_and_system"] * 2
    for item in items:
        drawn = client.get(item["address"], headers=ours.reading)
        assert (drawn.status_code, drawn.headers["content-type"]) == (200, "image/svg+xml")
        root = ElementTree.fromstring(drawn.content)
        assert root.find("{http://www.w3.org/2000/svg}desc").text == item["description"]  # type: ignore[union-attr]
        again = client.get(item["address"], headers={**ours.reading, "if-none-match": drawn.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")


def test_units_and_language_are_those_asked_for(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any, example: bytes
) -> None:
    address = f"/v1/evaluations/{kept(post, example, ours)}/plots/air_path_1"
    drawn = client.get(f"{address}?units=si", headers={**ours.reading, "accept-language": "es"})
    assert drawn.headers["content-language"] == "es"
    assert "Presión estática respecto al aire ambiente, Pa" in drawn.text


def test_what_is_not_there_and_what_is_another_s_look_alike(
    client: TestClient[Litestar], post: Callable[..., Any], ours: Any, theirs: Any, example: bytes
) -> None:
    evaluation = kept(post, example, ours)
    for path, headers in (("air_path_9", ours.reading), ("air_path_1", theirs.reading), ("%2e%2e", ours.reading)):
        answer = client.get(f"/v1/evaluations/{evaluation}/plots/{path}", headers=headers)
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not_found")


def test_only_svg_is_offered(client: TestClient[Litestar], post: Callable[..., Any], ours: Any, example: bytes) -> None:
    address = f"/v1/evaluations/{kept(post, example, ours)}/plots/air_path_1"
    for accept, status in (("image/png", 406), ("image/*", 200), ("application/json;q=0.9, image/svg+xml;q=0.1", 200)):
        answer = client.get(address, headers={**ours.reading, "accept": accept})
        assert answer.status_code == status
    refused = client.get(address, headers={**ours.reading, "accept": "image/png"}).json()
    assert refused["detail"] == "this is answered as image/svg+xml"
