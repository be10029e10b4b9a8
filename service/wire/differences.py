"""Differences as answers: between two versions of the rules."""

from typing import Annotated

from msgspec import UNSET, Meta, UnsetType

from service.model.difference import Change, EntryChange, LimitChange, RulesetDifference, Step
from service.wire.catalogue import limit_view
from service.wire.response import Answer, CriterionLimitView, RulesetReference


class PartChangeView(Answer, frozen=True, kw_only=True):
    """One part of a record that differs; a list that was only put in another order has neither gained nor lost."""

    part: Annotated[str, Meta(description="Name of the part, as in the rules' files.")]
    before: Annotated[str, Meta(description="What it was, as text; absent where it was not there.")] | UnsetType = UNSET
    after: Annotated[str, Meta(description="What it is, as text; absent where it is not there.")] | UnsetType = UNSET
    gained: Annotated[list[str], Meta(description="What a list has now and had not.")] = []
    lost: Annotated[list[str], Meta(description="What a list had and has no longer.")] = []


class LimitChangeView(Answer, frozen=True, kw_only=True):
    """One limit of a criterion that differs, whole, with its dates and its source."""

    change: Change
    parts: Annotated[
        list[str], Meta(description="Fields that differ; none where only its place in the order does.")
    ] = []
    before: Annotated[CriterionLimitView, Meta(description="The limit as it was.")] | UnsetType = UNSET
    after: Annotated[CriterionLimitView, Meta(description="The limit as it is.")] | UnsetType = UNSET


class RulesetChangeView(Answer, frozen=True, kw_only=True):
    """One record of the rules that differs."""

    section: Annotated[
        str, Meta(description="`rules`, `criteria`, `quantities`, `causes`, `cautions`, `procedures` or another part.")
    ]
    id: str
    title: str
    change: Change
    step: Step
    parts: Annotated[list[PartChangeView], Meta(description="What differs in it, apart from limits.")] = []
    limits: Annotated[list[LimitChangeView], Meta(description="The limits of a criterion that differ.")] = []


class RulesetDifferenceView(Answer, frozen=True, kw_only=True):
    """What lies between two versions of the rules."""

    before: Annotated[RulesetReference, Meta(description="The version that is gone from.")]
    after: Annotated[RulesetReference, Meta(description="The version that is come to.")]
    changes: Annotated[list[RulesetChangeView], Meta(description="Every record that differs, rules first.")]
    step: (
        Annotated[Step, Meta(description="The largest step among the changes; absent where nothing differs.")]
        | UnsetType
    ) = UNSET


def ruleset_difference(found: RulesetDifference) -> RulesetDifferenceView:
    """The difference of two versions as clients read it."""
    return RulesetDifferenceView(
        before=RulesetReference(version=found.version, digest=found.digest),
        after=RulesetReference(version=found.other_version, digest=found.other_digest),
        changes=[_entry(entry) for entry in found.entries],
        step=found.step or UNSET,
    )


def _entry(entry: EntryChange) -> RulesetChangeView:
    return RulesetChangeView(
        section=entry.section,
        id=entry.id,
        title=entry.title,
        change=entry.change,
        step=entry.step,
        parts=[
            PartChangeView(
                part=part.part,
                before=UNSET if part.before is None else part.before,
                after=UNSET if part.after is None else part.after,
                gained=list(part.gained),
                lost=list(part.lost),
            )
            for part in entry.parts
        ],
        limits=[_limit(change) for change in entry.limits],
    )


def _limit(change: LimitChange) -> LimitChangeView:
    return LimitChangeView(
        change=change.change,
        parts=list(change.parts),
        before=UNSET if change.before is None else limit_view(change.before),
        after=UNSET if change.after is None else limit_view(change.after),
    )
