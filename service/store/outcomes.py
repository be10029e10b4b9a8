"""Outcomes in the database, and the record of the rules that they make."""

import uuid
from datetime import datetime

from service.errors import OutOfRange
from service.model.outcome import Outcome, OutcomePage, RuleCount, added_up
from service.model.record import Kept, Sent
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database
from service.store.keys import as_owner
from service.store.storable import refuse_unstorable

_KEEP = """
    SELECT fate, made
      FROM airside.keep_outcome(%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
"""
_OUTCOME = (
    "outcome_id", "created_at", "finding", "state", "area", "outcome", "cause", "cause_rank", "causes_ranked", "rules",
    "ruleset_version", "note", "observed_at", "reported_by", "prevails",
)  # fmt: skip
_OUTCOMES = f"SELECT {', '.join(_OUTCOME)} FROM airside.outcomes_of(%s, %s, %s, %s, %s, %s)"  # noqa: S608
_COUNT = (
    "ruleset_version", "rule", "finding", "confirmed", "ruled_out", "repaired", "cause_named", "cause_listed",
    "cause_first",
)  # fmt: skip
_RECORD = f"SELECT {', '.join(_COUNT)} FROM airside.rule_record(%s, %s, %s, %s)"  # noqa: S608
_RECORD_OF_ALL = f"SELECT {', '.join(_COUNT)} FROM airside.rule_record_of_all(%s, %s, %s)"  # noqa: S608


class Outcomes:
    """Outcomes of an account. Every method takes one round trip."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def keep(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, outcome: Outcome, sent: Sent | None = None
    ) -> Kept:
        """Add one, for good; with `sent`, only the first request under its key does.

        Raises:
            RecordRefused: it holds something that PostgreSQL cannot; see `refuse_unstorable`.
        """
        refuse_unstorable(outcome)
        ((fate, made),) = await self._database.rows(
            _KEEP,
            (
                tenant_id, evaluation_id, outcome.outcome_id, outcome.created_at, outcome.finding, outcome.state,
                outcome.area, outcome.outcome, outcome.cause, outcome.cause_rank, outcome.causes_ranked,
                list(outcome.rules), outcome.ruleset_version, outcome.note, outcome.observed_at, outcome.reported_by,
                sent and sent.key, sent and sent.digest,
            ),
        )  # fmt: skip
        return Kept(fate=fate, made=made)

    async def fetch(self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, outcome_id: uuid.UUID) -> Outcome | None:
        """One outcome; None if there is none, or it is another's."""
        for row in await self._database.rows(_OUTCOMES, (tenant_id, evaluation_id, outcome_id, None, None, 1)):
            return _outcome(row)
        return None

    async def list(
        self, tenant_id: uuid.UUID, evaluation_id: uuid.UUID, cursor: str | None = None, limit: int = 50
    ) -> OutcomePage:
        """Outcomes of one evaluation, newest first; empty where there is no such evaluation.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._database.rows(_OUTCOMES, (tenant_id, evaluation_id, None, *place, limit + 1))
        items = tuple(_outcome(row) for row in rows[:limit])
        return OutcomePage(
            items=items,
            next_cursor=write_cursor(items[-1].created_at, items[-1].outcome_id) if len(rows) > limit else None,
        )

    async def rule_record(
        self, tenant_id: uuid.UUID, ruleset_version: str | None, rule: str | None, since: datetime | None
    ) -> tuple[RuleCount, ...]:
        """Reports of this account by version, rule and finding."""
        rows = await self._database.rows(_RECORD, (tenant_id, ruleset_version, rule, since))
        return tuple(RuleCount(**dict(zip(_COUNT, row, strict=True))) for row in rows)


def _outcome(row: tuple[object, ...]) -> Outcome:
    fields: dict[str, object] = dict(zip(_OUTCOME, row, strict=True))
    return Outcome(**fields | {"rules": tuple(fields["rules"])})  # type: ignore[arg-type]


def rule_record_of_all(
    database_url: str, ruleset_version: str | None = None, rule: str | None = None, since: datetime | None = None
) -> tuple[RuleCount, ...]:
    """Reports of all accounts by version, rule and finding, for the operator: counts alone, nothing of whose they are.

    Connects as the user who migrated.
    """
    with as_owner(database_url) as connection:
        rows = connection.execute(_RECORD_OF_ALL, (ruleset_version, rule, since)).fetchall()
    return added_up(RuleCount(**dict(zip(_COUNT, row, strict=True))) for row in rows)
