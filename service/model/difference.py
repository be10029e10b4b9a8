"""What lies between two versions of the rules, and between two evaluations of one visit."""

from __future__ import annotations

from typing import Literal

import msgspec

from service.model.ruleset import Limit

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
