"""Reporting what was found to be true on site, and how often each rule was right."""

import datetime
from collections.abc import Iterable
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.model.outcome import Prevailing, RuleCount, WhatCame
from service.physics.uncertainty import share_interval
from service.wire.query import FindingCode
from service.wire.request import Body, Identifier, Label, Moment, RulesetVersion
from service.wire.response import Answer, PrevailingOutcome

FEWEST = 10
"""Reports below which no share is told, only how many there are; common practice, no source."""

DISCLAIMER = (
    "Reports are selective: what was found true is reported more readily than what was not, and few findings are "
    "reported at all. Neither share nor interval allows for that."
)

RuleId = Annotated[str, Meta(min_length=1, max_length=120, pattern="^[a-z][a-z0-9_.]*$(?!\\n)")]
CauseId = Annotated[str, Meta(min_length=1, max_length=80, pattern="^[a-z][a-z0-9_.]*$(?!\\n)")]
Note = Annotated[str, Meta(min_length=1, max_length=2000, pattern="^[^\\u0000]*$")]


class OutcomeRequest(Body, frozen=True, kw_only=True):
    """What was found to be true of a finding."""

    finding: FindingCode
    outcome: Literal["confirmed", "ruled_out", "repaired"]
    state: Identifier | UnsetType = UNSET
    area: Label | UnsetType = UNSET
    cause: CauseId | UnsetType = UNSET
    note: Note | UnsetType = UNSET
    observed_at: Moment | UnsetType = UNSET
    reported_by: Label | UnsetType = UNSET


class RuleRecordQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of the record of the rules."""

    ruleset_version: (
        Annotated[RulesetVersion, Meta(min_length=1, description="Only findings by this version of the rules.")]
        | UnsetType
    ) = UNSET
    rule: Annotated[RuleId, Meta(description="Only this rule.")] | UnsetType = UNSET
    since: (
        Annotated[
            Moment,
            Meta(description="Only reported at this time or later. In a query, write the + of an offset as %2B."),
        ]
        | UnsetType
    ) = UNSET


class OutcomeView(Answer, frozen=True, kw_only=True):
    """A report of what was found to be true."""

    id: UUID
    evaluation_id: UUID
    created_at: datetime.datetime
    finding: str
    state: str
    area: str | UnsetType = UNSET
    outcome: WhatCame
    cause: str | UnsetType = UNSET
    cause_rank: int | UnsetType = UNSET
    rules: list[str]
    ruleset_version: str
    note: str | UnsetType = UNSET
    observed_at: datetime.datetime | UnsetType = UNSET
    reported_by: str | UnsetType = UNSET
    prevails: bool


class OutcomePage(Answer, frozen=True, kw_only=True):
    """A page of reports, newest first; `next_cursor` is absent on the last."""

    items: list[OutcomeView]
    next_cursor: str | UnsetType = UNSET


class ShareView(Answer, frozen=True, kw_only=True):
    """A share with its Wilson score interval at 95 %."""

    share: float
    low: float
    high: float


class RuleRecordEntry(Answer, frozen=True, kw_only=True):
    """What was reported of the findings that one rule led to."""

    ruleset_version: str
    rule: str
    finding: str
    reported: int
    confirmed: int
    repaired: int
    ruled_out: int
    right: ShareView | UnsetType = UNSET
    causes_reported: int
    cause_among_ranked: int
    cause_ranked_first: int
    first_right: ShareView | UnsetType = UNSET
    too_few: bool


class RuleRecord(Answer, frozen=True, kw_only=True):
    """How often each rule was right, by what was reported."""

    items: list[RuleRecordEntry]
    disclaimer: str


def prevailing_outcomes(reported: Iterable[Prevailing]) -> list[PrevailingOutcome]:
    """Reports in short, as they are told with an evaluation."""
    return [
        PrevailingOutcome(
            id=one.outcome_id,
            created_at=one.created_at,
            finding=one.finding,
            state=one.state,
            area=one.area or UNSET,
            outcome=one.outcome,
            cause=one.cause or UNSET,
            reports=one.reports,
        )
        for one in reported
    ]


def record_entry(count: RuleCount) -> RuleRecordEntry:
    """How a rule's reports are told: shares only where there are `FEWEST` reports or more."""
    return RuleRecordEntry(
        ruleset_version=count.ruleset_version,
        rule=count.rule,
        finding=count.finding,
        reported=count.reported,
        confirmed=count.confirmed,
        repaired=count.repaired,
        ruled_out=count.ruled_out,
        right=_share(count.right, count.reported),
        causes_reported=count.cause_named,
        cause_among_ranked=count.cause_listed,
        cause_ranked_first=count.cause_first,
        first_right=_share(count.cause_first, count.cause_named),
        too_few=count.reported < FEWEST,
    )


def _share(count: int, total: int) -> ShareView | UnsetType:
    if total < FEWEST:
        return UNSET
    low, high = share_interval(count, total, 0.95)
    return ShareView(share=round(count / total, 4), low=round(low, 4), high=round(high, 4))
