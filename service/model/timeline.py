"""Visits of a site or an equipment as the store gives them, in the order they took place."""

import uuid
from datetime import datetime

import msgspec

from service.model.evaluation import Severity
from service.model.outcome import Prevailing
from service.model.record import Units


class Whose(msgspec.Struct, frozen=True, kw_only=True):
    """Whose visits are wanted: of a site, or of an equipment."""

    site_reference: str | None = None
    equipment_reference: str | None = None


class TimelineEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One visit with what a timeline shows of it; what is not told here means what it does in `StoredEvaluation`.

    Attributes:
        at: when it took place: `visited_at` where that was given, else `created_at`.
        reassessments: how many are kept beside it.
        before: the visit before to the same equipment; None where there is none, or no equipment was named.
        found_before: codes of what that one found.
        outcomes: the reports on its findings that prevail, newest first.
    """

    evaluation_id: uuid.UUID
    at: datetime
    created_at: datetime
    visited_at: datetime | None
    site_reference: str | None
    equipment_reference: str | None
    job_reference: str | None
    ruleset_version: str
    ruleset_digest: str
    highest_severity: Severity | None
    supersedes: uuid.UUID | None
    request: bytes
    evaluation: bytes
    reassessments: int
    before: uuid.UUID | None
    found_before: tuple[str, ...]
    outcomes: tuple[Prevailing, ...] = ()


class TimelinePage(msgspec.Struct, frozen=True, kw_only=True):
    """Some visits, newest first, and the cursor to the next page where there is one."""

    items: tuple[TimelineEntry, ...]
    next_cursor: str | None


class KeptVisit(msgspec.Struct, frozen=True, kw_only=True):
    """The request of one visit, when it took place, and the evaluations that it corrects, the latest first."""

    evaluation_id: uuid.UUID
    at: datetime
    request: bytes
    units: Units
    corrected: tuple[uuid.UUID, ...]
