"""Two kept visits to one equipment held against each other."""

import asyncio

import msgspec
from litestar import Response, Router, get

from service.api.access import authorised
from service.api.evaluations import decoded_visit, kept_evaluation
from service.api.exchange import AnyRequest, answer_unless_held, judging, language, negotiated, serving, spoken
from service.api.problems import ProblemRaised
from service.model.record import StoredEvaluation
from service.model.units import UnitSystem
from service.pipeline import Prepared, compare_visits
from service.wire.account import with_limits
from service.wire.comparison import ComparedVisit, VisitComparisonView, comparison_view
from service.wire.query import ComparisonQuery, decode_query
from service.wire.request import EvaluationRequest
from service.wire.speech import Speech


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
    query = decode_query(request.scope["query_string"], ComparisonQuery, serving(request).decoder.names)
    asked = await fetch_pair(request, query)

    def worked() -> VisitComparisonView:
        found = compare_visits(*asked.visits(request), asked.prepared)
        rules, units = asked.prepared.ruleset, asked.prepared.units
        return comparison_view(found, asked.told(), rules, units, asked.system, asked.speech)

    return answer_unless_held(request, await asyncio.to_thread(worked), headers=spoken(asked.speech))


class Pair(msgspec.Struct, frozen=True):
    """Two kept visits to be held against each other, and by what and how."""

    before: StoredEvaluation
    after: StoredEvaluation
    prepared: Prepared
    system: UnitSystem
    speech: Speech

    def visits(self, request: AnyRequest) -> tuple[EvaluationRequest, EvaluationRequest]:
        """Both kept requests under the account's limits of today, without the earlier visits that they brought."""
        limits, criteria = request.user.limit_overrides, self.prepared.ruleset.criteria
        before, after = (
            msgspec.structs.replace(
                with_limits(decoded_visit(request, stored.request), limits, criteria)[0], earlier_visits=[]
            )
            for stored in (self.before, self.after)
        )
        return before, after

    def told(self) -> tuple[ComparedVisit, ComparedVisit]:
        """What is told of both beside the comparison."""
        return _told(self.before), _told(self.after)


async def fetch_pair(request: AnyRequest, query: ComparisonQuery) -> Pair:
    """The kept visits that a query names.

    Raises
    ------
    ProblemRaised : there is no such evaluation, or they are no pair of visits to one equipment, one after the other
    """
    prepared = await judging(request, query.ruleset)
    before, after = (
        await kept_evaluation(request, query.before),
        await kept_evaluation(request, query.after),
    )
    _refuse_odd(before, after)
    return Pair(before, after, prepared, query.units or request.user.units, language(request, prepared))


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
