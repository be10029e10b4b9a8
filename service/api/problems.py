"""Every error has one shape (RFC 9457) and one documented `type`, and none repeats what the client sent."""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException

from service.errors import AirsideError, CursorRefused, StoreRefused, StoreUnavailable
from service.wire.faults import RequestRefused
from service.wire.response import Fault, Problem

MEDIA_TYPE = "application/problem+json"


class Kind(msgspec.Struct, frozen=True):
    """A kind of problem: its status, its title, which never varies, what it means and what to do."""

    status: int
    title: str
    meaning: str
    remedy: str


KINDS: dict[str, Kind] = {
    "not_well_formed": Kind(
        400,
        "The body is not well-formed JSON",
        "The bytes are no JSON text in UTF-8, are nested too deeply, or hold half of a surrogate pair.",
        "Send one JSON object. `errors` says where reading stopped.",
    ),
    "bad_request": Kind(
        400,
        "The request cannot be read",
        "The request line or a header field is not built as HTTP requires.",
        "Check the client or the proxy in between.",
    ),
    "key_refused": Kind(
        401,
        "A valid API key is required",
        "The key is missing, unknown, revoked or expired.",
        "Send `Authorization: Bearer <key>` with a key that your operator made for you.",
    ),
    "scope_missing": Kind(
        403,
        "The API key does not allow this",
        "The key is valid, but lacks the scope that the operation needs.",
        "Ask your operator for a key with the scope that `detail` names.",
    ),
    "not_found": Kind(
        404,
        "There is nothing here",
        "No such address, or no such thing under it. What belongs to another account looks the same as what never was.",
        "Check the address and the identifier in it; /openapi.json lists every address.",
    ),
    "cursor_unknown": Kind(
        404,
        "There is no page at this cursor",
        "The cursor is not one that this service gave out.",
        "Begin again without a cursor, then hand back `next_cursor` unchanged.",
    ),
    "method_not_allowed": Kind(
        405, "The method is not allowed here", "The address does not have this method.", "Use one that `Allow` lists."
    ),
    "not_acceptable": Kind(
        406,
        "No acceptable media type",
        "The `Accept` header field excludes the media type of the answer.",
        "Accept application/json (and application/problem+json for problems).",
    ),
    "body_too_slow": Kind(
        408, "The body took too long to arrive", "The body was not complete in time.", "Send the request again."
    ),
    "ruleset_not_installed": Kind(
        409,
        "The version of the rules is not installed",
        "What was kept was judged by a version of the rules that this server no longer holds, or the account is set to "
        "one that it does not hold.",
        "Ask the operator to install that version; /v1/rulesets lists those that are.",
    ),
    "kept_visit_unreadable": Kind(
        409,
        "The kept visit cannot be judged by this version of the service",
        "What was kept is all there, but this version of the service no longer accepts it as a request, or no longer "
        "reads the evaluation. Nothing of it is lost.",
        "Read `errors`, where there are any, and send the visit again as a new evaluation; else ask your operator.",
    ),
    "target_refused": Kind(
        409,
        "The service does not send to this address",
        "The address of a webhook is not `https`, has a port that is not open to webhooks, or leads to a private, "
        "local or otherwise special network, now that its name was looked up.",
        "Give an address in the public internet; an operator may allow others.",
    ),
    "too_many_webhooks": Kind(
        409,
        "The account has as many webhooks as it may have",
        "There is a most number of webhooks for each account.",
        "Remove one that is no longer needed, or change it.",
    ),
    "webhook_disabled": Kind(
        409,
        "The webhook is disabled",
        "It was disabled by its account, or because its target answered 410 Gone.",
        "Enable it with `PUT /v1/webhooks/{webhook_id}`, and try it out again.",
    ),
    "visits_not_comparable": Kind(
        409,
        "The two are no earlier and later visit to one equipment",
        "Both are the same evaluation or one visit, they name different equipment, or the visit `after` took place "
        "before the visit `before`. `detail` says which.",
        "Name two visits to one equipment, the earlier one as `before`; where `equipment.reference` or `visited_at` is "
        "wrong, correct the evaluation with a revision.",
    ),
    "finding_not_there": Kind(
        409,
        "The evaluation has no such finding there",
        "A report is on one finding of the evaluation in one context, and its cause is one that the rules of the "
        "evaluation know. `errors` says what is not so, and `accepted` what is there.",
        "Take finding, `state`, `area` and cause from the evaluation.",
    ),
    "superseded": Kind(
        409,
        "The evaluation was corrected already",
        'An evaluation is corrected once. `detail` and `Link` with `rel="successor-version"` (RFC 5829) name the one '
        "that superseded it.",
        "Correct the evaluation at the end of the chain, if it still needs it.",
    ),
    "erased": Kind(
        410,
        "The evaluation was erased",
        "There was an evaluation of this id. It was erased for good, on request or by its age; nothing of it is kept "
        "but its id. A request sent again that made it is answered so too.",
        "Remove it on your side too. /v1/erasures says when and why.",
    ),
    "settings_refused": Kind(
        409,
        "The settings cannot be set like this",
        "The body is as the contract describes, but a name in it is none that this service knows, a limit does not "
        "fit, or the logo is no PNG file.",
        "Correct each place listed in `errors`; nothing was changed.",
    ),
    "key_not_made": Kind(
        409,
        "The key cannot be made",
        "It would grant more than the key that asks, would have expired already, or the account has too many keys.",
        "Read `detail`; nothing was made.",
    ),
    "key_in_use": Kind(
        409,
        "A key cannot revoke itself",
        "The key to be revoked is the one that asks.",
        "Use another key with the scope account:manage, or rotate the key.",
    ),
    "changed_meanwhile": Kind(
        412,
        "It was changed meanwhile",
        "What was to be changed is not what `If-Match` names any more, or was changed at the same time.",
        "Read it again, change that, and send it with its `ETag` as `If-Match`.",
    ),
    "body_too_large": Kind(
        413,
        "The body is too large",
        "The body has more bytes than this server accepts.",
        "Send fewer samples or readings in one visit.",
    ),
    "unsupported_media_type": Kind(
        415,
        "The body is not declared as JSON",
        "The `Content-Type` header field is missing or names another media type, or the body is compressed.",
        "Send `Content-Type: application/json`, of a batch `application/x-ndjson`, and no `Content-Encoding`.",
    ),
    "request_refused": Kind(
        422,
        "The request does not match the contract",
        "The JSON is well-formed, or the query can be read, but not as /openapi.json describes.",
        "Correct each place listed in `errors`; `accepted` shows what would have been taken.",
    ),
    "idempotency_key_reused": Kind(
        422,
        "The idempotency key belongs to another request",
        "An earlier request under this `Idempotency-Key` had another operation, address or body. Nothing was kept.",
        "Give each request a key of its own; send the very same request again under the same key.",
    ),
    "internal_fault": Kind(
        500,
        "The service failed",
        "A fault of the service, not of the request. It was logged under the request id.",
        "Report the request id to your operator.",
    ),
    "database_unavailable": Kind(
        503,
        "The database cannot answer just now",
        "Nothing was read; if something was to be kept, it is not known whether it was.",
        "Try again after the seconds that `Retry-After` names.",
    ),
}
"""Code -> kind; the code ends the `type` URI, under which the kind is described."""

