"""Documents of a kept evaluation, or of two held against each other, for three readers, in four formats."""

import asyncio

from litestar import Response, Router, get

from service.api.access import authorised
from service.api.comparisons import fetch_pair
from service.api.evaluations import EvaluationId, fetch_kept, judged_visit
from service.api.exchange import AnyRequest, answer_text, chosen_media, language, negotiated, serving, spoken
from service.document import write
from service.document.blocks import Document
from service.document.comparison import comparison_document, told_of_both
from service.document.content import document, short_id, told_of
from service.document.svg import FONT
from service.pipeline import figures, judge_and_compare
from service.wire.query import ComparisonDocumentQuery, DocumentQuery, decode_query
from service.wire.speech import Speech

HTML, PDF, TEXT, CSV = "text/html", "application/pdf", "text/plain", "text/csv"
FORMATS = {"html": HTML, "pdf": PDF, "text": TEXT, "csv": CSV}
PAGES = {
    HTML: "A page that needs nothing beside itself, runs no script, and prints.",
    PDF: "PDF with page numbers and tags for those who do not see it.",
    TEXT: "The same as plain text in UTF-8.",
}
ENDINGS = {HTML: "html", PDF: "pdf", TEXT: "txt", CSV: "csv"}


@get(
    "/{evaluation_id:uuid}/document",
    operation_id="get_document",
    summary="Read a kept evaluation as a document",
    opt={
        "scope": "evaluations:read",
        "query": DocumentQuery,
        "pinned": True,
        "kept": True,
        "spoken": True,
        "disposed": True,
        "media": {
            **PAGES,
            CSV: "Every quantity, a row each, whoever the reader is (RFC 4180; the first row names the columns).",
        },
    },
)
async def get_document(request: AnyRequest, evaluation_id: EvaluationId) -> Response[bytes]:
    """Writes one kept evaluation for the reader asked for, under the account's letterhead, in the unit system and
    language asked for: what was found, what it means, what to do, what was not judged, with every caution."""
    query = decode_query(request.scope["query_string"], DocumentQuery)
    stored, evaluation, prepared = await fetch_kept(request, evaluation_id)
    visit = judged_visit(request, stored, prepared)
    speech = language(request, prepared)
    media_type = FORMATS[query.format] if query.format else chosen_media(request)
    units = query.units or stored.units
    letterhead = (await serving(request).accounts.fetch(request.user.tenant_id)).letterhead

    def written() -> tuple[bytes, str]:
        drawn = figures(visit, prepared) if query.reader == "technician" and media_type != CSV else ()
        told = told_of(
            evaluation,
            visit,
            drawn,
            prepared.ruleset,
            prepared.units,
            units,
            speech,
            font=write.PDF_FONT if media_type == PDF else FONT,
            evaluation_id=stored.evaluation_id,
            created_at=stored.created_at,
            letterhead=letterhead,
        )
        if media_type == CSV:
            return write.quantities_csv(told).encode(), f"airside-quantities-{short_id(evaluation_id)}"
        page = document(told, query.reader, query.paper or None)
        return _page(page, media_type), page.name

    content, name = await asyncio.to_thread(written)
    return _answered(request, speech, media_type, content, name)


@get(
    "/document",
    operation_id="get_comparison_document",
    summary="Read a comparison of two visits as a document",
    opt={
        "scope": "evaluations:read",
        "query": ComparisonDocumentQuery,
        "pinned": True,
        "kept": True,
        "spoken": True,
        "conflict": "visits_not_comparable",
        "media": {
            **PAGES,
            CSV: "Every quantity that both visits have, a row each, whoever the reader is, with its uncertainty and "
            "whether it moved; of those that may not be compared, why (RFC 4180; the first row names the columns).",
        },
    },
)
async def get_comparison_document(request: AnyRequest) -> Response[bytes]:
    """Writes what `GET /v1/comparisons` says for the reader asked for, under the account's letterhead: what was done
    and whether the readings prove it, what is solved, still there, new, or no longer judged, and what to do next."""
    query = decode_query(request.scope["query_string"], ComparisonDocumentQuery, serving(request).decoder.names)
    asked = await fetch_pair(request, query)
    media_type = FORMATS[query.format] if query.format else chosen_media(request)
    letterhead = (await serving(request).accounts.fetch(request.user.tenant_id)).letterhead

    def written() -> tuple[bytes, str]:
        before, after = asked.visits(request)
        drawing = query.reader == "technician" and media_type != CSV
        told = told_of_both(
            judge_and_compare(before, after, asked.prepared),
            (before, after),
            (figures(before, asked.prepared), figures(after, asked.prepared)) if drawing else ((), ()),
            asked.prepared.ruleset,
            asked.prepared.units,
            asked.system,
            asked.speech,
            kept=asked.told(),
            letterhead=letterhead,
            font=write.PDF_FONT if media_type == PDF else FONT,
        )
        page = comparison_document(told, query.reader, query.paper or None)
        content = write.compared_csv(told).encode() if media_type == CSV else _page(page, media_type)
        return content, page.name

    content, name = await asyncio.to_thread(written)
    return _answered(request, asked.speech, media_type, content, name)


def _page(page: Document, media_type: str) -> bytes:
    match media_type:
        case "text/html":
            return write.html(page).encode()
        case "application/pdf":
            return write.pdf(page)
        case _:
            return write.text(page).encode()


def _answered(request: AnyRequest, speech: Speech, media_type: str, content: bytes, name: str) -> Response[bytes]:
    headers = {
        **spoken(speech),
        "vary": "Accept, Accept-Language",
        "content-disposition": f'inline; filename="{name}.{ENDINGS[media_type]}"',
    }
    if media_type == HTML:
        headers["content-security-policy"] = (
            f"default-src 'none'; style-src 'sha256-{write.style_digest()}'; img-src data:; base-uri 'none'; "
            "form-action 'none'; frame-ancestors 'none'"
        )
    return answer_text(request, content, media_type, headers=headers)


ROUTER = Router("/v1/evaluations", route_handlers=[get_document], guards=[negotiated, authorised], tags=["Documents"])
COMPARISONS = Router(
    "/v1/comparisons", route_handlers=[get_comparison_document], guards=[negotiated, authorised], tags=["Documents"]
)
