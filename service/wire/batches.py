"""Many visits in one request, a line each, and the fate of each line."""

from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.wire.request import Body, EvaluationRequest
from service.wire.response import Answer, EvaluationResult, FoundView, Problem, RulesetReference, Severity


class BatchLine(Body, frozen=True, kw_only=True):
    """One line of a batch: a visit, and a key under which the line may be sent again.

    The visit always stands in `visit`, with a key or without, so that a line has one shape and a pointer one meaning.
    """

    visit: EvaluationRequest
    idempotency_key: Annotated[str, Meta(min_length=1, max_length=255, pattern="^[!-~]+$(?!\\n)")] | UnsetType = UNSET

    @property
    def ruleset(self) -> str | UnsetType:
        """The version of the rules that the visit pins."""
        return self.visit.ruleset


class BatchQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a batch."""

    answer: Annotated[
        Literal["summary", "full"],
        Meta(description="What to answer for a line that was kept: the codes found, or the whole result as well."),
    ] = "summary"


class BatchAnswer(Answer, frozen=True, kw_only=True):
    """The fate of one line: what was kept, or the problem that kept it from being so."""

    line: int
    status: int
    id: UUID | UnsetType = UNSET
    location: str | UnsetType = UNSET
    repeated: bool = False
    ruleset: RulesetReference | UnsetType = UNSET
    highest_severity: Severity | UnsetType = UNSET
    findings: list[FoundView] | UnsetType = UNSET
    result: EvaluationResult | UnsetType = UNSET
    problem: Problem | UnsetType = UNSET


class LineAtHand(msgspec.Struct):
    """As much of a line as tells whether it was sent before, read before it is held against the contract."""

    visit: msgspec.Raw
    idempotency_key: str | UnsetType = UNSET
