"""Erasing for good, and the log of it."""

from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.exchange import AnyRequest, answer, answer_unless_held, negotiated, read_body, serving
from service.api.problems import ProblemRaised
from service.model.erasure import Erasure, Selector
from service.wire.erasures import (
    ErasurePage,
    ErasureRequest,
    ErasureView,
    EvaluationSelection,
    JobSelection,
    SiteSelection,
)
from service.wire.query import PageQuery, decode_query

ErasureId = Annotated[UUID, PathParameter(description="`id` of an erasure.")]


@post(
    "/",
    operation_id="create_erasure",
    summary="Erase evaluations for good",
    opt={"scope": "account:manage", "body": ErasureRequest},
)
async def create_erasure(request: AnyRequest) -> Response[ErasureView]:
    """Erases every evaluation that was kept for a site or a job, or one by its id: the request, the result, the words,
    the reassessments and outcomes beside it, what was still to be told of it, and also what it corrects. It cannot be
    taken back.

    What is left of each is its id and when it was erased, so that it is answered 410 from then on, also to a request
    sent again. The log keeps how many there were, when, by which key and why, and of the reference only its SHA-256.
    One that fits nothing is logged too. At most 20000 are erased at once; where `complete` is false, send it again.

    The database overwrites the bytes when it cleans up, and its backups and logs hold them for as long as the operator
    keeps those.
    """
    asked = serving(request).decoder.decode_as(await read_body(request), ErasureRequest)
    match asked.selection:
        case SiteSelection(site_reference=reference):
            selector = Selector(kind="site", value=reference)
        case JobSelection(job_reference=reference):
            selector = Selector(kind="job", value=reference)
        case EvaluationSelection(evaluation_id=reference):
            selector = Selector(kind="evaluation", value=reference.lower())
    tenant = request.user
    erased = await serving(request).erasures.erase(
        tenant.tenant_id, selector, asked.reason, tenant.key_id, datetime.now(UTC)
    )
    return answer(_view(erased), status=201, headers={"location": f"/v1/erasures/{erased.erasure_id}"})


@get(
    "/",
    operation_id="list_erasures",
    summary="List erasures, newest first",
    opt={"scope": "account:manage", "query": PageQuery},
)
async def list_erasures(request: AnyRequest) -> Response[ErasurePage]:
    """Lists what was erased of the account on request and by age, newest first, a page at a time.

    Follow `next_cursor`, or the `Link` header field with `rel="next"`, until it is absent.
    """
    query = decode_query(request.scope["query_string"], PageQuery)
    page = await serving(request).erasures.list(request.user.tenant_id, cursor=query.cursor or None, limit=query.limit)
    items = [_view(item) for item in page.items]
    if page.next_cursor is None:
        return answer(ErasurePage(items=items))
    address = f"/v1/erasures?limit={query.limit}&cursor={page.next_cursor}"
    view = ErasurePage(items=items, next_cursor=page.next_cursor)
    return answer(view, headers={"link": f'<{address}>; rel="next"'})


@get(
    "/{erasure_id:uuid}",
    operation_id="get_erasure",
    summary="Read an erasure",
    opt={"scope": "account:manage"},
)
async def get_erasure(request: AnyRequest, erasure_id: ErasureId) -> Response[ErasureView]:
    """Reads one erasure: when, by which key, how many, why, and what kind of thing was selected."""
    erasure = await serving(request).erasures.fetch(request.user.tenant_id, erasure_id)
    if erasure is None:
        raise ProblemRaised("not_found", "no erasure of this account has that id")
    return answer_unless_held(request, _view(erasure))


def _view(erasure: Erasure) -> ErasureView:
    unset = msgspec.UNSET
    return ErasureView(
        id=erasure.erasure_id,
        created_at=erasure.created_at,
        kind=erasure.kind,
        evaluations=erasure.evaluations,
        complete=erasure.complete,
        selector_sha256=unset if erasure.selector_sha256 is None else erasure.selector_sha256.hex(),
        reason=erasure.reason or unset,
        key_id=erasure.key_id or unset,
    )


ROUTER = Router(
    "/v1/erasures",
    route_handlers=[create_erasure, list_erasures, get_erasure],
    guards=[negotiated, authorised],
    tags=["Erasures"],
)
