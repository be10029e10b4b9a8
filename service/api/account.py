"""An account in the hands of those who hold it: its settings, its keys, and who changed what."""

import base64
import binascii
import struct
from datetime import UTC, datetime, timedelta
from typing import Annotated
from urllib.parse import urlencode
from uuid import UUID

import msgspec
from litestar import Response, Router, delete, get, post, put
from litestar.params import PathParameter
from msgspec import UNSET

from service.api.access import authorised
from service.api.exchange import (
    AnyRequest,
    answer,
    answer_unless_held,
    encode,
    entity_tag,
    made_ready,
    negotiated,
    read_body,
    serving,
)
from service.api.problems import ProblemRaised
from service.model.account import Account, AccountKey
from service.model.letterhead import Letterhead
from service.pipeline import Prepared
from service.store.accounts import MOST_KEYS, new_key_secret
from service.store.database import new_id
from service.wire.account import (
    AccountChangePageView,
    AccountChangeView,
    AccountSettings,
    AccountView,
    KeyList,
    KeyRequest,
    KeyRotationRequest,
    KeyView,
    LetterheadSettings,
    NewKey,
    account_limits,
)
from service.wire.query import PageQuery, decode_query
from service.wire.response import Fault

KeyId = Annotated[UUID, PathParameter(description="`id` of a key.")]

LOGO_PIXELS = 2000
"""Most pixels of a logo each way."""

PNG = b"\x89PNG\r\n\x1a\n"


@get("/", operation_id="get_account", summary="Read the account", opt={"scope": "evaluations:read"})
async def get_account(request: AnyRequest) -> Response[AccountView]:
    """Reads the account that the key belongs to, with its settings. Hand its `ETag` back as `If-Match` to change it."""
    return answer_unless_held(request, _view(await serving(request).accounts.fetch(request.user.tenant_id)))


@put(
    "/",
    operation_id="put_account",
    summary="Change the settings of the account",
    opt={
        "scope": "account:manage",
        "body": AccountSettings,
        "conflict": "settings_refused",
        "conditional": True,
    },
)
async def put_account(request: AnyRequest) -> Response[AccountView]:
    """Puts all settings in place of those of now: what is left out is unset. With `If-Match`, only if nobody has
    changed them since they were read.

    Units, language, version of the rules and limits hold where a request says nothing of them. A limit of the account
    stands in for the rules' own and is told with its reason, and it is kept with each evaluation that it bore on. What
    is older than `retention_days` is erased for good. Other server processes follow within 10 seconds.
    """
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), AccountSettings)
    account = await at_hand.accounts.fetch(request.user.tenant_id)
    wanted = request.headers.get("if-match", "*").strip()
    if wanted != "*" and entity_tag(encode(_view(account))) not in [tag.strip() for tag in wanted.split(",")]:
        raise ProblemRaised("changed_meanwhile", "the settings are not those of If-Match any more")
    changed = await _changed(request, account, asked)
    names = [
        name
        for name in ("units", "language", "ruleset", "letterhead", "limit_overrides", "retention_days")
        if getattr(account, name) != getattr(changed, name)
    ]
    if names:
        if not await at_hand.accounts.change(changed, request.user.key_id, names):
            raise ProblemRaised("changed_meanwhile", "someone else changed the settings at the same time")
        at_hand.keys.forget(request.user.tenant_id)
    view = _view(changed)
    return answer(view, headers={"etag": entity_tag(encode(view))})


@get(
    "/changes",
    operation_id="list_account_changes",
    summary="List who changed what",
    opt={"scope": "account:manage", "query": PageQuery},
)
async def list_account_changes(request: AnyRequest) -> Response[AccountChangePageView]:
    """Lists changes of settings and keys, newest first, with the key that made each."""
    query = decode_query(request.scope["query_string"], PageQuery)
    page = await serving(request).accounts.changes(request.user.tenant_id, query.cursor or None, query.limit)
    view = AccountChangePageView(
        items=[
            AccountChangeView(
                id=item.change_id,
                changed_at=item.changed_at,
                by_key=item.key_id,
                what=item.what,
                names=list(item.names),
            )
            for item in page.items
        ],
        next_cursor=page.next_cursor or UNSET,
    )
    if page.next_cursor is None:
        return answer(view)
    following = urlencode({"limit": query.limit, "cursor": page.next_cursor})
    return answer(view, headers={"link": f'</v1/account/changes?{following}>; rel="next"'})


@get("/keys", operation_id="list_keys", summary="List the keys of the account", opt={"scope": "account:manage"})
async def list_keys(request: AnyRequest) -> Response[KeyList]:
    """Lists every key of the account, oldest first, revoked and expired ones too; never a secret."""
    keys = await serving(request).accounts.keys(request.user.tenant_id)
    return answer_unless_held(request, KeyList(items=[_key(key) for key in keys]))


