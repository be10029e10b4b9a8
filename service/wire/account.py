"""An account as clients read and change it: settings, keys, changes."""

import datetime
import functools
from collections.abc import Container
from typing import Annotated, Literal
from uuid import UUID

import msgspec
from msgspec import UNSET, Meta, UnsetType

from service.model.record import Scope
from service.wire.request import Body, EvaluationRequest, Label, LimitOverride, Moment, RulesetVersion, Text
from service.wire.response import Answer

Logo = Annotated[
    str,
    Meta(
        min_length=4,
        max_length=120_000,
        pattern="^([A-Za-z0-9+/]{4})*([A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?$(?!\\n)",
    ),
]
LanguageCode = Annotated[str, Meta(min_length=2, max_length=35, pattern="^[a-z]{2,8}(-[a-z0-9]{1,8})*$(?!\\n)")]


class LetterheadSettings(Body, frozen=True, kw_only=True):
    """Who the account's documents come from."""

    company_name: Label | UnsetType = UNSET
    contact: Annotated[list[Label], Meta(max_length=6)] = []
    logo: Logo | UnsetType = UNSET
    disclaimer: Text | UnsetType = UNSET


class AccountSettings(Body, frozen=True, kw_only=True):
    """All settings of an account; what is left out is unset."""

    units: Literal["ip", "si"] | UnsetType = UNSET
    language: LanguageCode | UnsetType = UNSET
    ruleset: RulesetVersion | UnsetType = UNSET
    letterhead: LetterheadSettings | UnsetType = UNSET
    limit_overrides: Annotated[list[LimitOverride], Meta(max_length=60)] = []
    retention_days: Annotated[float, Meta(ge=1, le=36500, multiple_of=1)] | UnsetType = UNSET


class AccountView(Answer, frozen=True, kw_only=True):
    """An account with its settings."""

    id: UUID
    name: str
    created_at: datetime.datetime
    settings: AccountSettings


class AccountChangeView(Answer, frozen=True, kw_only=True):
    """A change of the account."""

    id: UUID
    changed_at: datetime.datetime
    by_key: UUID
    what: str
    names: list[str]


class AccountChangePageView(Answer, frozen=True, kw_only=True):
    """Changes of the account, newest first; `next_cursor` is absent on the last page."""

    items: list[AccountChangeView]
    next_cursor: str | UnsetType = UNSET


class KeyRequest(Body, frozen=True, kw_only=True):
    """A key to be made."""

    label: Label
    scopes: Annotated[list[Scope], Meta(min_length=1, max_length=3)]
    expires_at: Moment | UnsetType = UNSET


class KeyRotationRequest(Body, frozen=True, kw_only=True):
    """How long the key of now goes on working beside its successor."""

    overlap_hours: Annotated[float, Meta(ge=0, le=720, multiple_of=1)] = 24.0


class KeyView(Answer, frozen=True, kw_only=True):
    """An API key without its secret."""

    id: UUID
    label: str
    scopes: list[str]
    created_at: datetime.datetime
    expires_at: datetime.datetime | UnsetType = UNSET
    revoked_at: datetime.datetime | UnsetType = UNSET
    last_used_at: datetime.datetime | UnsetType = UNSET


class KeyList(Answer, frozen=True, kw_only=True):
    """Every key of the account, oldest first."""

    items: list[KeyView]


class NewKey(Answer, frozen=True, kw_only=True):
    """A new key with its secret, which is shown this once."""

    key: KeyView
    secret: str


_limits = msgspec.json.Decoder(tuple[LimitOverride, ...])
_encoder = msgspec.json.Encoder()


@functools.lru_cache(maxsize=256)
def account_limits(encoded: bytes | None) -> tuple[LimitOverride, ...]:
    """Limits of an account, as they are kept."""
    return () if encoded is None else _limits.decode(encoded)


def with_limits(
    visit: EvaluationRequest, encoded: bytes | None, criteria: Container[str]
) -> tuple[EvaluationRequest, bytes | None]:
    """A visit under limits of the account.

    A limit of the account counts where the visit gives none itself for the same criterion, and the rules that judge
    have that criterion.

    Returns
    -------
    The visit to judge, and the limits that were added, encoded, to be kept with what is judged of it.
    """
    own = {entry.criterion for entry in visit.limit_overrides}
    added = [entry for entry in account_limits(encoded) if entry.criterion not in own and entry.criterion in criteria]
    if not added:
        return visit, None
    return msgspec.structs.replace(visit, limit_overrides=[*visit.limit_overrides, *added]), _encoder.encode(added)
