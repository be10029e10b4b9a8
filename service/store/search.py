"""Finding evaluations by what is known of them."""

import uuid
from collections.abc import Sequence

import msgspec

from service.errors import OutOfRange
from service.model.outcome import Prevailing
from service.model.record import EvaluationFilter, EvaluationPage, EvaluationSummary, StoredEvaluation
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database
from service.store.storable import refuse_unstorable
from service.store.words import searchable

_FIND = """
    SELECT evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, units, supersedes, superseded_by,
           finding_codes, finding_severities
      FROM airside.find(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""
_FOUND = (
    "evaluation_id", "created_at", "visited_at", "site_reference", "equipment_reference", "job_reference",
    "ruleset_version", "ruleset_digest", "highest_severity", "units", "supersedes", "superseded_by",
)  # fmt: skip
_FETCHED = (
    "evaluation_id", "created_at", "visited_at", "site_reference", "equipment_reference", "job_reference",
    "ruleset_version", "ruleset_digest", "highest_severity", "units", "request", "evaluation", "request_id",
    "trace_parent", "supersedes", "revision_reason", "account_limits", "superseded_by",
)  # fmt: skip
"""Fields of a stored evaluation, in the order in which the statements ask for them."""

_FETCH_THESE = """
    SELECT evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, units, request, evaluation, request_id,
           trace_parent, supersedes, revision_reason, account_limits, superseded_by, outcomes
      FROM airside.fetch_these(%s, %s)
"""


class Search(Database):
    """Lists of evaluations. Every method takes one round trip."""

    async def list(
        self,
        tenant_id: uuid.UUID,
        filters: EvaluationFilter | None = None,
        cursor: str | None = None,
        limit: int = 50,
    ) -> EvaluationPage:
        """Evaluations of this tenant, newest first, from just after `cursor` on.

        Following `next_cursor` shows every evaluation that was there at the start exactly once, also while others
        are being kept and where several were made in the same microsecond; one that is corrected in between may be
        left out. Use the same filters on each page.

        Raises:
            CursorRefused: a cursor that `list` did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
            RecordRefused: a filter holds something that PostgreSQL cannot.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        wanted = filters or EvaluationFilter()
        refuse_unstorable(wanted)
        words = None
        if wanted.words is not None and not (words := searchable(wanted.words)):
            return EvaluationPage(items=(), next_cursor=None)  # no word at all is in no evaluation
        rows = await self.rows(
            _FIND,
            (
                tenant_id, wanted.site_reference, wanted.equipment_reference, wanted.job_reference,
                wanted.least_severity, wanted.finding, wanted.ruleset_version, wanted.created_from,
                wanted.created_before, wanted.visited_from, wanted.visited_before, words, wanted.superseded,
                *place, limit + 1,
            ),
        )  # fmt: skip
        items = tuple(
            EvaluationSummary(
                **dict(zip(_FOUND, row[: len(_FOUND)], strict=True)), findings=dict(zip(*row[-2:], strict=True))
            )
            for row in rows[:limit]
        )
        more = len(rows) > limit
        return EvaluationPage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].evaluation_id) if more else None,
        )

    async def fetch_these(
        self, tenant_id: uuid.UUID, evaluation_ids: Sequence[uuid.UUID]
    ) -> tuple[StoredEvaluation, ...]:
        """These evaluations of this tenant in full, newest first; what is not there any more is left out."""
        rows = await self.rows(_FETCH_THESE, (tenant_id, [*evaluation_ids]))
        return tuple(map(stored_evaluation, rows))


def stored_evaluation(row: Sequence[object]) -> StoredEvaluation:
    """One evaluation from the columns that the statements ask for, in their order."""
    *fields, outcomes = row
    return StoredEvaluation(**dict(zip(_FETCHED, fields, strict=True)), outcomes=prevailing(outcomes))  # type: ignore[arg-type]


def prevailing(outcomes: object) -> tuple[Prevailing, ...]:
    """Reports as `airside.reported_of` gives them."""
    return msgspec.convert(outcomes or (), tuple[Prevailing, ...], strict=False)
