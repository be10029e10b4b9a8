"""Evaluations in the database: who is asking, keep one, fetch one; reassessments likewise."""

import re
import uuid

from service.errors import OutOfRange
from service.model.record import (
    ChainMember,
    Kept,
    ReassessmentPage,
    ReassessmentSummary,
    Sent,
    StoredEvaluation,
    StoredReassessment,
    Tenant,
)
from service.store.accounts import secret_digest
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE
from service.store.search import Search, stored_evaluation
from service.store.storable import refuse_unstorable
from service.store.words import searchable

SECRET = re.compile(r"ak_[0-9A-Za-z_-]{43}")

_AUTHENTICATE = """
    SELECT tenant_id, key_id, scopes, units, ruleset, language, limit_overrides FROM airside.authenticate(%s)
"""
_KEEP = """
    SELECT fate, evaluation_id
      FROM airside.keep_evaluation(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s,
                                   %s, %s)
"""
_CLAIMED = "SELECT fate, made FROM airside.claimed(%s, %s, %s)"
_FETCH = """
    SELECT evaluation_id, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, units, request, evaluation, request_id,
           trace_parent, supersedes, revision_reason, account_limits, superseded_by, outcomes
      FROM airside.fetch_in_chain(%s, %s)
"""
_CHAIN = """
    SELECT evaluation_id, created_at, visited_at, ruleset_version, ruleset_digest, highest_severity::text, supersedes,
           revision_reason
      FROM airside.chain_of(%s, %s)
"""
_IN_CHAIN = (
    "evaluation_id", "created_at", "visited_at", "ruleset_version", "ruleset_digest", "highest_severity", "supersedes",
    "revision_reason",
)  # fmt: skip
_KEEP_REASSESSMENT = """
    SELECT fate, made
      FROM airside.keep_reassessment(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""
_FETCH_REASSESSMENT = """
    SELECT evaluation_id, reassessment_id, created_at, ruleset_version, ruleset_digest, service_version,
           highest_severity::text, units, evaluation, difference, request_id, trace_parent
      FROM airside.fetch_reassessment(%s, %s, %s)
"""
_NEWEST_REASSESSMENTS = """
    SELECT reassessment_id, created_at, ruleset_version, ruleset_digest, service_version, highest_severity::text, units
      FROM airside.newest_reassessments(%s, %s, %s, %s, %s)
