"""Every fault of a body at once, each with a JSON Pointer and a remedy; runs only once a body has been refused.

The strict decoder stops at the first fault and its words echo what was sent. This module reads the body again as
plain JSON and holds it against the same structs. It says what is accepted, never what was sent: a pointer is the only
place where a name chosen by the client comes back, percent-encoded and bounded.
"""

import datetime
import difflib
import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any
from urllib.parse import quote

import msgspec
from msgspec import inspect

from service.errors import AirsideError
from service.wire.request import EvaluationRequest, ReassessmentRequest, SteadyReadingRequest
from service.wire.response import Fault

DEEPEST = 32
"""Nested arrays and objects a body may hold; a valid one needs 8."""

MOST_FAULTS = 100
"""Faults told at once."""

LONGEST_NAME = 64
"""Characters of a foreign field name that a pointer repeats."""

PINNING = (EvaluationRequest, SteadyReadingRequest, ReassessmentRequest)
"""Requests that may pin a version of the rules."""

YEARS = (1900, 2199)
"""First and last year of a date or time."""

FAULT_CODES: dict[str, str] = {
    "not_json": "The body is not well-formed JSON text in UTF-8.",
    "too_deep": f"Arrays and objects are nested more than {DEEPEST} deep.",
    "impossible_text": "A text holds half of a surrogate pair, which stands for no character.",
    "unknown_field": "There is no such field here; `accepted` lists the fields there are.",
    "missing_field": "A required field is missing.",
    "wrong_type": "The value is of another JSON type; numbers are not written as text, and null is never accepted.",
    "out_of_range": "The number or date lies outside the accepted range.",
    "too_short": "The text has too few characters.",
    "too_long": "The text has too many characters.",
    "too_few": "The list has too few items.",
    "too_many": "The list has too many items.",
    "pattern": "The text holds a character that is not accepted, or is not built as described.",
    "wrong_format": "The text is not a date, or not a date and time with offset, as RFC 3339 writes them.",
    "unknown_value": "The value is not one of those listed in `accepted`.",
    "unknown_unit": "The unit is not one of those accepted for this kind of number, which `accepted` lists.",
    "ruleset_not_installed": "This version of the rules is not installed; `accepted` lists those that are.",
    "given_twice": "A query parameter may be given only once.",
}
"""Code -> meaning; published under `/problems/request_refused`."""

_STRUCTURE = re.compile(rb'"(?:[^"\\]|\\.)*+"?|[\[{]|[\]}]', re.DOTALL)
_JSON_NAMES: dict[type, str] = {
    str: "text",
    int: "a number",
    float: "a number",
    bool: "true or false",
    list: "a list",
    dict: "an object",
    type(None): "null",
}


class RequestRefused(AirsideError):
    """A request that does not match the contract.

    Parameters
    ----------
    faults : everything found wrong, at least one
    well_formed : False where the body is no JSON text at all
    """

    def __init__(self, faults: Sequence[Fault], *, well_formed: bool = True) -> None:
        super().__init__(*(f"{fault.pointer or fault.parameter or 'query'} {fault.code}" for fault in faults))
        self.faults = tuple(faults)
        self.well_formed = well_formed


def explain(
    body: bytes,
    units: Mapping[type, tuple[str, ...]],
    rulesets: tuple[str, ...],
    asked: type[msgspec.Struct] = EvaluationRequest,
) -> RequestRefused:
    """What is wrong with a refused body.

    Parameters
    ----------
    body : the bytes as received
    units : struct with a field `unit` -> accepted spellings
    rulesets : installed versions of the rules
    asked : struct that the body was to be
    """
    try:
        value = _parse(body)
    except _Malformed as malformed:
        return RequestRefused([malformed.fault], well_formed=False)
    walk = _Walk(units, rulesets)
    walk.visit(value, inspect.type_info(asked), ())
    if not walk.faults:
        walk.add((), "wrong_type", "does not match the contract")
    return RequestRefused(walk.faults)


def pointer(path: Sequence[str | int]) -> str:
    """JSON Pointer (RFC 6901, section 6) as a URI fragment, `#/readings/3/value`."""
    tokens = (str(token).replace("~", "~0").replace("/", "~1") for token in path)
    return "#" + "".join("/" + quote(token, safe="~!$&'()*+,;=:@") for token in tokens)


class _Malformed(Exception):
    def __init__(self, code: str, detail: str) -> None:
        super().__init__(code)
        self.fault = Fault(pointer="#", code=code, detail=detail)


def _parse(body: bytes) -> Any:
    depth = 0
    for piece in _STRUCTURE.finditer(body):
        mark = body[piece.start()]
        if mark in b"[{":
            depth += 1
            if depth > DEEPEST:
                raise _Malformed("too_deep", f"nest arrays and objects at most {DEEPEST} deep")
        elif mark in b"]}":
            depth -= 1
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as invalid:
        raise _Malformed("not_json", f"the byte at offset {invalid.start} is not valid UTF-8") from None
    if not text.strip(" \t\r\n"):
        raise _Malformed("not_json", "the body is empty; send a JSON object")
    try:
        value = json.loads(text, parse_int=_integer, parse_float=float, parse_constant=_refuse_constant)
    except json.JSONDecodeError as invalid:
        place = f"line {invalid.lineno}, column {invalid.colno}"
        raise _Malformed("not_json", f"not well-formed JSON at {place}") from None
    try:
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        raise _Malformed("impossible_text", "a text holds half of a surrogate pair; send both halves or none") from None
    return value


