"""Erasing, and the log of it."""

import datetime
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import Meta

from service.wire.request import Body, Identifier
from service.wire.response import Answer
from service.wire.revisions import Reason

_UUID = "^[0-9A-Fa-f]{8}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{4}-[0-9A-Fa-f]{12}$(?!\\n)"


class SiteSelection(Body, frozen=True, tag="site", tag_field="kind", kw_only=True):
    """Every visit to a site."""

    site_reference: Identifier


class JobSelection(Body, frozen=True, tag="job", tag_field="kind", kw_only=True):
    """Every visit of a job."""

    job_reference: Identifier


class EvaluationSelection(Body, frozen=True, tag="evaluation", tag_field="kind", kw_only=True):
    """One evaluation."""

    evaluation_id: Annotated[str, Meta(min_length=36, max_length=36, pattern=_UUID)]


class ErasureRequest(Body, frozen=True, kw_only=True):
    """What to erase for good, and why. The reason is kept in the log: name no person in it."""

    selection: SiteSelection | JobSelection | EvaluationSelection
    reason: Reason


class ErasureView(Answer, frozen=True, kw_only=True):
    """An erasure in the log."""

    id: UUID
    created_at: datetime.datetime
    kind: Literal["site", "job", "evaluation", "retention"]
    evaluations: int
    complete: bool
    selector_sha256: str | msgspec.UnsetType = msgspec.UNSET
    reason: str | msgspec.UnsetType = msgspec.UNSET
    key_id: UUID | msgspec.UnsetType = msgspec.UNSET


class ErasurePage(Answer, frozen=True, kw_only=True):
    """A page of erasures, newest first; `next_cursor` is absent on the last."""

    items: list[ErasureView]
    next_cursor: str | msgspec.UnsetType = msgspec.UNSET
