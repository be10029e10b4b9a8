"""Reading requests and writing answers."""

import asyncio
import functools
import hashlib
import os
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar, cast

import msgspec
from litestar import Request, Response
from litestar.connection import ASGIConnection
from litestar.exceptions import InternalServerException
from litestar.handlers import BaseRouteHandler

from service.api.access import KeyRing
from service.api.problems import ProblemRaised
from service.api.sharing import UnderWay
from service.crew import Crew
from service.model.record import Tenant
from service.pipeline import Prepared, Rulebook
from service.settings import Settings
from service.store.accounts import Accounts
from service.store.erasures import Erasures
from service.store.evaluations import Store
from service.store.outcomes import Outcomes
from service.store.sealing import Seal
from service.store.webhooks import Webhooks
from service.wire.decode import RequestDecoder
from service.wire.query import NoQuery, decode_query
from service.wire.speech import Speech, preferred

JSON = "application/json"
LINES = "application/x-ndjson"
REVALIDATE = "no-cache"
"""Keep it, and ask with `If-None-Match` before using it again."""

Answered = TypeVar("Answered")
AnyRequest = Request[Tenant, Any, Any]

_encoder = msgspec.json.Encoder()


class Serving:
    """What handlers work with; one a process."""

    def __init__(
        self, settings: Settings, rulebook: Rulebook, store: Store, contract: Callable[[RequestDecoder], bytes]
    ) -> None:
        self.settings = settings
        self.rulebook = rulebook
        self.store = store
        self.keys = KeyRing(store)
        self.webhooks = Webhooks(store, Seal(settings.sealing_keys))
        self.erasures = Erasures(store)
        self.outcomes = Outcomes(store)
        self.accounts = Accounts(store)
        self.under_way = UnderWay()
        self.crew = Crew(settings.batch_workers or os.cpu_count() or 1, settings.ruleset)
        self.decoder = rulebook.decoder()
        self.contract = functools.cache(lambda: contract(self.decoder))


def serving(request: AnyRequest) -> Serving:
    """What this process serves with."""
    return cast(Serving, request.app.state.service)


async def judging(request: AnyRequest, pinned: str | msgspec.UnsetType) -> Prepared:
    """The version of the rules to judge by: the one that the request pins, else the account's, else the current one.

    Raises
    ------
    ProblemRaised : the account is set to a version that is not installed
    """
    rulebook = serving(request).rulebook
    name = pinned or request.user.ruleset
    if name is None:
        return rulebook.current
    if name not in rulebook.versions:
        raise ProblemRaised("ruleset_not_installed", "the account is set to a version that is not installed")
    return await made_ready(rulebook, name)


async def made_ready(rulebook: Rulebook, name: str) -> Prepared:
    """An installed version; one that was not asked for before is made ready beside the event loop."""
    if not rulebook.versions.at_hand(name):
        await asyncio.to_thread(rulebook.version, name)
    return rulebook.versions[name]


async def read_body(request: AnyRequest) -> bytes:
    """The whole body.

    Raises
    ------
    ProblemRaised : it was not complete in time, or the client went away
    """
    seconds = serving(request).settings.body_seconds
    try:
        async with asyncio.timeout(seconds):
            return await request.body()
    except TimeoutError:
        raise ProblemRaised(
            "body_too_slow", f"the body was not complete within {seconds:g} s", headers={"connection": "close"}
        ) from None
    except InternalServerException:  # so the framework calls a client that went away
        raise ProblemRaised("bad_request", "the client went away before the body was complete") from None


