"""The contract, a page to read it with, and what each kind of problem means. Nothing is loaded from elsewhere."""

import functools
import hashlib
from pathlib import Path
from typing import Annotated

import msgspec
from litestar import Response, Router, get
from litestar.params import PathParameter

from service.api.exchange import JSON, AnyRequest, answer_unless_held, negotiated, serving
from service.api.problems import KINDS, ProblemRaised
from service.wire.faults import FAULT_CODES
from service.wire.response import ProblemKind, ProblemKindList

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy of the page: its own scripts, styles and requests only."""

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


PROBLEMS = Router("/problems", route_handlers=[list_problems, get_problem], guards=[negotiated], tags=["Problems"])
