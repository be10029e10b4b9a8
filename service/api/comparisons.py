"""Two kept visits to one equipment held against each other."""

import asyncio
from uuid import UUID

from litestar import Response, Router, get

from service.api.access import authorised
from service.api.evaluations import decoded_visit, kept_evaluation
from service.api.exchange import AnyRequest, answer_unless_held, judging, language, negotiated, serving, spoken
from service.api.problems import ProblemRaised
from service.model.record import StoredEvaluation
from service.pipeline import compare_visits
from service.wire.account import with_limits
from service.wire.comparison import ComparedVisit, VisitComparisonView, comparison_view
from service.wire.query import ComparisonQuery, decode_query
from service.wire.request import EvaluationRequest


@get(
    "/",
    operation_id="compare_evaluations",
    summary="Hold two visits to one equipment against each other",
    opt={
        "scope": "evaluations:read",
        "query": ComparisonQuery,
        "pinned": True,
        "kept": True,
        "spoken": True,
        "conflict": "visits_not_comparable",
    },
)
async def compare_evaluations(request: AnyRequest) -> Response[VisitComparisonView]:
    """Which quantities moved beyond their joint uncertainty, what became of findings, what was projected and what was
    achieved, and whether the readings prove the work done. Nothing is kept.

    Both kept requests are worked out and judged anew by one version of the rules, each by its own readings alone:
    `earlier_visits` inside them are left aside, and limits are those that each request itself states, and the account's
    of today. Errors that both visits share cancel. A finding is `resolved` only where what it rested on was judged
    again; where readings are missing it is `no_longer_judged`, which is no all-clear.

    The visit `after` may not lie before the visit `before`; a visit without `visited_at` took place when it was kept.
    Visits that name different equipment are refused; where not both name it, `notes` says so.
    """
    at_hand = serving(request)
    query = decode_query(request.scope["query_string"], ComparisonQuery, at_hand.decoder.names)
    prepared = await judging(request, query.ruleset)
    before, after = await _fetched(request, query.before), await _fetched(request, query.after)
    _refuse_odd(before, after)
    speech = language(request, prepared)
    system = query.units or request.user.units

    def visit_of(stored: StoredEvaluation) -> EvaluationRequest:
        visit = decoded_visit(request, stored.request)
        return with_limits(visit, request.user.limit_overrides, prepared.ruleset.criteria)[0]

    def worked() -> VisitComparisonView:
        found = compare_visits(visit_of(before), visit_of(after), prepared)
        return comparison_view(found, (_told(before), _told(after)), prepared.ruleset, prepared.units, system, speech)

    return answer_unless_held(request, await asyncio.to_thread(worked), headers=spoken(speech))


async def _fetched(request: AnyRequest, evaluation_id: UUID) -> StoredEvaluation:
    return await kept_evaluation(request, evaluation_id)


def _refuse_odd(before: StoredEvaluation, after: StoredEvaluation) -> None:
    """Raises a problem for what is no pair of visits to one equipment, one after the other."""
    if before.evaluation_id == after.evaluation_id:
        raise ProblemRaised("visits_not_comparable", "both are the same evaluation")
    if before.evaluation_id == after.supersedes or after.evaluation_id == before.supersedes:
        raise ProblemRaised("visits_not_comparable", "one corrects the other: both are of one visit")
    named = [visit.equipment_reference for visit in (before, after) if visit.equipment_reference is not None]
    if len(set(named)) > 1:
        raise ProblemRaised("visits_not_comparable", "the visits name different equipment")
    if (after.visited_at or after.created_at) < (before.visited_at or before.created_at):
        raise ProblemRaised("visits_not_comparable", "the visit `after` took place before the visit `before`")


def _told(stored: StoredEvaluation) -> ComparedVisit:
    return ComparedVisit(
        evaluation_id=stored.evaluation_id,
        created_at=stored.created_at,
        visited_at=stored.visited_at,
        job_reference=stored.job_reference,
        equipment_reference=stored.equipment_reference,
        ruleset_version=stored.ruleset_version,
        ruleset_digest=stored.ruleset_digest,
        superseded=stored.superseded_by is not None,
    )


ROUTER = Router(
    "/v1/comparisons",
    route_handlers=[compare_evaluations],
    guards=[negotiated, authorised],
    tags=["History"],
)
