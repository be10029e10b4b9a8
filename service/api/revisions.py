"""Correcting a kept visit: a new evaluation that supersedes the one before, which never changes."""

from itertools import zip_longest

import msgspec
from litestar import Response, Router, get, post

from service.api.access import authorised
from service.api.evaluations import EvaluationId, absent, judged_once
from service.api.exchange import AnyRequest, answer_unless_held, negotiated, read_body, serving
from service.api.repetition import sent
from service.wire.response import KeptEvaluation, RulesetReference
from service.wire.revisions import RevisionChain, RevisionRequest, RevisionView, visit_of


@post(
    "/",
    operation_id="create_revision",
    summary="Correct a kept visit",
    opt={
        "scope": "evaluations:write",
        "body": RevisionRequest,
        "spoken": True,
        "pinned": True,
        "conflict": "superseded",
        "repeatable": True,
    },
)
async def create_revision(request: AnyRequest, evaluation_id: EvaluationId) -> Response[KeptEvaluation]:
    """Judges a visit as it should have been sent, and keeps it as a new evaluation that supersedes the one at this
    address. That one stays as it is, with its reassessments, and says what superseded it.

    An evaluation is corrected once; to correct it again, correct what superseded it, which a 409 names. Lists leave out
    what was superseded unless asked.
    """
    body = await read_body(request)
    asked = serving(request).decoder.decode_as(body, RevisionRequest)
    made, fields = await judged_once(
        request, asked.visit, visit_of(body), sent(request, body), corrects=evaluation_id, reason=asked.reason
    )
    return made.created(request, fields)


@get(
    "/",
    operation_id="list_revisions",
    summary="List the evaluations that correct each other",
    opt={"scope": "evaluations:read"},
)
async def list_revisions(request: AnyRequest, evaluation_id: EvaluationId) -> Response[RevisionChain]:
    """Lists the whole chain that an evaluation belongs to, the oldest first, from whichever member it is asked for. One
    that was never corrected is a chain of its own."""
    chain = await serving(request).store.chain(request.user.tenant_id, evaluation_id)
    if not chain:
        raise await absent(request, evaluation_id)
    unset = msgspec.UNSET
    return answer_unless_held(
        request,
        RevisionChain(
            items=[
                RevisionView(
                    id=member.evaluation_id,
                    created_at=member.created_at,
                    ruleset=RulesetReference(version=member.ruleset_version, digest=member.ruleset_digest),
                    visited_at=member.visited_at or unset,
                    highest_severity=member.highest_severity or unset,
                    supersedes=member.supersedes or unset,
                    revision_reason=member.revision_reason or unset,
                    superseded_by=unset if following is None else following.evaluation_id,
                )
                for member, following in zip_longest(chain, chain[1:])
            ]
        ),
    )


ROUTER = Router(
    "/v1/evaluations/{evaluation_id:uuid}/revisions",
    route_handlers=[create_revision, list_revisions],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
