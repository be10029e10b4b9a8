"""Correcting a kept visit, and the chain of evaluations that this makes."""

import datetime
from typing import Annotated
from uuid import UUID

import msgspec
from msgspec import Meta

from service.wire.request import Body, EvaluationRequest
from service.wire.response import Answer, RulesetReference, Severity

Reason = Annotated[str, Meta(min_length=1, max_length=2000, pattern="^[^\\u0000]*$")]


class RevisionRequest(Body, frozen=True, kw_only=True):
    """A kept visit as it should have been sent, and why it is corrected."""

    reason: Reason
    visit: EvaluationRequest

    @property
    def ruleset(self) -> str | msgspec.UnsetType:
        """The version of the rules that the visit pins."""
        return self.visit.ruleset


class _Held(msgspec.Struct):
    visit: msgspec.Raw


_decoder = msgspec.json.Decoder(_Held)


def visit_of(body: bytes) -> bytes:
    """The bytes of the visit in the body of a request for a revision that was accepted."""
    return bytes(_decoder.decode(body).visit)


class RevisionView(Answer, frozen=True, kw_only=True):
    """One evaluation of a chain."""

    id: UUID
    created_at: datetime.datetime
    ruleset: RulesetReference
    visited_at: datetime.datetime | msgspec.UnsetType = msgspec.UNSET
    highest_severity: Severity | msgspec.UnsetType = msgspec.UNSET
    supersedes: UUID | msgspec.UnsetType = msgspec.UNSET
    revision_reason: str | msgspec.UnsetType = msgspec.UNSET
    superseded_by: UUID | msgspec.UnsetType = msgspec.UNSET


class RevisionChain(Answer, frozen=True, kw_only=True):
    """The evaluations that correct each other, the oldest first."""

    items: list[RevisionView]
