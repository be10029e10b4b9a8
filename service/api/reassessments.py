"""Judging a kept visit again by another version of the rules, beside its evaluation."""

from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.evaluations import EvaluationId, decoded_evaluation, decoded_visit, kept_evaluation
from service.api.exchange import (
    AnyRequest,
    answer,
    answer_unless_held,
    judging,
    language,
    made_ready,
    negotiated,
    read_body,
    serving,
    spoken,
)
from service.api.problems import ProblemRaised
from service.model.difference import EvaluationDifference
from service.model.evaluation import Evaluation
from service.model.record import StoredReassessment
from service.model.units import UnitSystem
from service.pipeline import SERVICE_VERSION, Prepared, reassess
from service.store.database import new_id
from service.wire.differences import (
    KeptReassessment,
    ReassessmentPage,
    ReassessmentSummaryView,
    evaluation_difference,
)
from service.wire.query import PageQuery, ReadQuery, decode_query
from service.wire.render import result
from service.wire.request import ReassessmentRequest
from service.wire.response import RulesetReference
from service.wire.speech import Speech

ReassessmentId = Annotated[UUID, PathParameter(description="`id` of a kept reassessment.")]

_difference_decoder = msgspec.json.Decoder(EvaluationDifference)
_encoder = msgspec.json.Encoder()


@post(
    "/",
    operation_id="create_reassessment",
    summary="Judge a kept visit again",
    opt={"scope": "evaluations:write", "body": ReassessmentRequest, "spoken": True, "pinned": True, "kept": True},
)
async def create_reassessment(request: AnyRequest, evaluation_id: EvaluationId) -> Response[KeptReassessment]:
    """Judges the request of a kept evaluation again, by the version of the rules that the body names or else by the
    one that judges the account's visits, and keeps that beside the evaluation, which itself never changes.

    The difference says which findings were gained, lost or changed and which verdicts moved, and which rule, limit or
    quantity did it. Where the version that judged first is installed as it was, it judges once more: what differs
    then is the service's own doing. Where it is not, reasons are `unknown` and `attributed` is false.
    """
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), ReassessmentRequest)
    stored = await kept_evaluation(request, evaluation_id)
    prepared = await judging(request, asked.ruleset)
    visit, kept = decoded_visit(request, stored.request), decoded_evaluation(stored.evaluation)
    if kept.ruleset_version in at_hand.rulebook.versions:
        await made_ready(at_hand.rulebook, kept.ruleset_version)
    evaluation, found = reassess(visit, kept, at_hand.rulebook, prepared.ruleset.release.version)
    state = request.scope["state"]
    reassessment = StoredReassessment(
        evaluation_id=evaluation_id,
        reassessment_id=new_id(),
        created_at=datetime.now(UTC),
        ruleset_version=evaluation.ruleset_version,
        ruleset_digest=evaluation.ruleset_digest,
        service_version=SERVICE_VERSION,
        units=asked.units or stored.units,
        evaluation=_encoder.encode(evaluation),
        difference=_encoder.encode(found),
        highest_severity=evaluation.highest_severity,
        request_id=str(state["request_id"]),
        trace_parent=state["trace_parent"],
    )
    speech = language(request, prepared)
    view = _view(reassessment, evaluation, found, prepared, reassessment.units, speech)
    location = f"/v1/evaluations/{evaluation_id}/reassessments/{reassessment.reassessment_id}"
    created = answer(view, status=201, headers={"location": location, **spoken(speech)})
    await at_hand.store.keep_reassessment(request.user.tenant_id, reassessment)
    return created


@get(
    "/",
    operation_id="list_reassessments",
    summary="List the reassessments of an evaluation, newest first",
    opt={"scope": "evaluations:read", "query": PageQuery},
)
async def list_reassessments(request: AnyRequest, evaluation_id: EvaluationId) -> Response[ReassessmentPage]:
    """Lists the reassessments of one kept evaluation, newest first, a page at a time.

    Follow `next_cursor`, or the `Link` header field with `rel="next"`, until it is absent.
    """
    query = decode_query(request.scope["query_string"], PageQuery)
    page = await serving(request).store.list_reassessments(
        request.user.tenant_id, evaluation_id, cursor=query.cursor or None, limit=query.limit
    )
    if page is None:
        raise ProblemRaised("not_found", "no evaluation of this account has that id")
    view = ReassessmentPage(
        items=[
            ReassessmentSummaryView(
                id=item.reassessment_id,
                created_at=item.created_at,
                ruleset=RulesetReference(version=item.ruleset_version, digest=item.ruleset_digest),
                service_version=item.service_version,
                highest_severity=item.highest_severity or msgspec.UNSET,
            )
            for item in page.items
        ],
        next_cursor=msgspec.UNSET if page.next_cursor is None else page.next_cursor,
    )
    if page.next_cursor is None:
        return answer(view)
    address = f"/v1/evaluations/{evaluation_id}/reassessments?limit={query.limit}&cursor={page.next_cursor}"
    return answer(view, headers={"link": f'<{address}>; rel="next"'})


@get(
    "/{reassessment_id:uuid}",
    operation_id="get_reassessment",
    summary="Read a reassessment",
    opt={"scope": "evaluations:read", "query": ReadQuery, "pinned": True, "spoken": True},
)
async def get_reassessment(
    request: AnyRequest, evaluation_id: EvaluationId, reassessment_id: ReassessmentId
) -> Response[KeptReassessment]:
    """Reads one kept reassessment as it was judged, with the difference as it was found then."""
    query = decode_query(request.scope["query_string"], ReadQuery)
    at_hand = serving(request)
    stored = await at_hand.store.fetch_reassessment(request.user.tenant_id, evaluation_id, reassessment_id)
    if stored is None:
        raise ProblemRaised("not_found", "no evaluation of this account has a reassessment of that id")
    if stored.ruleset_version not in at_hand.rulebook.versions:
        raise ProblemRaised("ruleset_not_installed", "the version of the rules that judged it is not installed")
    prepared = await made_ready(at_hand.rulebook, stored.ruleset_version)
    evaluation = decoded_evaluation(stored.evaluation)
    try:
        found = _difference_decoder.decode(stored.difference)
    except msgspec.MsgspecError:
        raise ProblemRaised("kept_visit_unreadable", "the difference is of a shape that is no longer read") from None
    speech = language(request, prepared)
    view = _view(stored, evaluation, found, prepared, query.units or stored.units, speech)
    return answer_unless_held(request, view, headers=spoken(speech))


def _view(
    kept: StoredReassessment,
    evaluation: Evaluation,
    found: EvaluationDifference,
    prepared: Prepared,
    units: UnitSystem,
    speech: Speech,
) -> KeptReassessment:
    rules = prepared.ruleset
    return KeptReassessment(
        id=kept.reassessment_id,
        evaluation_id=kept.evaluation_id,
        created_at=kept.created_at,
        difference=evaluation_difference(found, rules, prepared.units, units, speech),
        result=result(evaluation, rules, prepared.units, units, speech),
    )


ROUTER = Router(
    "/v1/evaluations/{evaluation_id:uuid}/reassessments",
    route_handlers=[create_reassessment, list_reassessments, get_reassessment],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
