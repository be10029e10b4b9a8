"""What the contract run does to each request before it is sent."""

import functools
import itertools
import json
import os
import re
from pathlib import Path
from typing import Any

import schemathesis
from schemathesis.generation.meta import TestPhase
from schemathesis.generation.modes import GenerationMode

from tests.contract.known import NOBODY

_numbers = itertools.count(1)


@functools.cache
def known() -> dict[str, dict[str, Any]]:
    """What the run kept beforehand, by tenant; see `tests.contract.known`."""
    found: dict[str, dict[str, Any]] = json.loads(Path(os.environ["AIRSIDE_CONTRACT_KNOWN"]).read_bytes())
    return found


@schemathesis.hook  # type: ignore[untyped-decorator, unused-ignore]
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Have half of the requests that are meant to succeed meet what is there, which links and chance reach too seldom,
    and keep the run from taking away what it works with."""
    _give_key_an_ending(case)
    mine = known().get(case.auth_identity or "tenant-a")
    if mine is None:
        return
    operation = case.operation.definition.raw.get("operationId")
    valid = case.meta and case.meta.generation.mode is GenerationMode.POSITIVE
    # Requests of a sequence name what the one before made.
    if valid and case.meta.phase.name is not TestPhase.STATEFUL and next(_numbers) % 2:
        _name_what_is_there(case, operation, mine)
    _keep_what_must_last(case, operation, mine)


def _give_key_an_ending(case: Any) -> None:
    """Give each idempotency key that is accepted an ending of its own: another request under a key that was used must
    be refused, and the generator repeats its keys. Keys that are not accepted are sent as generated."""
    key = (case.headers or {}).get("Idempotency-Key")
    if isinstance(key, str) and re.fullmatch("[!-~]{1,255}", key):
        ending = f".{next(_numbers)}"
        case.headers["Idempotency-Key"] = key[: 255 - len(ending)] + ending


def _name_what_is_there(case: Any, operation: str | None, mine: dict[str, Any]) -> None:
    there = mine["spent"].get(operation, mine["parameters"])
    for place in (case.path_parameters, case.query if operation in PAIRS else None):
        for name in place or ():
            if name in there:
                place[name] = there[name]
    if operation == "create_outcome":
        case.body.update(finding=mine["finding"], state=mine["state"])
        for unknown in ("area", "cause"):
            case.body.pop(unknown, None)


PAIRS = ("compare_evaluations", "get_comparison_document")
"""Operations on two things, which their query names."""


def _keep_what_must_last(case: Any, operation: str | None, mine: dict[str, Any]) -> None:
    """What is kept is not erased; nor is it corrected, since it would be erased with its correction; and the key that
    the run asks with outlives its successors."""
    if operation == "create_revision" and case.path_parameters.get("evaluation_id") in mine["lasting"]:
        case.path_parameters["evaluation_id"] = NOBODY
    if not isinstance(case.body, dict):
        return
    if operation == "create_erasure" and isinstance(selection := case.body.get("selection"), dict):
        for name, named in selection.items():
            if isinstance(named, str) and named in mine["lasting"]:
                selection[name] = NOBODY
    if operation == "rotate_key" and case.path_parameters.get("key_id") == mine["parameters"]["key_id"]:
        case.body.pop("overlap_hours", None)


@schemathesis.serializer("application/x-ndjson")  # type: ignore[untyped-decorator, unused-ignore]
def lines(context: Any, value: Any) -> bytes:
    """Lines are sent as generated; what is no text goes as one line of JSON."""
    if isinstance(value, bytes):
        return value
    return (value if isinstance(value, str) else json.dumps(value)).encode("utf-8", "surrogatepass")