@post(
    "/keys",
    operation_id="create_key",
    summary="Make a key",
    opt={"scope": "account:manage", "body": KeyRequest, "conflict": "key_not_made"},
)
async def create_key(request: AnyRequest) -> Response[NewKey]:
    """Makes a key and answers with its secret this once; only a digest of it is kept. It grants nothing that the key
    that asks does not."""
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), KeyRequest)
    now = datetime.now(UTC)
    if not set(asked.scopes) <= request.user.scopes:
        raise ProblemRaised("key_not_made", "a key grants nothing that the key that asks for it does not")
    if asked.expires_at and asked.expires_at <= now:
        raise ProblemRaised("key_not_made", "expires_at lies in the past")
    key = AccountKey(
        key_id=new_id(),
        label=asked.label,
        scopes=tuple(sorted(set(asked.scopes))),
        created_at=now,
        expires_at=asked.expires_at or None,
    )
    secret = new_key_secret()
    if not await at_hand.accounts.add_key(request.user.tenant_id, key, secret, request.user.key_id):
        raise ProblemRaised("key_not_made", f"the account has {MOST_KEYS} live keys; revoke one first")
    headers = {"location": f"/v1/account/keys/{key.key_id}", "cache-control": "no-store"}
    return answer(NewKey(key=_key(key), secret=secret), status=201, headers=headers)


@get("/keys/{key_id:uuid}", operation_id="get_key", summary="Read a key", opt={"scope": "account:manage"})
async def get_key(request: AnyRequest, key_id: KeyId) -> Response[KeyView]:
    """Reads one key of the account, without its secret. A revoked one is gone from here; the list still tells it."""
    for key in await serving(request).accounts.keys(request.user.tenant_id, key_id):
        if key.revoked_at is None:
            return answer_unless_held(request, _key(key))
    raise ProblemRaised("not_found", "no key of this account that is not revoked has that id")


@delete(
    "/keys/{key_id:uuid}",
    operation_id="revoke_key",
    summary="Revoke a key",
    status_code=204,
    opt={"scope": "account:manage", "conflict": "key_in_use"},
)
async def revoke_key(request: AnyRequest, key_id: KeyId) -> None:
    """Makes a key useless for good. A key cannot revoke itself, so that an account is never left without one. The
    process that answers forgets it at once; another may go on to take it for 10 seconds."""
    if key_id == request.user.key_id:
        raise ProblemRaised("key_in_use", "a key cannot revoke itself; use another one")
    at_hand = serving(request)
    fate = await at_hand.accounts.revoke_key(request.user.tenant_id, key_id, request.user.key_id)
    at_hand.keys.forget(request.user.tenant_id)
    if fate == "not_yours_any_more":
        raise ProblemRaised(
            "key_refused",
            "the API key is not valid",
            headers={"www-authenticate": 'Bearer realm="airside", error="invalid_token"'},
        )
    if fate == "absent":
        raise ProblemRaised("not_found", "no key of this account has that id")


@post(
    "/keys/{key_id:uuid}/rotations",
    operation_id="rotate_key",
    summary="Put a new key in place of one",
    opt={"scope": "account:manage", "body": KeyRotationRequest, "conflict": "key_not_made"},
)
async def rotate_key(request: AnyRequest, key_id: KeyId) -> Response[NewKey]:
    """Makes a successor with the label and scopes of a live key, and answers with its secret this once. The key itself
    works for `overlap_hours` more, a day by default."""
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), KeyRotationRequest)
    now = datetime.now(UTC)
    secret = new_key_secret()
    key = await at_hand.accounts.rotate_key(
        request.user.tenant_id, key_id, secret, now, now + timedelta(hours=asked.overlap_hours),
        sorted(request.user.scopes), request.user.key_id,
    )  # fmt: skip
    if key == "too_many":
        raise ProblemRaised("key_not_made", f"the account has {MOST_KEYS} live keys; revoke one first")
    if key == "absent":
        raise ProblemRaised(
            "not_found", "no live key of this account, of scopes that the key that asks has, has that id"
        )
    at_hand.keys.forget(request.user.tenant_id)
    headers = {"location": f"/v1/account/keys/{key.key_id}", "cache-control": "no-store"}
    return answer(NewKey(key=_key(key), secret=secret), status=201, headers=headers)


