"""Visits in the order they took place: of a site, of an equipment. Corrected evaluations are left out."""

import uuid
from datetime import datetime

from service.errors import OutOfRange
from service.model.timeline import KeptVisit, TimelineEntry, TimelinePage, Whose
from service.store.cursor import read_cursor, write_cursor
from service.store.database import LONGEST_PAGE, Database
from service.store.search import prevailing
from service.store.storable import refuse_unstorable

_TIMELINE = """
    SELECT evaluation_id, at, created_at, visited_at, site_reference, equipment_reference, job_reference,
           ruleset_version, ruleset_digest, highest_severity::text, supersedes, request, evaluation, reassessments,
           before, found_before, outcomes
      FROM airside.timeline(%s, %s, %s, %s, %s, %s)
"""
_VISITS = "SELECT evaluation_id, at, request, units, corrected FROM airside.visits_to(%s, %s, %s, %s, %s)"


class Visits:
    """Visits of a tenant. Every method takes one round trip."""

    def __init__(self, database: Database) -> None:
        self._database = database

    async def timeline(
        self, tenant_id: uuid.UUID, whose: Whose, cursor: str | None = None, limit: int = 20
    ) -> TimelinePage:
        """Visits of a site or an equipment, newest first, from just after `cursor` on.

        Raises:
            CursorRefused: a cursor that this did not give out.
            OutOfRange: `limit` is not from 1 to `LONGEST_PAGE`.
            RecordRefused: a reference holds something that PostgreSQL cannot.
        """
        if not 1 <= limit <= LONGEST_PAGE:
            raise OutOfRange("limit", limit, 1, LONGEST_PAGE)
        refuse_unstorable(whose)
        place = (None, None) if cursor is None else read_cursor(cursor)
        rows = await self._database.rows(
            _TIMELINE, (tenant_id, whose.site_reference, whose.equipment_reference, *place, limit + 1)
        )
        items = tuple(
            TimelineEntry(
                **dict(zip(_FIELDS, fields, strict=True)),
                found_before=tuple(found_before or ()),
                outcomes=prevailing(outcomes),
            )
            for *fields, found_before, outcomes in rows[:limit]
        )
        more = len(rows) > limit
        return TimelinePage(
            items=items, next_cursor=write_cursor(items[-1].at, items[-1].evaluation_id) if more else None
        )

    async def of_equipment(
        self,
        tenant_id: uuid.UUID,
        equipment_reference: str,
        visited_from: datetime | None,
        visited_before: datetime | None,
        most: int,
    ) -> tuple[KeptVisit, ...]:
        """The newest `most` visits to an equipment within a time, newest first.

        Raises:
            RecordRefused: the reference holds something that PostgreSQL cannot.
        """
        refuse_unstorable(Whose(equipment_reference=equipment_reference))
        rows = await self._database.rows(_VISITS, (tenant_id, equipment_reference, visited_from, visited_before, most))
        return tuple(
            KeptVisit(evaluation_id=row[0], at=row[1], request=row[2], units=row[3], corrected=tuple(row[4]))
            for row in rows
        )


_FIELDS = TimelineEntry.__struct_fields__[:-2]
