"""Reports of what was found to be true on site, and how often each rule was right by them."""

from collections.abc import Container
from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.evaluations import EvaluationId, absent, fetch_kept, kept_evaluation
from service.api.exchange import AnyRequest, answer, answer_unless_held, negotiated, read_body, serving
from service.api.problems import ProblemRaised
from service.api.repetition import once, sent
from service.model.evaluation import ContextResult, Evaluation, Finding
from service.model.outcome import Outcome
from service.model.record import Kept
from service.model.visit import WHOLE_HOUSE
from service.store.database import new_id
from service.wire.outcomes import (
    DISCLAIMER,
    OutcomePage,
    OutcomeRequest,
    OutcomeView,
    RuleRecord,
    RuleRecordQuery,
    record_entry,
)
from service.wire.query import PageQuery, decode_query
from service.wire.response import Fault

OutcomeId = Annotated[UUID, PathParameter(description="`id` of a report.")]


@post(
    "/",
    operation_id="create_outcome",
    summary="Report what was found to be true",
    opt={
        "scope": "evaluations:write",
        "body": OutcomeRequest,
        "conflict": "finding_not_there",
        "repeatable": True,
    },
)
async def create_outcome(request: AnyRequest, evaluation_id: EvaluationId) -> Response[OutcomeView]:
    """Reports, for one finding of a kept evaluation, whether it was true, and what its cause really was.

    Name the context by `state` and `area` where the finding stands in several. Nothing is overwritten: of the reports
    on a finding in a context the last one prevails. The evaluation itself does not change.
    """
    body = await read_body(request)
    asked = serving(request).decoder.decode_as(body, OutcomeRequest)
    sending = sent(request, body)
    outcomes, tenant_id = serving(request).outcomes, request.user.tenant_id

    async def make() -> tuple[Kept, Outcome]:
        kept = await fetch_kept(request, evaluation_id)
        outcome = _reported(asked, kept.evaluation, kept.prepared.ruleset.causes)
        fate = await outcomes.keep(tenant_id, evaluation_id, outcome, sending)
        if fate.fate == "nothing_to_correct":
            raise await absent(request, evaluation_id)
        return fate, outcome

    async def load(outcome_id: UUID) -> Outcome:
        return await _fetch(request, evaluation_id, outcome_id)

    made, fields = await once(request, sending, make, load)
    location = f"/v1/evaluations/{evaluation_id}/outcomes/{made.outcome_id}"
    # What is answered to a request sent again is what was answered first, whatever was reported since.
    view = _view(evaluation_id, msgspec.structs.replace(made, prevails=True))
    return answer(view, status=201, headers={"location": location, **fields})


@get(
    "/",
    operation_id="list_outcomes",
    summary="List what was reported of an evaluation",
    opt={"scope": "evaluations:read", "query": PageQuery},
)
async def list_outcomes(request: AnyRequest, evaluation_id: EvaluationId) -> Response[OutcomePage]:
    """Lists the reports on the findings of one evaluation, newest first, a page at a time; also those that later ones
    prevail over.

    Follow `next_cursor`, or the `Link` header field with `rel="next"`, until it is absent.
    """
    query = decode_query(request.scope["query_string"], PageQuery)
    page = await serving(request).outcomes.list(
        request.user.tenant_id, evaluation_id, cursor=query.cursor or None, limit=query.limit
    )
    if not page.items:
        await kept_evaluation(request, evaluation_id)
    items = [_view(evaluation_id, item) for item in page.items]
    if page.next_cursor is None:
        return answer(OutcomePage(items=items))
    address = f"/v1/evaluations/{evaluation_id}/outcomes?limit={query.limit}&cursor={page.next_cursor}"
    view = OutcomePage(items=items, next_cursor=page.next_cursor)
    return answer(view, headers={"link": f'<{address}>; rel="next"'})


@get(
    "/{outcome_id:uuid}",
    operation_id="get_outcome",
    summary="Read a report",
    opt={"scope": "evaluations:read"},
)
async def get_outcome(request: AnyRequest, evaluation_id: EvaluationId, outcome_id: OutcomeId) -> Response[OutcomeView]:
    """Reads one report, and whether it still prevails."""
    return answer_unless_held(request, _view(evaluation_id, await _fetch(request, evaluation_id, outcome_id)))


