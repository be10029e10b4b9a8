"""What was found to be true on site of what an evaluation found, and how often each rule was right."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from typing import Literal

import msgspec

WhatCame = Literal["confirmed", "ruled_out", "repaired"]


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """What was found to be true of one finding in one context. Kept once, never changed; a later one prevails.

    Attributes:
        outcome_id: UUID of version 7.
        created_at, observed_at: when it was reported, and seen; with offset.
        finding: its code.
        state, area: the context that the finding stands in; `area` empty for the whole.
        outcome: `confirmed` or `repaired` where the finding was true, else `ruled_out`.
        cause: id of the cause that was really found.
        cause_rank: rank that the finding gave it; None where it did not name it.
        causes_ranked: how many causes the finding named.
        rules: ids of the rules that led to the finding, of `ruleset_version`.
        note, reported_by: in the words of who reported.
        prevails: whether no later one speaks of the same finding in the same context; told, not kept.
    """

    outcome_id: uuid.UUID
    created_at: datetime
    finding: str
    state: str
    area: str
    outcome: WhatCame
    cause: str | None
    cause_rank: int | None
    causes_ranked: int
    rules: tuple[str, ...]
    ruleset_version: str
    note: str | None
    observed_at: datetime | None
    reported_by: str | None
    prevails: bool = True


class Prevailing(msgspec.Struct, frozen=True, kw_only=True):
    """The report on one finding in one context that prevails, in short; what is not told here means what it does in
    `Outcome`.

    Attributes:
        reports: how many there are on that finding in that context, this one among them.
    """

    outcome_id: uuid.UUID
    created_at: datetime
    finding: str
    state: str
    area: str
    outcome: WhatCame
    cause: str | None
    reports: int


class OutcomePage(msgspec.Struct, frozen=True, kw_only=True):
    """Some outcomes of one evaluation, newest first, and the cursor to the next page where there is one."""

    items: tuple[Outcome, ...]
    next_cursor: str | None


class RuleCount(msgspec.Struct, frozen=True, kw_only=True):
    """Prevailing reports on the findings that one rule led to.

    Attributes:
        confirmed, ruled_out, repaired: how many said so.
        cause_named: of those found true, how many named a cause where the finding had ranked some.
        cause_listed, cause_first: how many of these causes were among the ranked ones, and ranked first.
    """

    ruleset_version: str
    rule: str
    finding: str
    confirmed: int
    ruled_out: int
    repaired: int
    cause_named: int
    cause_listed: int
    cause_first: int

    @property
    def right(self) -> int:
        """How many found it true; what was repaired had been true."""
        return self.confirmed + self.repaired

    @property
    def reported(self) -> int:
        """How many there are."""
        return self.right + self.ruled_out


def added_up(counts: Iterable[RuleCount]) -> tuple[RuleCount, ...]:
    """Counts of several accounts, those of the same rule, finding and version as one."""
    summed: dict[tuple[str, str, str], RuleCount] = {}
    numbers = ("confirmed", "ruled_out", "repaired", "cause_named", "cause_listed", "cause_first")
    for count in counts:
        key = (count.ruleset_version, count.rule, count.finding)
        known = summed.get(key)
        summed[key] = (
            count
            if known is None
            else msgspec.structs.replace(
                known, **{name: getattr(known, name) + getattr(count, name) for name in numbers}
            )
        )
    return tuple(summed[key] for key in sorted(summed))