"""
_FETCHED_REASSESSMENT = (
    "evaluation_id", "reassessment_id", "created_at", "ruleset_version", "ruleset_digest", "service_version",
    "highest_severity", "units", "evaluation", "difference", "request_id", "trace_parent",
)  # fmt: skip
_LISTED_REASSESSMENT = _FETCHED_REASSESSMENT[1:8]


class Store(Search):
    """Evaluations and reassessments. Every method takes one round trip."""

    async def authenticate(self, secret: str) -> Tenant | None:
        """The tenant whose live API key this is; None for any other text, a revoked or an expired key.

        The database is asked for the SHA-256 digest, and only if the text has the form of a key.
        """
        if not SECRET.fullmatch(secret):
            return None
        rows = await self.rows(_AUTHENTICATE, (secret_digest(secret),))
        for tenant_id, key_id, scopes, units, ruleset, language, limits in rows:
            return Tenant(
                tenant_id=tenant_id,
                key_id=key_id,
                scopes=frozenset(scopes),
                units=units,
                ruleset=ruleset,
                language=language,
                limit_overrides=limits,
            )
        return None

    async def keep(self, tenant_id: uuid.UUID, kept: StoredEvaluation, sent: Sent | None = None) -> Kept:
        """Add one evaluation, for good: once this returns `kept` it has been committed.

        With `sent`, only the first request under its key keeps; the others are told what that one made, and wait
        for it while it is under way. If this raises `StoreUnavailable`, the evaluation may or may not have been kept.

        Raises:
            RecordRefused: it holds something that PostgreSQL cannot; see `refuse_unstorable`.
        """
        refuse_unstorable(kept)
        rows = await self.rows(
            _KEEP,
            (
                tenant_id, kept.evaluation_id, kept.created_at, kept.visited_at, kept.site_reference,
                kept.equipment_reference, kept.job_reference, kept.ruleset_version, kept.ruleset_digest,
                kept.highest_severity, kept.units, kept.request, kept.evaluation, kept.request_id,
                kept.trace_parent, list(kept.findings), list(kept.findings.values()),
                " ".join(searchable(kept.words)) or None,
                kept.account_limits, kept.supersedes, kept.revision_reason, sent and sent.key, sent and sent.digest,
            ),
        )  # fmt: skip
        ((fate, evaluation_id),) = rows
        # One that was erased may have been corrected before, which is no matter any more.
        return Kept(fate=fate, made=None if fate == "nothing_to_correct" else evaluation_id)

    async def claimed(self, tenant_id: uuid.UUID, sent: Sent) -> Kept | None:
        """What an earlier request under this key made, so that it need not be worked out again; None if none did."""
        for fate, made in await self.rows(_CLAIMED, (tenant_id, sent.key, sent.digest)):
            return Kept(fate=fate, made=made)
        return None

    async def fetch(self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID) -> StoredEvaluation | None:
        """One evaluation of this tenant, every byte as kept; None if there is none, or it is another's."""
        for row in await self.rows(_FETCH, (tenant_id, evaluation_id)):
            return stored_evaluation(row)
        return None

    async def chain(self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID) -> tuple[ChainMember, ...]:
        """An evaluation of this tenant with what it corrects and what corrects it, the oldest first; empty where there
        is none."""
        rows = await self.rows(_CHAIN, (tenant_id, evaluation_id))
        return tuple(ChainMember(**dict(zip(_IN_CHAIN, row, strict=True))) for row in rows)

    async def keep_reassessment(self, tenant_id: uuid.UUID, kept: StoredReassessment, sent: Sent | None = None) -> Kept:
        """Add one reassessment beside its evaluation, for good, as `keep` does.

        Raises:
            RecordRefused: it holds something that PostgreSQL cannot; see `refuse_unstorable`.
        """
        refuse_unstorable(kept)
        rows = await self.rows(
            _KEEP_REASSESSMENT,
            (
                tenant_id, kept.evaluation_id, kept.reassessment_id, kept.created_at, kept.ruleset_version,
                kept.ruleset_digest, kept.service_version, kept.highest_severity, kept.units, kept.evaluation,
                kept.difference, kept.request_id, kept.trace_parent, sent and sent.key, sent and sent.digest,
            ),
        )  # fmt: skip
        ((fate, made),) = rows
        return Kept(fate=fate, made=made)

    async def fetch_reassessment(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, reassessment_id: uuid.UUID
    ) -> StoredReassessment | None:
        """One reassessment of an evaluation of this tenant; None if there is none, or it is another's."""
        for row in await self.rows(_FETCH_REASSESSMENT, (tenant_id, evaluation_id, reassessment_id)):
            return StoredReassessment(**dict(zip(_FETCHED_REASSESSMENT, row, strict=True)))
        return None

    async def list_reassessments(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, cursor: str | None = None, limit: int = 50
    ) -> ReassessmentPage | None:
        """Reassessments of an evaluation of this tenant, newest first; None if there is no such evaluation.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self.rows(_NEWEST_REASSESSMENTS, (tenant_id, evaluation_id, *place, limit + 1))
        if not rows:
            return None
        found = [row for row in rows if row[0] is not None]
        items = tuple(ReassessmentSummary(**dict(zip(_LISTED_REASSESSMENT, row, strict=True))) for row in found[:limit])
        more = len(found) > limit
        return ReassessmentPage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].reassessment_id) if more else None,
        )
