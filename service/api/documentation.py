"""The contract, a page to read it with, and what each kind of problem means. Nothing is loaded from elsewhere."""

import asyncio
import functools
import hashlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import msgspec
from litestar import Response, Router, get
from litestar.params import PathParameter

from service.api.exchange import JSON, AnyRequest, answer_unless_held, language, negotiated, serving, spoken
from service.api.problems import KINDS, ProblemRaised
from service.document.rulebook import RulePages
from service.model.ruleset import CaseFile, Ruleset
from service.ruleset import rules_folder
from service.ruleset.load import read_cases
from service.wire.faults import FAULT_CODES
from service.wire.response import ProblemKind, ProblemKindList
from service.wire.speech import Speech

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy of the page: its own scripts, styles and requests only."""

BOOK_POLICY = "default-src 'none'; style-src 'self'; img-src data:; base-uri 'none'; frame-ancestors 'none'"
"""Content-Security-Policy of the rulebook's pages, which hold no script."""

STATIC = Path(__file__).parent / "static"

_FILES = {
    "swagger-ui-bundle.js": "text/javascript",
    "swagger-ui.css": "text/css",
    "start.js": "text/javascript",
}

PAGE = b"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Airside Findings API</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/docs/swagger-ui.css">
</head>
<body>
<div id="page"></div>
<noscript>The contract itself is at <a href="/openapi.json">/openapi.json</a>.</noscript>
<script src="/docs/swagger-ui-bundle.js"></script>
<script src="/docs/start.js"></script>
</body>
</html>
"""


@get("/docs", include_in_schema=False)
async def page() -> Response[bytes]:
    """The contract to read and try."""
    headers = {"content-security-policy": PAGE_POLICY, "cache-control": "no-cache"}
    return Response(PAGE, media_type="text/html", headers=headers)


@get("/docs/{name:str}", include_in_schema=False)
async def file(
    request: AnyRequest, name: Annotated[str, PathParameter(description="Name of the file.")]
) -> Response[bytes]:
    """A script or style of the page."""
    if name not in _FILES:
        raise ProblemRaised("not_found", "the page has no such file")
    content, tag = _file(name)
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(b"", status_code=304, headers=headers)
    return Response(content, media_type=_FILES[name], headers=headers)


@functools.cache
def _file(name: str) -> tuple[bytes, str]:
    content = (STATIC / name).read_bytes()
    return content, f'"{hashlib.sha256(content).hexdigest()[:32]}"'


@get("/openapi.json", include_in_schema=False)
async def openapi(request: AnyRequest) -> Response[bytes]:
    """The contract of the running service, with the units and rulesets that are installed."""
    content = serving(request).contract()
    tag = f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(b"", status_code=304, headers=headers)
    return Response(content, media_type=JSON, headers=headers)


def _kind(code: str) -> ProblemKind:
    kind = KINDS[code]
    return ProblemKind(
        type=f"/problems/{code}",
        code=code,
        status=kind.status,
        title=kind.title,
        meaning=kind.meaning,
        remedy=kind.remedy,
        faults=FAULT_CODES if code in ("request_refused", "not_well_formed") else msgspec.UNSET,
    )


@get("/", operation_id="list_problems", summary="List the kinds of problems")
async def list_problems(request: AnyRequest) -> Response[ProblemKindList]:
    """Lists every `type` that a problem may have."""
    return answer_unless_held(request, ProblemKindList(items=[_kind(code) for code in KINDS]))


@get("/{problem_code:str}", operation_id="get_problem", summary="Read what a kind of problem means")
async def get_problem(
    request: AnyRequest, problem_code: Annotated[str, PathParameter(description="Last part of a problem's `type`.")]
) -> Response[ProblemKind]:
    """Reads what a kind of problem means and what to do about it; its address is the `type` of such problems."""
    if problem_code not in KINDS:
        raise ProblemRaised("not_found", "there is no such kind of problem")
    return answer_unless_held(request, _kind(problem_code))


@get("/docs/rules", include_in_schema=False)
async def rulebook(request: AnyRequest) -> Response[bytes]:
    """The rules to browse: sends the reader to those in use."""
    version = serving(request).rulebook.current.ruleset.release.version
    return Response(b"", status_code=307, headers={"location": f"/docs/rules/{version}/index.html"})


@get("/docs/rules/{version:str}/{name:path}", include_in_schema=False)
async def rulebook_page(
    request: AnyRequest,
    version: Annotated[str, PathParameter(description="Version of an installed ruleset.")],
    name: Annotated[Path, PathParameter(description="Page of the rulebook.")],
) -> Response[bytes]:
    """A page of the rulebook, in the language asked for."""
    prepared = serving(request).rulebook.version(version)
    if prepared is None:
        raise ProblemRaised("not_found", "this version of the rules is not installed")
    speech = language(request, prepared)
    found = await asyncio.to_thread(_rulebook_page, prepared.ruleset, speech, name.as_posix().lstrip("/"))
    if found is None:
        raise ProblemRaised("not_found", "the rulebook has no such page")
    content, tag = found
    headers = {
        "etag": tag,
        "cache-control": "no-cache",
        "content-security-policy": BOOK_POLICY,
        **spoken(speech),
    }
    if request.headers.get("if-none-match") == tag:
        return Response(b"", status_code=304, headers=headers)
    return Response(content, media_type="text/css" if name.suffix == ".css" else "text/html", headers=headers)


_book: dict[tuple[str, str, str], tuple[bytes, str]] = {}
"""Pages made so far, by version, language and name; there are no more of them than the rules have."""


def _rulebook_page(ruleset: Ruleset, speech: Speech, name: str) -> tuple[bytes, str] | None:
    key = (ruleset.digest, speech.code, name)
    if key not in _book:
        page = RulePages(ruleset, _cases(ruleset.release.version), speech).page(name)
        if page is None:
            return None
        content = page.encode()
        _book[key] = content, f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    return _book[key]


@functools.cache
def _cases(version: str) -> Mapping[str, CaseFile]:
    """The cases that lie beside the rules of this installation, where they are of that version."""
    root = rules_folder()
    of_folder = tomllib.loads((root / "ruleset.toml").read_text(encoding="utf-8"))["version"]
    return read_cases(root)[0] if of_folder == version else {}


PROBLEMS = Router("/problems", route_handlers=[list_problems, get_problem], guards=[negotiated], tags=["Problems"])
