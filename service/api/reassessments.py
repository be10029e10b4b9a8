"""Judging a kept visit again by another version of the rules, beside its evaluation."""

from datetime import UTC, datetime
from typing import Annotated, NamedTuple
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.evaluations import EvaluationId, absent, decoded_evaluation, judged_visit, kept_evaluation
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
from service.api.repetition import once, sent
from service.model.difference import EvaluationDifference
from service.model.evaluation import Evaluation
from service.model.record import Kept, Sent, StoredReassessment
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
    opt={
        "scope": "evaluations:write",
        "body": ReassessmentRequest,
        "spoken": True,
        "pinned": True,
        "kept": True,
        "repeatable": True,
    },
)
async def create_reassessment(request: AnyRequest, evaluation_id: EvaluationId) -> Response[KeptReassessment]:
    """Judges the request of a kept evaluation again, by the version of the rules that the body names or else by the
    one that judges the account's visits, and keeps that beside the evaluation, which itself never changes.

    The difference says which findings were gained, lost or changed and which verdicts moved, and which rule, limit or
    quantity did it. Where the version that judged first is installed as it was, it judges once more: what differs
    then is the service's own doing. Where it is not, reasons are `unknown` and `attributed` is false.
    """
    body = await read_body(request)
    asked = serving(request).decoder.decode_as(body, ReassessmentRequest)
    sending = sent(request, body)

    async def make() -> tuple[Kept, _Reassessed]:
        return await _judged_again(request, evaluation_id, asked, sending)

    async def load(reassessment_id: UUID) -> _Reassessed:
        return await _fetch(request, evaluation_id, reassessment_id)

    made, fields = await once(request, sending, make, load)
    speech = language(request, made.prepared)
    location = f"/v1/evaluations/{evaluation_id}/reassessments/{made.stored.reassessment_id}"
    view = made.view(made.stored.units, speech)
    return answer(view, status=201, headers={"location": location, **spoken(speech), **fields})


class _Reassessed(NamedTuple):
    """A reassessment as it was kept, as it was judged, and what is needed to tell of it."""

    stored: StoredReassessment
    evaluation: Evaluation
    difference: EvaluationDifference
    prepared: Prepared

    def view(self, units: UnitSystem, speech: Speech) -> KeptReassessment:
        rules = self.prepared.ruleset
        return KeptReassessment(
            id=self.stored.reassessment_id,
            evaluation_id=self.stored.evaluation_id,
            created_at=self.stored.created_at,
            difference=evaluation_difference(self.difference, rules, self.prepared.units, units, speech),
            result=result(self.evaluation, rules, self.prepared.units, units, speech),
        )


async def _judged_again(
    request: AnyRequest, evaluation_id: UUID, asked: ReassessmentRequest, sending: Sent | None
) -> tuple[Kept, _Reassessed]:
    at_hand = serving(request)
    stored = await kept_evaluation(request, evaluation_id)
    prepared = await judging(request, asked.ruleset)
    visit, kept = judged_visit(request, stored, prepared), decoded_evaluation(stored.evaluation)
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
    reassessed = _Reassessed(reassessment, evaluation, found, prepared)
    reassessed.view(reassessment.units, language(request, prepared))  # what cannot be told is not kept
    fate = await at_hand.store.keep_reassessment(request.user.tenant_id, reassessment, sending)
    if fate.fate == "nothing_to_correct":
        raise await absent(request, evaluation_id)
    return fate, reassessed


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
        raise await absent(request, evaluation_id)
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
    kept = await _fetch(request, evaluation_id, reassessment_id)
    speech = language(request, kept.prepared)
    return answer_unless_held(request, kept.view(query.units or kept.stored.units, speech), headers=spoken(speech))


async def _fetch(request: AnyRequest, evaluation_id: UUID, reassessment_id: UUID) -> _Reassessed:
    at_hand = serving(request)
    stored = await at_hand.store.fetch_reassessment(request.user.tenant_id, evaluation_id, reassessment_id)
    if stored is None:
        raise await absent(request, evaluation_id, "no evaluation of this account has a reassessment of that id")
    if stored.ruleset_version not in at_hand.rulebook.versions:
        raise ProblemRaised("ruleset_not_installed", "the version of the rules that judged it is not installed")
    prepared = await made_ready(at_hand.rulebook, stored.ruleset_version)
    evaluation = decoded_evaluation(stored.evaluation)
    try:
        found = _difference_decoder.decode(stored.difference)
    except msgspec.MsgspecError:
        raise ProblemRaised("kept_visit_unreadable", "the difference is of a shape that is no longer read") from None
    return _Reassessed(stored, evaluation, found, prepared)


ROUTER = Router(
    "/v1/evaluations/{evaluation_id:uuid}/reassessments",
    route_handlers=[create_reassessment, list_reassessments, get_reassessment],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