async def negotiated(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Guard: a media type of the answer is accepted, the body's is JSON, and there is no query where none is known.

    The answer's are the keys of the handler's option `media`, JSON by default; `chosen_media` tells the one to answer.
    """
    offered = list(handler.opt.get("media", (JSON,)))
    if best_accepted(connection.headers.get("accept", ""), offered) is None:
        raise ProblemRaised("not_acceptable", f"this is answered as {' or '.join(offered)}")
    if "body" in handler.opt:
        declared = connection.headers.get("content-type", "").partition(";")[0].strip().lower()
        taken = handler.opt.get("takes", JSON)
        if declared != taken:
            raise ProblemRaised("unsupported_media_type", f"declare the body as {taken}")
        if connection.headers.get("content-encoding", "identity").strip().lower() != "identity":
            raise ProblemRaised("unsupported_media_type", "send the body as it is, not compressed")
    if "query" not in handler.opt:
        decode_query(connection.scope["query_string"], NoQuery)


_MEDIA_RANGE = re.compile(r"([!#$%&'*+.^_`|~0-9a-z-]+)/([!#$%&'*+.^_`|~0-9a-z-]+)")
_WEIGHT = re.compile(r"q\s*=\s*([01](?:\.[0-9]{0,3})?)")


def accepts(field: str, media_type: str) -> bool:
    """Whether an `Accept` header field admits a media type (RFC 9110, 12.5.1)."""
    return weight_of(field, media_type) > 0.0


def best_accepted(field: str, offered: Sequence[str]) -> str | None:
    """Of the media types on offer the one that an `Accept` header field weighs most, the first of equals; None where it
    admits none."""
    best = max(offered, key=lambda media_type: weight_of(field, media_type))
    return best if accepts(field, best) else None


def chosen_media(request: AnyRequest) -> str:
    """The media type to answer with, of those that the handler's option `media` offers."""
    offered = list(request.route_handler.opt["media"])
    return best_accepted(request.headers.get("accept", ""), offered) or offered[0]


def weight_of(field: str, media_type: str) -> float:
    """What an `Accept` header field weighs a media type with, 0 to 1: the most specific range decides."""
    if not field.strip():
        return 1.0
    kind, _, subtype = media_type.partition("/")
    specificity, weight = -1, 0.0
    for part in field.lower().split(","):
        name, *parameters = (piece.strip() for piece in part.split(";"))
        matched = _MEDIA_RANGE.fullmatch(name)
        if matched is None:
            continue
        match matched.groups():
            case ("*", "*"):
                level = 0
            case (major, "*") if major == kind:
                level = 1
            case (major, minor) if (major, minor) == (kind, subtype):
                level = 2
            case _:
                continue
        weights = [float(found.group(1)) for text in parameters if (found := _WEIGHT.fullmatch(text))]
        if level > specificity:
            specificity, weight = level, weights[0] if weights else 1.0
    return weight


def encode(body: object) -> bytes:
    """JSON of an answer.

    Raises
    ------
    ValueError : a number in it is not finite, which the encoder would write as null; answers never hold null
    """
    encoded = _encoder.encode(body)
    if b"null" in encoded and _holds_null(msgspec.json.decode(encoded)):
        raise ValueError("a number in the answer is not finite")
    return encoded


def _holds_null(value: object) -> bool:
    if isinstance(value, dict):
        return any(map(_holds_null, value.values()))
    return any(map(_holds_null, value)) if isinstance(value, list) else value is None


def language(request: AnyRequest, prepared: Prepared) -> Speech:
    """The language that the client asks for, among those of a version of the rules."""
    return preferred(languages(request), prepared.languages)


def languages(request: AnyRequest) -> str:
    """Languages asked for, as `Accept-Language` has them; the account's where the client asks for none."""
    asked = request.headers.get("accept-language", "")
    if asked.strip() or request.scope.get("user") is None:
        return asked
    return request.user.language or ""


def spoken(speech: Speech) -> dict[str, str]:
    """Header fields of an answer whose words are in a language."""
    return {"content-language": speech.code, "vary": "Accept-Language"}


def answer(body: Answered, *, status: int = 200, headers: Mapping[str, str] | None = None) -> Response[Answered]:
    """An answer as JSON."""
    return Response(cast(Answered, encode(body)), status_code=status, headers=headers, media_type=JSON)


def answer_unless_held(
    request: AnyRequest, body: Answered, *, headers: Mapping[str, str] | None = None
) -> Response[Answered]:
    """An answer with an entity tag, or 304 where the client already holds the same."""
    return cast("Response[Answered]", answer_text(request, encode(body), JSON, headers=headers))


def entity_tag(encoded: bytes) -> str:
    """The entity tag of an answer."""
    return f'"{hashlib.sha256(encoded).hexdigest()[:32]}"'


def answer_text(
    request: AnyRequest, encoded: bytes, media_type: str, *, headers: Mapping[str, str] | None = None
) -> Response[bytes]:
    """An answer of any media type with an entity tag, or 304 where the client already holds the same."""
    tag = entity_tag(encoded)
    private = "private, " if "scope" in request.route_handler.opt else ""
    fields = {"etag": tag, "cache-control": private + REVALIDATE, **(headers or {})}
    held = [one.strip().removeprefix("W/") for one in request.headers.get("if-none-match", "").split(",")]
    if tag in held or held == ["*"]:
        return Response(b"", status_code=304, headers=fields)
    return Response(encoded, headers=fields, media_type=media_type)
