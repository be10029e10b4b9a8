"""Kept evaluations handed out as files, streamed.

A page of evaluations is read, written out and sent before the next is read, so that an export of any length holds one
page in memory, and no connection to the database while its client is slow.
"""

import asyncio
from collections.abc import AsyncIterator
from typing import Any, cast

from litestar import Request, Response, Router, get
from litestar.response.streaming import ASGIStreamingResponse, Stream
from litestar.types import Receive, Send

from service.api.access import authorised
from service.api.evaluations import Judged, decoded_evaluation, selection
from service.api.exchange import (
    AnyRequest,
    chosen_media,
    encode,
    language,
    languages,
    made_ready,
    negotiated,
    serving,
    spoken,
)
from service.api.problems import KINDS, ProblemRaised
from service.document.spreadsheet import Rows, header, lines, unreadable
from service.errors import ClientStalled
from service.model.record import StoredEvaluation, Units
from service.pipeline import Prepared
from service.wire.query import ExportQuery, decode_query
from service.wire.response import Problem, UnreadableEvaluation
from service.wire.speech import preferred

NDJSON = "application/x-ndjson"
CSV = "text/csv"

PAGE = 16
"""Evaluations read and held at once."""

LONGEST_PAUSE = 60.0
"""Seconds for which a client may take nothing before it is cut off."""


@get(
    "/",
    operation_id="export_evaluations",
    summary="Export kept evaluations, newest first",
    opt={
        "scope": "evaluations:read",
        "query": ExportQuery,
        "spoken": True,
        "streamed": True,
        "media": {
            NDJSON: "A line an evaluation, as `KeptEvaluation`; one that can no longer be read as "
            "`UnreadableEvaluation`.",
            CSV: "RFC 4180 in UTF-8 with a header line; `rows` says what a row is.",
        },
    },
)
async def export_evaluations(request: AnyRequest) -> Response[bytes]:
    """Hands out all kept evaluations that the parameters narrow to, those kept last first, in one answer of any length.

    `Accept: application/x-ndjson` gives a line of JSON for each evaluation in full; `text/csv` gives rows for a
    spreadsheet. All of them are written in one unit system, by default the account's. A cell of CSV that a spreadsheet
    program would compute has an apostrophe before it.

    The answer shows what was kept when it began; what is corrected while it is under way may be left out. If it cannot
    go on, because the database fails or the client takes nothing for a minute, the connection is cut: an answer that
    did not end as HTTP ends one (its last chunk, or the end of the stream) is not whole.
    """
    query = decode_query(request.scope["query_string"], ExportQuery)
    speech = language(request, serving(request).rulebook.current)
    media = chosen_media(request)
    writer = _Writer(request, query.units or request.user.units, query.rows if media == CSV else None)
    pages = _pages(request, query, writer)
    first = await anext(pages)  # what is refused, is so before the answer begins
    headers = {**spoken(speech), "vary": "Accept, Accept-Language"}
    if media == CSV:
        headers["content-disposition"] = f'attachment; filename="{query.rows}.csv"'
        media = f"{CSV}; header=present"  # the charset is added
    return cast("Response[bytes]", _Paced(_following(first, pages, request), headers=headers, media_type=media))


async def _following(first: bytes, rest: AsyncIterator[bytes], request: AnyRequest) -> AsyncIterator[bytes]:
    yield first
    if not request.scope["state"]["head"]:
        async for chunk in rest:
            yield chunk


async def _pages(request: AnyRequest, query: ExportQuery, writer: "_Writer") -> AsyncIterator[bytes]:
    store, tenant_id, filters = serving(request).store, request.user.tenant_id, selection(query)
    cursor = None
    beginning = writer.beginning
    while True:
        page = await store.list(tenant_id, filters, cursor, PAGE)
        kept = await store.fetch_these(tenant_id, [item.evaluation_id for item in page.items]) if page.items else ()
        versions = await _versions(request, kept)
        yield beginning + await asyncio.to_thread(writer.page, kept, versions)
        beginning = b""
        cursor = page.next_cursor
        if cursor is None:
            return


async def _versions(request: AnyRequest, kept: tuple[StoredEvaluation, ...]) -> dict[str, Prepared]:
    rulebook = serving(request).rulebook
    return {
        name: await made_ready(rulebook, name)
        for name in {stored.ruleset_version for stored in kept}
        if name in rulebook.versions
    }


class _Writer:
    """Writes evaluations as lines of one kind: of CSV by `rows`, of JSON without."""

    def __init__(self, request: AnyRequest, units: Units, rows: Rows | None) -> None:
        self._units = units
        self._rows = rows
        self._asked = languages(request)

    @property
    def beginning(self) -> bytes:
        return b"" if self._rows is None else header(self._rows).encode()

    def page(self, kept: tuple[StoredEvaluation, ...], versions: dict[str, Prepared]) -> bytes:
        return b"".join(self._line(stored, versions) for stored in kept)

    def _line(self, stored: StoredEvaluation, versions: dict[str, Prepared]) -> bytes:
        try:
            judged = self._read(stored, versions)
        except ProblemRaised as raised:
            return self._unreadable(stored, raised)
        view = judged.view(self._units, preferred(self._asked, judged.prepared.languages), as_of_now=True)
        return encode(view) + b"\n" if self._rows is None else lines(self._rows, view).encode()

    def _read(self, stored: StoredEvaluation, versions: dict[str, Prepared]) -> Judged:
        if stored.ruleset_version not in versions:
            raise ProblemRaised("ruleset_not_installed", "the version of the rules that judged it is not installed")
        return Judged(stored, decoded_evaluation(stored.evaluation), versions[stored.ruleset_version])

    def _unreadable(self, stored: StoredEvaluation, raised: ProblemRaised) -> bytes:
        if self._rows is not None:
            visit = (
                str(stored.evaluation_id),
                stored.created_at.isoformat(),
                stored.visited_at.isoformat() if stored.visited_at else "",
                stored.site_reference,
                stored.equipment_reference,
                stored.job_reference,
            )
            return unreadable(self._rows, visit, raised.code).encode()
        kind = KINDS[raised.code]
        problem = Problem(type=f"/problems/{raised.code}", title=kind.title, status=kind.status, detail=raised.detail)
        return (
            encode(UnreadableEvaluation(id=stored.evaluation_id, created_at=stored.created_at, problem=problem)) + b"\n"
        )


class _Paced(Stream):
    """A stream that ends with its client, and cuts off one that takes nothing for `LONGEST_PAUSE`."""

    def to_asgi_response(self, app: Any, request: Request[Any, Any, Any], **given: Any) -> "_PacedResponse":
        headers = {**(given.get("headers") or {}), **self.headers}
        return _PacedResponse(
            iterator=self.iterator,  # type: ignore[arg-type]
            headers=headers,
            media_type=self.media_type,
            status_code=self.status_code or given.get("status_code"),
        )


class _PacedResponse(ASGIStreamingResponse):
    async def send_body(self, send: Send, receive: Receive) -> None:
        gone = asyncio.ensure_future(_gone(receive))
        try:
            async for chunk in self.iterator:
                if gone.done():
                    return
                await _sent(send, cast(bytes, chunk), more=True)
            await _sent(send, b"", more=False)
        finally:
            gone.cancel()


async def _sent(send: Send, chunk: bytes, *, more: bool) -> None:
    try:
        async with asyncio.timeout(LONGEST_PAUSE):
            await send({"type": "http.response.body", "body": chunk, "more_body": more})
    except TimeoutError:
        raise ClientStalled from None


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


ROUTER = Router(
    "/v1/evaluations/export",
    route_handlers=[export_evaluations],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