@get(
    "/rules",
    operation_id="get_rule_record",
    summary="Read how often each rule was right",
    opt={"scope": "evaluations:read", "query": RuleRecordQuery},
)
async def get_rule_record(request: AnyRequest) -> Response[RuleRecord]:
    """For each rule, how many of the account's reports found its finding true or ruled it out, with the share and its
    95 % Wilson score interval, and how often the cause that was ranked first was the one found.

    Counted are reports that prevail, on evaluations that no later one corrects; not how often a rule fired. With fewer
    than 10 reports `too_few` is true and no share is told. Reports are selective: show the disclaimer.
    """
    query = decode_query(request.scope["query_string"], RuleRecordQuery)
    counts = await serving(request).outcomes.rule_record(
        request.user.tenant_id, query.ruleset_version or None, query.rule or None, query.since or None
    )
    return answer_unless_held(
        request, RuleRecord(items=[record_entry(count) for count in counts], disclaimer=DISCLAIMER)
    )


async def _fetch(request: AnyRequest, evaluation_id: UUID, outcome_id: UUID) -> Outcome:
    outcome = await serving(request).outcomes.fetch(request.user.tenant_id, evaluation_id, outcome_id)
    if outcome is None:
        raise await absent(request, evaluation_id, "no report of this account has that id")
    return outcome


def _reported(asked: OutcomeRequest, evaluation: Evaluation, causes: Container[str]) -> Outcome:
    """The report to keep, with what the finding said.

    Raises
    ------
    ProblemRaised : the evaluation has no such finding in that context, or several, or its rules know no such cause
    """
    state, area, finding = _found(asked, evaluation)
    if asked.cause and asked.cause not in causes:
        raise _not_there("#/cause", "its rules know no such cause", [cause.cause for cause in finding.causes])
    rank = next((cause.rank for cause in finding.causes if cause.cause == asked.cause), None)
    return Outcome(
        outcome_id=new_id(),
        created_at=datetime.now(UTC),
        finding=finding.code,
        state=state,
        area=area,
        outcome=asked.outcome,
        cause=asked.cause or None,
        cause_rank=rank,
        causes_ranked=len(finding.causes),
        rules=finding.rules,
        ruleset_version=evaluation.ruleset_version,
        note=asked.note or None,
        observed_at=asked.observed_at or None,
        reported_by=asked.reported_by or None,
    )


def _found(asked: OutcomeRequest, evaluation: Evaluation) -> tuple[str, str, Finding]:
    there = [
        (*((part.state.id, part.area or "") if isinstance(part, ContextResult) else (WHOLE_HOUSE.id, "")), finding)
        for part in evaluation.parts
        for finding in part.findings
    ]
    of_code = [one for one in there if one[2].code == asked.finding]
    if not of_code:
        raise _not_there("#/finding", "the evaluation has no such finding", list(evaluation.gravest))
    in_state = [one for one in of_code if not asked.state or one[0] == asked.state]
    if not in_state or (not asked.state and len({one[0] for one in in_state}) > 1):
        raise _not_there("#/state", "the finding stands in these states", [one[0] for one in of_code])
    of_area = [one for one in in_state if one[1] == (asked.area or "")]
    in_area = of_area or ([] if asked.area else in_state)
    if len(in_area) != 1:
        raise _not_there("#/area", "the finding stands in these parts of the house", [one[1] for one in in_state])
    return in_area[0]


def _not_there(pointer: str, detail: str, accepted: list[str]) -> ProblemRaised:
    listed = list(dict.fromkeys(filter(None, accepted)))
    fault = Fault(pointer=pointer, code="unknown_value", detail=detail, accepted=listed)
    return ProblemRaised("finding_not_there", detail, errors=[fault])


def _view(evaluation_id: UUID, outcome: Outcome) -> OutcomeView:
    unset = msgspec.UNSET
    return OutcomeView(
        id=outcome.outcome_id,
        evaluation_id=evaluation_id,
        created_at=outcome.created_at,
        finding=outcome.finding,
        state=outcome.state,
        area=outcome.area or unset,
        outcome=outcome.outcome,
        cause=outcome.cause or unset,
        cause_rank=outcome.cause_rank or unset,
        rules=list(outcome.rules),
        ruleset_version=outcome.ruleset_version,
        note=outcome.note or unset,
        observed_at=outcome.observed_at or unset,
        reported_by=outcome.reported_by or unset,
        prevails=outcome.prevails,
    )


ROUTER = Router(
    "/v1/evaluations/{evaluation_id:uuid}/outcomes",
    route_handlers=[create_outcome, list_outcomes, get_outcome],
    guards=[negotiated, authorised],
    tags=["Outcomes"],
)
RULES = Router("/v1/outcomes", route_handlers=[get_rule_record], guards=[negotiated, authorised], tags=["Outcomes"])
