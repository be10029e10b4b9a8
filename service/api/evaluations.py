"""Judging visits, and reading what was judged."""

from datetime import UTC, datetime
from typing import Annotated, Literal, NamedTuple
from urllib.parse import urlencode
from uuid import UUID

import msgspec
from litestar import Response, Router, get, post
from litestar.params import PathParameter

from service.api.access import authorised
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
from service.model.evaluation import Evaluation
from service.model.record import EvaluationFilter, EvaluationSummary, Kept, Sent, StoredEvaluation
from service.model.units import UnitSystem
from service.pipeline import Prepared, evaluate
from service.store.database import new_id
from service.wire.account import with_limits
from service.wire.faults import RequestRefused
from service.wire.outcomes import prevailing_outcomes
from service.wire.query import ListQuery, ReadQuery, SelectionQuery, decode_query
from service.wire.render import result, trace
from service.wire.request import EvaluationRequest, words_to_search
from service.wire.response import (
    EvaluationPage,
    EvaluationResult,
    EvaluationSummaryView,
    FoundView,
    KeptEvaluation,
    KeptTrace,
    RulesetReference,
)
from service.wire.speech import Speech

EvaluationId = Annotated[UUID, PathParameter(description="`id` of a kept evaluation.")]

_kept_decoder = msgspec.json.Decoder(Evaluation)
_kept_encoder = msgspec.json.Encoder()


@post(
    "/",
    operation_id="create_evaluation",
    summary="Judge a visit and keep the evaluation",
    opt={"scope": "evaluations:write", "body": EvaluationRequest, "spoken": True, "pinned": True, "repeatable": True},
)
async def create_evaluation(request: AnyRequest) -> Response[KeptEvaluation]:
    """Judges one visit and keeps the request, the evaluation and the version of the rules that judged it.

    What could not be used is listed in `set_aside`, and what could not be judged in `not_judged`: neither is an
    error. Once 201 is answered, the evaluation has been committed.
    """
    body = await read_body(request)
    visit = serving(request).decoder.decode(body)
    made, fields = await judged_once(request, visit, body, sent(request, body))
    return made.created(request, fields)


class Judged(NamedTuple):
    """An evaluation as it was kept, as it was judged, and what is needed to tell of it."""

    stored: StoredEvaluation
    evaluation: Evaluation
    prepared: Prepared

    def view(self, units: UnitSystem, speech: Speech, *, as_of_now: bool = False) -> KeptEvaluation:
        """The answer that tells of it: as it was made, or with what came of it since."""
        since = self.stored if as_of_now else None
        return KeptEvaluation(
            id=self.stored.evaluation_id,
            created_at=self.stored.created_at,
            supersedes=self.stored.supersedes or msgspec.UNSET,
            revision_reason=self.stored.revision_reason or msgspec.UNSET,
            superseded_by=(since and since.superseded_by) or msgspec.UNSET,
            outcomes=(since and prevailing_outcomes(since.outcomes)) or msgspec.UNSET,
            result=result(self.evaluation, self.prepared.ruleset, self.prepared.units, units, speech),
        )

    def created(self, request: AnyRequest, fields: dict[str, str]) -> Response[KeptEvaluation]:
        """The answer to the request that made it; the same whenever it is given."""
        speech = language(request, self.prepared)
        location = f"/v1/evaluations/{self.stored.evaluation_id}"
        return answer(
            self.view(self.stored.units, speech), status=201, headers={"location": location, **spoken(speech), **fields}
        )


async def judged_once(
    request: AnyRequest,
    visit: EvaluationRequest,
    body: bytes,
    sending: Sent | None,
    *,
    corrects: UUID | None = None,
    reason: str | None = None,
) -> tuple[Judged, dict[str, str]]:
    """A visit judged and kept, or what an earlier request under its key made; with the header fields that say so.

    Parameters
    ----------
    body : the bytes of the visit, to be kept
    sending : as `repetition.sent` or `repetition.sent_as` gives it
    corrects : the evaluation that this one supersedes, with the reason

    Raises
    ------
    ProblemRaised : it was not kept
    """

    async def make() -> tuple[Kept, Judged]:
        prepared = await judging(request, visit.ruleset)
        limited, limits = with_limits(visit, request.user.limit_overrides, prepared.ruleset.criteria)
        evaluation = evaluate(limited, prepared)
        state = request.scope["state"]
        stored = StoredEvaluation(
            evaluation_id=new_id(),
            created_at=datetime.now(UTC),
            ruleset_version=evaluation.ruleset_version,
            ruleset_digest=evaluation.ruleset_digest,
            units=_units(visit.units, request),
            request=body,
            evaluation=_kept_encoder.encode(evaluation),
            visited_at=evaluation.visited_at,
            site_reference=evaluation.site_reference,
            equipment_reference=evaluation.equipment_reference,
            job_reference=evaluation.job_reference,
            highest_severity=evaluation.highest_severity,
            findings=evaluation.gravest,
            words=words_to_search(visit),
            request_id=str(state["request_id"]),
            trace_parent=state["trace_parent"],
            supersedes=corrects,
            revision_reason=reason,
            account_limits=limits,
        )
        judged = Judged(stored, evaluation, prepared)
        judged.view(stored.units, language(request, prepared))  # what cannot be told is not kept
        kept = await serving(request).store.keep(request.user.tenant_id, stored, sending)
        if corrects is not None and kept.fate == "nothing_to_correct":
            raise await absent(request, corrects)
        if kept.fate == "superseded":
            raise ProblemRaised(
                "superseded",
                f"corrected already, by /v1/evaluations/{kept.made}",
                headers={"link": f'</v1/evaluations/{kept.made}>; rel="successor-version"'},
            )
        return kept, judged

    async def load(evaluation_id: UUID) -> Judged:
        return await fetch_kept(request, evaluation_id)

    return await once(request, sending, make, load)


