"""Requests that their client may send again under a key of its own, and work that many ask for at once.

The key is the field `Idempotency-Key` of the IETF draft "The Idempotency-Key HTTP Header Field"
(draft-ietf-httpapi-idempotency-key-header-07, which expired in 2026 without becoming an RFC). As it has it, another
request under a used key is answered 422. Unlike it, a second request that comes while the first is under way is not
answered 409: it waits and is answered as the first, which spares the client one more try. And a key need not be in
quotes, as the draft's structured string would be; it is taken as it stands.
"""

import hashlib
import re
from collections.abc import Awaitable, Callable
from typing import TypeVar
from uuid import UUID

from service.api.exchange import AnyRequest, serving
from service.api.problems import ProblemRaised
from service.model.record import Kept, Sent
from service.wire.faults import RequestRefused
from service.wire.response import Fault

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
"""Field of an answer that an earlier request had before; the draft names none."""

PATTERN = "^[!-~]{1,255}$"

_KEY = re.compile(rb"[!-~]{1,255}")

Made = TypeVar("Made")


def sent_as(key: str, operation: str, address: str, body: bytes) -> Sent:
    """A request as it is known again: by the digest of its key, and by that of all that makes it the same.

    Keys are kept as digests only, since clients make them of job numbers and the like, which may have to be erased.
    """
    digest = hashlib.sha256()
    for part in (operation.encode(), address.encode(), body):
        digest.update(len(part).to_bytes(8))
        digest.update(part)
    return Sent(key=hashlib.sha256(key.encode()).hexdigest(), digest=digest.digest())


def sent(request: AnyRequest, body: bytes) -> Sent | None:
    """This request as one that may be sent again; None where it carries no key.

    Raises
    ------
    RequestRefused : the key is not 1 to 255 visible ASCII characters, or is given twice
    """
    given = [value for name, value in request.scope["headers"] if name == HEADER.lower().encode()]
    if not given:
        return None
    key = b", ".join(given)  # as RFC 9110, 5.3 combines fields of one name
    if not _KEY.fullmatch(key):
        raise RequestRefused(
            [Fault(parameter=HEADER, code="pattern", detail="must be 1 to 255 visible ASCII characters, given once")]
        )
    operation = str(request.route_handler.operation_id)
    return sent_as(key.decode(), operation, request.url.path, body)


async def once(
    request: AnyRequest,
    sending: Sent | None,
    make: Callable[[], Awaitable[tuple[Kept, Made]]],
    load: Callable[[UUID], Awaitable[Made]],
) -> tuple[Made, dict[str, str]]:
    """What the first request under a key made, and the header fields that say so.

    However many ask at once, a process makes it at most once, and looks it up once for all of them.

    Parameters
    ----------
    sending : as `sent` or `sent_as` gives it
    make : makes and keeps, with `sending` passed to what keeps; raises where nothing was kept for a reason of its own
    load : what an earlier request made, by its id; raises where it is no longer there

    Raises
    ------
    ProblemRaised : another request came first under the key
    """
    if sending is None:
        return (await make())[1], {}
    at_hand = serving(request)
    tenant_id = request.user.tenant_id

    async def settled() -> tuple[Made, bool]:
        fate = await at_hand.store.claimed(tenant_id, sending)
        if fate is None:
            fate, made = await make()
            if fate.fate == "kept":
                return made, False
        if fate.fate == "other_request" or fate.made is None:
            raise ProblemRaised("idempotency_key_reused", "another request was sent under this key before")
        return await load(fate.made), True

    (made, repeated), first = await at_hand.under_way.share((tenant_id, sending.key, sending.digest), settled)
    return made, {REPLAYED.lower(): "true"} if repeated or not first else {}
