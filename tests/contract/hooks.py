"""What the contract run does to each request before it is sent."""

import functools
import itertools
import json
import os
import re
from pathlib import Path
from typing import Any

import schemathesis
from schemathesis.generation.modes import GenerationMode

_numbers = itertools.count(1)
NOBODY = "00000000-0000-7000-8000-000000000000"
"""Id of nothing."""


@functools.cache
def known() -> dict[str, dict[str, str]]:
    """What the run kept beforehand: by tenant the ids of an earlier and a later visit to one equipment, a finding and
    the state that the earlier one has it in, and the id of the key that the run asks with."""
    found: dict[str, dict[str, str]] = json.loads(Path(os.environ["AIRSIDE_CONTRACT_KNOWN"]).read_bytes())
    return found


@schemathesis.hook  # type: ignore[untyped-decorator, unused-ignore]
def before_call(context: Any, case: Any, kwargs: Any) -> None:
    """Make requests meet what is there, where chance would hardly ever, and keep the run from shutting itself out."""
    _give_key_an_ending(case)
    mine = known().get(case.auth_identity)
    if mine is None:
        return
    operation = case.operation.definition.raw.get("operationId")
    if operation == "rotate_key":
        _keep_own_key(case, mine)
    elif operation in ("create_erasure", "create_revision"):
        _keep_what_is_known(case, mine)
    elif case.meta and case.meta.generation.mode is GenerationMode.POSITIVE and next(_numbers) % 2:
        _name_what_is_there(case, operation, mine)


def _give_key_an_ending(case: Any) -> None:
    """Give each idempotency key that is accepted an ending of its own: another request under a key that was used must
    be refused, and the generator repeats its keys. Keys that are not accepted are sent as generated."""
    key = (case.headers or {}).get("Idempotency-Key")
    if isinstance(key, str) and re.fullmatch("[!-~]{1,255}", key):
        ending = f".{next(_numbers)}"
        case.headers["Idempotency-Key"] = key[: 255 - len(ending)] + ending


def _keep_own_key(case: Any, mine: dict[str, str]) -> None:
    """The key that the run asks with outlives its successors."""
    if str(case.path_parameters.get("key_id")) == mine["key_id"] and isinstance(case.body, dict):
        case.body.pop("overlap_hours", None)


def _keep_what_is_known(case: Any, mine: dict[str, str]) -> None:
    """Both visits stay, whatever else is erased: they name neither site nor job, and are not corrected, since they
    would go with their corrections."""
    selection = case.body.get("selection") if isinstance(case.body, dict) else None
    for named in (selection, case.path_parameters):
        if isinstance(named, dict) and named.get("evaluation_id") in (mine["before"], mine["after"]):
            named["evaluation_id"] = NOBODY


def _name_what_is_there(case: Any, operation: str | None, mine: dict[str, str]) -> None:
    """Two ids that are a pair, a finding that the evaluation has, two versions that are installed: no link leads to
    two things at once."""
    if operation in ("compare_evaluations", "get_comparison_document"):
        case.query.update(before=mine["before"], after=mine["after"])
    elif operation == "create_outcome":
        case.path_parameters["evaluation_id"] = mine["before"]
        case.body.update(finding=mine["finding"], state=mine["state"])
        for unknown in ("area", "cause"):
            case.body.pop(unknown, None)
    elif operation == "compare_rulesets":
        case.path_parameters.update(version=mine["ruleset"], other=mine["ruleset"])
    elif operation == "get_problem":
        case.path_parameters["problem_code"] = "not_found"


@schemathesis.serializer("application/x-ndjson")  # type: ignore[untyped-decorator, unused-ignore]
def lines(context: Any, value: Any) -> bytes:
    """Lines are sent as generated; what is no text goes as one line of JSON."""
    if isinstance(value, bytes):
        return value
    return (value if isinstance(value, str) else json.dumps(value)).encode("utf-8", "surrogatepass")