@post(
    "/preview",
    operation_id="preview_evaluation",
    summary="Judge a visit and keep nothing",
    status_code=200,
    opt={
        "scope": "evaluations:write",
        "body": EvaluationRequest,
        "through_outage": True,
        "spoken": True,
        "pinned": True,
    },
)
async def preview_evaluation(request: AnyRequest) -> Response[EvaluationResult]:
    """Judges one visit and keeps nothing.

    Needs the database only to check the API key: a key that was used in the last 15 minutes keeps working here while
    the database is down.
    """
    _, visit, prepared = await _read_visit(request)
    evaluation = evaluate(with_limits(visit, request.user.limit_overrides, prepared.ruleset.criteria)[0], prepared)
    speech = language(request, prepared)
    view = result(evaluation, prepared.ruleset, prepared.units, _units(visit.units, request), speech)
    return answer(view, headers=spoken(speech))


@get(
    "/",
    operation_id="list_evaluations",
    summary="List kept evaluations, newest first",
    opt={"scope": "evaluations:read", "query": ListQuery},
)
async def list_evaluations(request: AnyRequest) -> Response[EvaluationPage]:
    """Lists the kept evaluations of the account, those kept last first, a page at a time.

    The parameters narrow the list together. An evaluation that a later one corrects is left out unless asked for.

    Follow `next_cursor`, or the `Link` header field with `rel="next"`, until it is absent.
    """
    query = decode_query(request.scope["query_string"], ListQuery)
    page = await serving(request).store.list(
        request.user.tenant_id,
        selection(query),
        cursor=query.cursor or None,
        limit=query.limit,
    )
    view = EvaluationPage(
        items=[_summary(item) for item in page.items],
        next_cursor=msgspec.UNSET if page.next_cursor is None else page.next_cursor,
    )
    if page.next_cursor is None:
        return answer(view)
    following = msgspec.to_builtins(msgspec.structs.replace(query, cursor=page.next_cursor))
    return answer(view, headers={"link": f'</v1/evaluations?{urlencode(following)}>; rel="next"'})


@get(
    "/{evaluation_id:uuid}",
    operation_id="get_evaluation",
    summary="Read a kept evaluation",
    opt={"scope": "evaluations:read", "query": ReadQuery, "pinned": True, "spoken": True},
)
async def get_evaluation(request: AnyRequest, evaluation_id: EvaluationId) -> Response[KeptEvaluation]:
    """Reads one kept evaluation as it was judged, in either unit system and any language of its rules; with what was
    reported of its findings since."""
    query = decode_query(request.scope["query_string"], ReadQuery)
    kept = await fetch_kept(request, evaluation_id)
    speech = language(request, kept.prepared)
    view = kept.view(query.units or kept.stored.units, speech, as_of_now=True)
    return answer_unless_held(request, view, headers=spoken(speech))


@get(
    "/{evaluation_id:uuid}/trace",
    operation_id="get_evaluation_trace",
    summary="Read how a kept evaluation came about",
    opt={"scope": "evaluations:read", "query": ReadQuery, "pinned": True, "kept": True, "spoken": True},
)
async def get_evaluation_trace(request: AnyRequest, evaluation_id: EvaluationId) -> Response[KeptTrace]:
    """Reads how each number and each finding came about, with the request as it was received."""
    query = decode_query(request.scope["query_string"], ReadQuery)
    stored, evaluation, prepared = await fetch_kept(request, evaluation_id)
    visit = decoded_visit(request, stored.request)
    speech = language(request, prepared)
    view = KeptTrace(
        id=stored.evaluation_id,
        created_at=stored.created_at,
        trace=trace(evaluation, prepared.ruleset, prepared.units, visit, query.units or stored.units, speech),
    )
    return answer_unless_held(request, view, headers=spoken(speech))