async def _changed(request: AnyRequest, account: Account, asked: AccountSettings) -> Account:
    """The account with what was asked for.

    Raises
    ------
    ProblemRaised : something cannot be set; every fault at once
    """
    rulebook = serving(request).rulebook
    faults: list[Fault] = []
    prepared = rulebook.current
    if asked.ruleset and asked.ruleset in rulebook.names:
        prepared = await made_ready(rulebook, asked.ruleset)
    elif asked.ruleset:
        detail = "this version of the rules is not installed"
        faults.append(Fault(pointer="#/ruleset", code="unknown_value", detail=detail, accepted=list(rulebook.names)))
    if asked.language and asked.language not in prepared.languages:
        detail = "the rules do not speak this language"
        faults.append(
            Fault(pointer="#/language", code="unknown_value", detail=detail, accepted=list(prepared.languages))
        )
    faults += _limit_faults(asked, prepared)
    letterhead = asked.letterhead or LetterheadSettings()
    logo = b""
    if letterhead.logo:
        try:
            logo = read_logo(letterhead.logo)
        except ValueError as fault:
            faults.append(Fault(pointer="#/letterhead/logo", code="wrong_format", detail=str(fault)))
    if faults:
        count = len(faults)
        raise ProblemRaised(
            "settings_refused", f"{count} fault{'s' if count != 1 else ''}, listed in errors", errors=faults
        )
    return msgspec.structs.replace(
        account,
        units=asked.units or "ip",
        language=asked.language or None,
        ruleset=asked.ruleset or None,
        letterhead=Letterhead(
            company_name=letterhead.company_name or "",
            contact=tuple(letterhead.contact),
            logo=logo,
            disclaimer=letterhead.disclaimer or "",
        ),
        limit_overrides=encode(asked.limit_overrides) if asked.limit_overrides else None,
        retention_days=int(asked.retention_days) if asked.retention_days else None,
    )


def _limit_faults(asked: AccountSettings, prepared: Prepared) -> list[Fault]:
    rules, faults, seen = prepared.ruleset, [], set()
    for index, entry in enumerate(asked.limit_overrides):
        pointer = f"#/limit_overrides/{index}"
        criterion = rules.criteria.get(entry.criterion)
        if criterion is None:
            detail = "there is no such criterion in the rules that judge; /v1/rulesets/{version} lists them"
            faults.append(Fault(pointer=f"{pointer}/criterion", code="unknown_value", detail=detail))
            continue
        if entry.criterion in seen:
            faults.append(Fault(pointer=f"{pointer}/criterion", code="given_twice", detail="set each limit once"))
        seen.add(entry.criterion)
        dimension = rules.quantities[criterion.quantity].dimension
        if not prepared.units.accepts(dimension, entry.unit):
            units = [unit.code for unit in rules.dimensions[dimension].unit]
            detail = "is no unit of what the criterion judges"
            faults.append(Fault(pointer=f"{pointer}/unit", code="unknown_value", detail=detail, accepted=units))
        if entry.lower is UNSET and entry.upper is UNSET:
            detail = "give lower, upper or both"
            faults.append(Fault(pointer=pointer, code="missing_field", detail=detail))
        elif entry.lower is not UNSET and entry.upper is not UNSET and entry.lower >= entry.upper:
            detail = "lower must be less than upper"
            faults.append(Fault(pointer=f"{pointer}/lower", code="out_of_range", detail=detail))
    return faults


def read_logo(text: str) -> bytes:
    """A PNG of moderate size out of base64.

    Raises
    ------
    ValueError : it is not one, with what to do about it
    """
    try:
        logo = base64.b64decode(text, validate=True)
    except binascii.Error:
        raise ValueError("must be a PNG file in base64") from None
    # PNG, third edition: signature, then the chunk IHDR of 13 octets, width and height first; IEND last (5.2, 11.2.1).
    if not logo.startswith(PNG) or logo[12:16] != b"IHDR" or len(logo) < 45 or logo[-8:-4] != b"IEND":
        raise ValueError("must be a whole PNG file in base64")
    width, height = struct.unpack(">II", logo[16:24])
    if not (1 <= width <= LOGO_PIXELS and 1 <= height <= LOGO_PIXELS):
        raise ValueError(f"must be at most {LOGO_PIXELS} pixels wide and high")
    if binascii.crc32(logo[12:29]) != struct.unpack(">I", logo[29:33])[0]:
        raise ValueError("must be an undamaged PNG file: its header does not match its check sum")
    return logo


def _view(account: Account) -> AccountView:
    head = account.letterhead
    letterhead = LetterheadSettings(
        company_name=head.company_name or UNSET,
        contact=list(head.contact),
        logo=base64.b64encode(head.logo).decode() if head.logo else UNSET,
        disclaimer=head.disclaimer or UNSET,
    )
    return AccountView(
        id=account.tenant_id,
        name=account.name,
        created_at=account.created_at,
        settings=AccountSettings(
            units=account.units,
            language=account.language or UNSET,
            ruleset=account.ruleset or UNSET,
            letterhead=letterhead if head != Letterhead() else UNSET,
            limit_overrides=list(account_limits(account.limit_overrides)),
            retention_days=float(account.retention_days) if account.retention_days else UNSET,
        ),
    )


def _key(key: AccountKey) -> KeyView:
    return KeyView(
        id=key.key_id,
        label=key.label,
        scopes=list(key.scopes),
        created_at=key.created_at,
        expires_at=key.expires_at or UNSET,
        revoked_at=key.revoked_at or UNSET,
        last_used_at=key.last_used_at or UNSET,
    )


ROUTER = Router(
    "/v1/account",
    route_handlers=[
        get_account,
        put_account,
        list_account_changes,
        list_keys,
        create_key,
        get_key,
        revoke_key,
        rotate_key,
    ],
    guards=[negotiated, authorised],
    tags=["Account"],
)
