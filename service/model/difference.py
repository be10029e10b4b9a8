"""What lies between two versions of the rules, and between two evaluations of one visit."""

from __future__ import annotations

from typing import Literal

import msgspec

from service.model.evaluation import Severity, VerdictToken
from service.model.ruleset import Limit
from service.model.visit import State

Change = Literal["gained", "lost", "changed"]
Step = Literal["patch", "minor", "major"]
STEPS: tuple[Step, ...] = ("patch", "minor", "major")
"""From least to most: words only; something added; a meaning changed or an id taken away."""


class PartChange(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """One part of a record that differs: a value `before` and `after`, or what a list `gained` and `lost`.

    A list that was only put in another order has neither gained nor lost.
    """

    part: str
    before: str | None = None
    after: str | None = None
    gained: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()


class LimitChange(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """One limit of a criterion that differs; `parts` names the fields, empty where only its place in the order does."""

    change: Change
    before: Limit | None = None
    after: Limit | None = None
    parts: tuple[str, ...] = ()


class EntryChange(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """One record of the rules that was gained, lost or changed, and the step of the version that this asks for."""

    section: str
    id: str
    title: str
    change: Change
    step: Step
    parts: tuple[PartChange, ...] = ()
    limits: tuple[LimitChange, ...] = ()


class RulesetDifference(msgspec.Struct, frozen=True, kw_only=True):
    """What lies between two versions of the rules.

    Attributes:
        version, digest: the version that is gone from.
        other_version, other_digest: the version that is come to.
        step: the least step from one version to the other; None where nothing differs.
        entries: every record that differs, by section and id.
    """

    version: str
    digest: str
    other_version: str
    other_digest: str
    step: Step | None
    entries: tuple[EntryChange, ...]


# Two evaluations of one visit --------------------------------------------------------------------------------------


By = Literal[
    "rule", "criterion", "limit", "quantity", "observation", "cause", "caution", "procedure", "evidence", "service",
    "unknown",
]  # fmt: skip


class Reason(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """What made a finding or a verdict differ.

    Attributes:
        by: kind of record of the rules that did it; `quantity` where the rules work a quantity out differently;
            `service` where the service itself does, under the same rules; `unknown` where neither can be shown.
        id: the record's id, or the quantity's name.
        change: what became of the record.
        parts: which parts of it differ; for a quantity, the records that differ and may have done it.
    """

    by: By
    id: str | None = None
    change: Change | None = None
    parts: tuple[str, ...] = ()


class FindingChange(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A finding of one context that was gained, lost or changed; `parts` says in what."""

    code: str
    title: str
    state: State
    area: str | None = None
    change: Change
    severity_before: Severity | None = None
    severity_after: Severity | None = None
    parts: tuple[str, ...] = ()
    reasons: tuple[Reason, ...] = ()


class VerdictMove(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A verdict that is another than it was, or that there is on one side only; numbers in SI units."""

    criterion: str
    quantity: str
    state: State
    area: str | None = None
    subject: str | None = None
    before: VerdictToken | None = None
    after: VerdictToken | None = None
    value_before: float | None = None
    value_after: float | None = None
    lower_before: float | None = None
    lower_after: float | None = None
    upper_before: float | None = None
    upper_after: float | None = None
    reasons: tuple[Reason, ...] = ()


class JudgedBy(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """What an evaluation was made by; `service_version` is None where it was kept before versions were noted."""

    ruleset_version: str
    ruleset_digest: str
    service_version: str | None = None


class EvaluationDifference(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """What lies between two evaluations of one visit.

    `attributed` is False where the rules that judged first are no longer at hand, so that no reason can be shown.
    """

    before: JudgedBy
    after: JudgedBy
    attributed: bool
    findings: tuple[FindingChange, ...]
    verdicts: tuple[VerdictMove, ...]
