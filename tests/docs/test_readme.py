"""README.md tells the truth: its request, answer and table are the service's own, its commands and files exist."""

from __future__ import annotations

import re
from pathlib import Path

from service.settings import VARIABLES
from tests.docs.readme import EXAMPLE, README, first_visit, json_text, rewritten

ROOT = Path(__file__).parents[2]


def test_request_answer_and_table_are_what_the_service_makes() -> None:
    text = README.read_text()
    assert rewritten(text) == text, "run: python -m tests.docs.readme"


def test_the_example_file_is_the_request_shown() -> None:
    assert EXAMPLE.read_text() == json_text(first_visit()) + "\n"


def test_every_file_named_exists() -> None:
    for document in ("README.md", "DEVELOPERS.md", "rules/README.md", "deploy/README.md", "openapi/README.md"):
        text = (ROOT / document).read_text()
        named = set(re.findall(r"`((?:service|rules|tests|openapi|deploy|\.ci)/[\w./-]*\w)`", text))
        missing = [name for name in named if not (ROOT / name).exists()]
        assert not missing, f"{document} names {missing}"
        assert named, f"{document} names no file at all"


def test_every_path_of_the_api_that_the_readme_names_is_served() -> None:
    contract = (ROOT / "openapi" / "openapi.json").read_text()
    paths = set(re.findall(r'"(/[^"]*)": \{', contract))
    named = set(re.findall(r"`(?:GET |POST )?(/(?:v1|health|openapi)[\w/.{}-]*[\w}])`", README.read_text()))
    assert named
    shapes = {re.sub(r"\{[^}]*\}", "{}", path) for path in paths} | {"/openapi.json", "/docs"}
    unknown = [name for name in named if re.sub(r"\{[^}]*\}", "{}", name) not in shapes]
    assert not unknown


def test_every_setting_is_documented() -> None:
    text = (ROOT / "deploy" / "README.md").read_text()
    missing = [variable for variable, _ in VARIABLES.values() if f"`{variable}`" not in text]
    assert not missing


def test_the_readme_says_what_the_service_is_not() -> None:
    text = " ".join(README.read_text().split())
    for words in ("local codes", "manufacturer's instructions", "licensed person", "never declares a site"):
        assert words in text
