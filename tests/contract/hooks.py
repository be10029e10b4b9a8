"""What the contract run does to each request before it is sent."""

import itertools
import json
import re
from typing import Any

import schemathesis

_numbers = itertools.count(1)


@schemathesis.hook  # type: ignore[untyped-decorator, unused-ignore]
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Give each idempotency key that is accepted an ending of its own: another request under a key that was used must
    be refused, and the generator repeats its keys. Keys that are not accepted are sent as generated."""
    key = (case.headers or {}).get("Idempotency-Key")
    if isinstance(key, str) and re.fullmatch("[!-~]{1,255}", key):
        ending = f".{next(_numbers)}"
        case.headers["Idempotency-Key"] = key[: 255 - len(ending)] + ending


@schemathesis.serializer("application/x-ndjson")  # type: ignore[untyped-decorator, unused-ignore]
def lines(context: Any, value: Any) -> bytes:
    """Lines are sent as generated; what is no text goes as one line of JSON."""
    if isinstance(value, bytes):
        return value
    return (value if isinstance(value, str) else json.dumps(value)).encode("utf-8", "surrogatepass")