_BY_STATUS = {
    400: "bad_request",
    404: "not_found",
    405: "method_not_allowed",
    413: "body_too_large",
}

_encoder = msgspec.json.Encoder()


class ProblemRaised(AirsideError):
    """Ends an exchange with this problem.

    Parameters
    ----------
    code : key of `KINDS`
    detail : this occurrence in words; never anything that the client sent
    headers : further header fields of the answer
    retry_after : s
    """

    def __init__(
        self,
        code: str,
        detail: str,
        *,
        headers: Mapping[str, str] | None = None,
        retry_after: int | None = None,
        errors: Sequence[Fault] = (),
    ) -> None:
        super().__init__(code)
        self.code = code
        self.detail = detail
        self.headers = dict(headers or {})
        self.retry_after = retry_after
        self.errors = errors


def problem_of(exception: Exception) -> ProblemRaised:
    """The problem that an exception comes out as. Total: what is not known here is an internal fault."""
    match exception:
        case ProblemRaised():
            return exception
        case RequestRefused():
            code = "request_refused" if exception.well_formed else "not_well_formed"
            count = len(exception.faults)
            return ProblemRaised(
                code, f"{count} fault{'s' if count != 1 else ''}, listed in errors", errors=exception.faults
            )
        case StoreUnavailable():
            return ProblemRaised(
                "database_unavailable", "the database cannot answer just now", retry_after=exception.retry_after
            )
        case StoreRefused():
            return ProblemRaised(
                "database_unavailable", "the database is not fit to be used; the operator must act", retry_after=60
            )
        case CursorRefused():
            return ProblemRaised("cursor_unknown", "begin again without a cursor")
        case HTTPException(status_code=status) if status in _BY_STATUS:
            code = _BY_STATUS[status]
            headers = {"allow": exception.headers["allow"]} if exception.headers and status == 405 else {}
            return ProblemRaised(code, KINDS[code].meaning, headers=headers)
        case _:
            return ProblemRaised("internal_fault", "the fault was logged under the request id")


def encode_problem(raised: ProblemRaised, request_id: str) -> tuple[int, dict[str, str], bytes]:
    """Status, header fields and body of a problem."""
    kind = KINDS[raised.code]
    headers = {"cache-control": "no-store", **raised.headers}
    if raised.retry_after is not None:
        headers["retry-after"] = str(raised.retry_after)
    body = Problem(
        type=f"/problems/{raised.code}",
        title=kind.title,
        status=kind.status,
        detail=raised.detail,
        errors=list(raised.errors) or msgspec.UNSET,
        request_id=request_id,
        retry_after=msgspec.UNSET if raised.retry_after is None else raised.retry_after,
    )
    return kind.status, headers, _encoder.encode(body)


def answer_problem(request: Request[Any, Any, Any], exception: Exception) -> Response[bytes]:
    """The framework's handler for every exception, whoever raised it."""
    state = request.scope["state"]
    raised = problem_of(exception)
    state["problem"] = raised.code
    if raised.code == "internal_fault":
        state["fault"] = exception
    status, headers, body = encode_problem(raised, str(state["request_id"]))
    return Response(body, status_code=status, headers=headers, media_type=MEDIA_TYPE)