def selection(query: SelectionQuery) -> EvaluationFilter:
    """What a query narrows by."""
    return EvaluationFilter(
        site_reference=query.site_reference or None,
        equipment_reference=query.equipment_reference or None,
        job_reference=query.job_reference or None,
        least_severity=query.minimum_severity or None,
        finding=query.finding or None,
        ruleset_version=query.ruleset_version or None,
        created_from=query.created_from or None,
        created_before=query.created_before or None,
        visited_from=query.visited_from or None,
        visited_before=query.visited_before or None,
        words=query.words or None,
        superseded=query.superseded == "included",
    )


async def _read_visit(request: AnyRequest) -> tuple[bytes, EvaluationRequest, Prepared]:
    body = await read_body(request)
    visit = serving(request).decoder.decode(body)
    return body, visit, await judging(request, visit.ruleset)


def _units(asked: Literal["ip", "si"] | msgspec.UnsetType, request: AnyRequest) -> Literal["ip", "si"]:
    return asked or request.user.units


async def fetch_kept(request: AnyRequest, evaluation_id: UUID) -> Judged:
    """An evaluation of the account as it was kept, decoded, with the version of the rules that judged it.

    Raises
    ------
    ProblemRaised : there is none, its version is not installed, or its shape is no longer read
    """
    stored = await kept_evaluation(request, evaluation_id)
    rulebook = serving(request).rulebook
    if stored.ruleset_version not in rulebook.versions:
        raise ProblemRaised("ruleset_not_installed", "the version of the rules that judged it is not installed")
    return Judged(stored, decoded_evaluation(stored.evaluation), await made_ready(rulebook, stored.ruleset_version))


async def kept_evaluation(request: AnyRequest, evaluation_id: UUID) -> StoredEvaluation:
    """An evaluation of the account as it was kept.

    Raises
    ------
    ProblemRaised : there is none
    """
    stored = await serving(request).store.fetch(request.user.tenant_id, evaluation_id)
    if stored is None:
        raise await absent(request, evaluation_id)
    return stored


async def absent(
    request: AnyRequest, evaluation_id: UUID, detail: str = "no evaluation of this account has that id"
) -> ProblemRaised:
    """What to raise where an evaluation, or what belonged to it, is not there: it was erased, or never was."""
    tombstone = await serving(request).erasures.tombstone(request.user.tenant_id, evaluation_id)
    if tombstone is None:
        return ProblemRaised("not_found", detail)
    at = tombstone.erased_at.isoformat(timespec="seconds")
    return ProblemRaised("erased", f"erased for good at {at}, by /v1/erasures/{tombstone.erasure_id}")


def decoded_evaluation(kept: bytes) -> Evaluation:
    """A kept evaluation.

    Raises
    ------
    ProblemRaised : it was written in a shape that this version of the service no longer reads
    """
    try:
        return _kept_decoder.decode(kept)
    except msgspec.MsgspecError:
        raise ProblemRaised("kept_visit_unreadable", "the evaluation is of a shape that is no longer read") from None


def decoded_visit(request: AnyRequest, kept: bytes) -> EvaluationRequest:
    """A kept request.

    Raises
    ------
    ProblemRaised : it is no longer accepted as a request
    """
    try:
        return serving(request).decoder.decode_kept(kept)
    except RequestRefused as refused:
        raise ProblemRaised(
            "kept_visit_unreadable", "the kept request is no longer accepted", errors=refused.faults
        ) from None


def judged_visit(request: AnyRequest, stored: StoredEvaluation, prepared: Prepared) -> EvaluationRequest:
    """A kept request under the limits of the account that held when it was judged.

    Raises
    ------
    ProblemRaised : it is no longer accepted as a request
    """
    return with_limits(decoded_visit(request, stored.request), stored.account_limits, prepared.ruleset.criteria)[0]


def _summary(item: EvaluationSummary) -> EvaluationSummaryView:
    unset = msgspec.UNSET
    return EvaluationSummaryView(
        id=item.evaluation_id,
        created_at=item.created_at,
        ruleset=RulesetReference(version=item.ruleset_version, digest=item.ruleset_digest),
        findings=[FoundView(code=code, severity=severity) for code, severity in item.findings.items()],
        highest_severity=item.highest_severity or unset,
        visited_at=item.visited_at or unset,
        site_reference=item.site_reference or unset,
        job_reference=item.job_reference or unset,
        equipment_reference=item.equipment_reference or unset,
        supersedes=item.supersedes or unset,
        superseded_by=item.superseded_by or unset,
    )


ROUTER = Router(
    "/v1/evaluations",
    route_handlers=[
        create_evaluation,
        preview_evaluation,
        list_evaluations,
        get_evaluation,
        get_evaluation_trace,
    ],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