def _integer(digits: str) -> int | float:
    """An integer too long to be any number we accept becomes infinite, which is out of every range."""
    return int(digits) if len(digits) <= 40 else math.copysign(math.inf, -1 if digits[0] == "-" else 1)


def _refuse_constant(_: str) -> float:
    raise _Malformed("not_json", "NaN, Infinity and -Infinity are not JSON; leave the reading out")


class _Walk:
    """Holds a JSON value against a type and notes each difference."""

    def __init__(self, units: Mapping[type, tuple[str, ...]], rulesets: tuple[str, ...]) -> None:
        self.faults: list[Fault] = []
        self._units = units
        self._rulesets = rulesets

    def add(self, path: tuple[str | int, ...], code: str, detail: str, accepted: Sequence[object] = ()) -> None:
        if len(self.faults) < MOST_FAULTS:
            listed = [str(value) for value in accepted] or msgspec.UNSET
            self.faults.append(Fault(pointer=pointer(path), code=code, detail=detail, accepted=listed))

    def visit(self, value: Any, wanted: inspect.Type, path: tuple[str | int, ...]) -> None:
        match wanted:
            case inspect.Metadata():
                self.visit(value, wanted.type, path)
            case inspect.StructType():
                self._object(value, wanted, path)
            case inspect.UnionType():
                self._tagged(value, wanted, path)
            case inspect.ListType():
                self._list(value, wanted, path)
            case inspect.LiteralType():
                self._one_of(value, [one for one in wanted.values if isinstance(one, str | int)], path)
            case inspect.StrType():
                self._text(value, wanted, path)
            case inspect.FloatType():
                self._number(value, wanted, path)
            case inspect.IntType():
                self._whole(value, wanted, path)
            case inspect.BoolType():
                if not isinstance(value, bool):
                    self._wrong_type(value, "true or false", path)
            case inspect.DateTimeType():
                self._moment(value, path)
            case inspect.DateType():
                self._date(value, path)
            case _:
                raise TypeError(f"no reading of {type(wanted).__name__} is written down")

    def _wrong_type(self, value: Any, wanted: str, path: tuple[str | int, ...]) -> None:
        given = _JSON_NAMES[type(value)]
        if value is None:
            self.add(path, "wrong_type", f"must be {wanted}, not null; leave out what is not known")
        elif type(value) in (int, float) and "number" in wanted:
            self.add(path, "wrong_type", f"must be {wanted}")
        else:
            self.add(path, "wrong_type", f"must be {wanted}, not {given}")

    def _object(self, value: Any, wanted: inspect.StructType, path: tuple[str | int, ...]) -> None:
        if not isinstance(value, dict):
            self._wrong_type(value, "an object", path)
            return
        fields = {field.encode_name: field for field in wanted.fields}
        known = [*([wanted.tag_field] if wanted.tag_field else []), *fields]
        for name, inner in value.items():
            if name not in fields:
                if name != wanted.tag_field:
                    self._unknown_field(name, known, path)
            elif name == "unit" and wanted.cls in self._units:
                self._unit(inner, self._units[wanted.cls], (*path, name))
            else:
                before = len(self.faults)
                self.visit(inner, fields[name].type, (*path, name))
                if wanted.cls in PINNING and name == "ruleset" and len(self.faults) == before:
                    self._ruleset(inner, (*path, name))
        for name, field in fields.items():
            if field.required and name not in value:
                self.add((*path, name), "missing_field", "is required")

    def _unknown_field(self, name: str, known: list[str], path: tuple[str | int, ...]) -> None:
        near = difflib.get_close_matches(name[:LONGEST_NAME], known, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        if len(name) > LONGEST_NAME:
            self.add(path, "unknown_field", f"holds a field that is not known, its name {len(name)} long", known)
        else:
            self.add((*path, name), "unknown_field", f"there is no such field{hint}", known)

    def _tagged(self, value: Any, wanted: inspect.UnionType, path: tuple[str | int, ...]) -> None:
        structs = [arm for arm in wanted.types if isinstance(arm, inspect.StructType)]
        tags = {str(arm.tag): arm for arm in structs}
        tag_field = str(structs[0].tag_field)
        if not isinstance(value, dict):
            self._wrong_type(value, "an object", path)
        elif tag_field not in value:
            self.add((*path, tag_field), "missing_field", "is required", list(tags))
        elif isinstance(tag := value[tag_field], str) and tag in tags:
            self._object(value, tags[tag], path)
        else:
            self._one_of(tag, tuple(tags), (*path, tag_field))

    def _list(self, value: Any, wanted: inspect.ListType, path: tuple[str | int, ...]) -> None:
        if not isinstance(value, list):
            self._wrong_type(value, "a list", path)
            return
        if wanted.min_length is not None and len(value) < wanted.min_length:
            self.add(path, "too_few", f"must hold at least {wanted.min_length}")
        if wanted.max_length is not None and len(value) > wanted.max_length:
            self.add(path, "too_many", f"must hold at most {wanted.max_length}, and holds {len(value)}")
            return
        for index, item in enumerate(value):
            if len(self.faults) >= MOST_FAULTS:
                return
            self.visit(item, wanted.item_type, (*path, index))

    def _one_of(self, value: Any, values: Sequence[str | int], path: tuple[str | int, ...]) -> None:
        kinds = {type(accepted) for accepted in values}
        if type(value) not in kinds:
            self._wrong_type(value, "text" if str in kinds else "a whole number", path)
        elif value not in values:
            near = difflib.get_close_matches(value, map(str, values), n=1) if isinstance(value, str) else []
            hint = f"; did you mean {near[0]}?" if near else ""
            self.add(path, "unknown_value", f"is not an accepted value{hint}", values)

    def _unit(self, value: Any, spellings: tuple[str, ...], path: tuple[str | int, ...]) -> None:
        if not isinstance(value, str):
            self._wrong_type(value, "text", path)
        elif value not in spellings:
            self.add(path, "unknown_unit", "is not a unit accepted for this kind of number", spellings)

    def _ruleset(self, value: str, path: tuple[str | int, ...]) -> None:
        if value not in self._rulesets:
            detail = "this version is not installed; name an installed one, or none to be judged by the current one"
            self.add(path, "ruleset_not_installed", detail, self._rulesets)

    def _text(self, value: Any, wanted: inspect.StrType, path: tuple[str | int, ...]) -> None:
        if not isinstance(value, str):
            self._wrong_type(value, "text", path)
        elif wanted.min_length is not None and len(value) < wanted.min_length:
            self.add(path, "too_short", f"must have at least {wanted.min_length} characters")
        elif wanted.max_length is not None and len(value) > wanted.max_length:
            self.add(path, "too_long", f"must have at most {wanted.max_length} characters, and has {len(value)}")
        elif wanted.pattern is not None and not re.search(wanted.pattern, value):
            if "\0" in value:
                self.add(path, "pattern", "must not hold U+0000")
            else:
                self.add(path, "pattern", f"must match {published_pattern(wanted.pattern)}")

    def _number(self, value: Any, wanted: inspect.FloatType, path: tuple[str | int, ...]) -> None:
        whole = wanted.multiple_of == 1
        kind = "a whole number" if whole else "a number"
        if isinstance(value, bool) or not isinstance(value, int | float):
            self._wrong_type(value, kind, path)
        elif (wanted.ge is not None and not value >= wanted.ge) or (wanted.le is not None and not value <= wanted.le):
            self.add(path, "out_of_range", f"must be from {wanted.ge:g} to {wanted.le:g}")
        elif whole and value % 1:
            self._wrong_type(value, kind, path)

    def _whole(self, value: Any, wanted: inspect.IntType, path: tuple[str | int, ...]) -> None:
        whole = isinstance(value, int | float) and not isinstance(value, bool) and not value % 1
        if not whole:
            self._wrong_type(value, "a whole number", path)
        elif (wanted.ge is not None and value < wanted.ge) or (wanted.le is not None and value > wanted.le):
            self.add(path, "out_of_range", f"must be from {wanted.ge:g} to {wanted.le:g}")

    def _moment(self, value: Any, path: tuple[str | int, ...]) -> None:
        if not isinstance(value, str):
            self._wrong_type(value, "text", path)
            return
        try:
            moment = msgspec.convert(value, Annotated[datetime.datetime, msgspec.Meta(tz=True)])
        except msgspec.ValidationError:
            detail = "must be a date and time with seconds and offset, like 2026-07-14T15:30:00-06:00"
            self.add(path, "wrong_format", detail)
        else:
            self._year(moment, path)

    def _date(self, value: Any, path: tuple[str | int, ...]) -> None:
        if not isinstance(value, str):
            self._wrong_type(value, "text", path)
            return
        try:
            date = msgspec.convert(value, datetime.date)
        except msgspec.ValidationError:
            self.add(path, "wrong_format", "must be a date like 2026-07-14")
        else:
            self._year(date, path)

    def _year(self, value: datetime.date, path: tuple[str | int, ...]) -> None:
        if not YEARS[0] <= value.year <= YEARS[1]:
            self.add(path, "out_of_range", f"the year must be from {YEARS[0]} to {YEARS[1]}")


def published_pattern(pattern: str) -> str:
    r"""A pattern as the contract shows it.

    In Python `$` also matches before a last newline, so patterns here end in `$(?!\n)`. ECMA-262, which JSON Schema
    follows, has no such exception.
    """
    return pattern.replace(r"$(?!\n)", "$")
