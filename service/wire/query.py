"""Query strings, strictly: each parameter known, given once, and within the bounds of its struct."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import parse_qsl
from uuid import UUID

import msgspec
import msgspec.inspect
from msgspec import UNSET, Meta, UnsetType

from service.model.ruleset import BlowerKind, Heating, Position, Ruleset
from service.wire.faults import YEARS, RequestRefused, published_pattern
from service.wire.request import Identifier, Label, Moment, RulesetVersion
from service.wire.response import Fault, Severity

MOST_PARAMETERS = 50


class NoQuery(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """No query parameters."""


class ReadQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a read of one evaluation."""

    units: (
        Annotated[
            Literal["ip", "si"],
            Meta(description="Unit system of the answer; by default that of the first answer."),
        ]
        | UnsetType
    ) = UNSET


Reader = Annotated[
    Literal["customer", "technician", "office"],
    Meta(
        description="Who reads it: `customer` in plain words, `technician` with every number, limit and source, "
        "`office` with codes, severities and the work to plan."
    ),
]
Paper = Annotated[
    Literal["letter", "a4"],
    Meta(description="Size of its pages; by default `letter` with inch-pound units and `a4` with SI units."),
]
Format = Annotated[
    Literal["html", "pdf", "text", "csv"],
    Meta(description="In place of `Accept`, for links that cannot set it."),
]


class DocumentQuery(ReadQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a document."""

    reader: Reader = "customer"
    paper: Paper | UnsetType = UNSET
    format: Format | UnsetType = UNSET


Cursor = Annotated[
    str,
    Meta(
        min_length=32,
        max_length=32,
        pattern="^[0-9A-Za-z_-]{32}$(?!\\n)",
        description="`next_cursor` of the page before, unread. Use the same filters on each page.",
    ),
]


class PageQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a listing: which page of it."""

    limit: Annotated[int, Meta(ge=1, le=200, description="Most entries on a page.")] = 50
    cursor: Cursor | UnsetType = UNSET


FindingCode = Annotated[str, Meta(min_length=1, max_length=80, pattern="^[a-z][a-z0-9_.]*$(?!\\n)")]


class SelectionQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Which kept evaluations are meant; each parameter narrows further."""

    site_reference: Annotated[Identifier, Meta(description="Only visits to this site.")] | UnsetType = UNSET
    equipment_reference: Annotated[Identifier, Meta(description="Only visits to this equipment.")] | UnsetType = UNSET
    job_reference: Annotated[Identifier, Meta(description="Only visits of this job.")] | UnsetType = UNSET
    minimum_severity: (
        Annotated[Severity, Meta(description="Only with a finding of this severity or a more serious one.")] | UnsetType
    ) = UNSET
    finding: Annotated[FindingCode, Meta(description="Only with a finding of this code.")] | UnsetType = UNSET
    created_from: (
        Annotated[
            Moment, Meta(description="Only kept at this time or later. In a query, write the + of an offset as %2B.")
        ]
        | UnsetType
    ) = UNSET
    created_before: Annotated[Moment, Meta(description="Only kept before this time.")] | UnsetType = UNSET
    visited_from: Annotated[Moment, Meta(description="Only visits at this time or later.")] | UnsetType = UNSET
    visited_before: Annotated[Moment, Meta(description="Only visits before this time.")] | UnsetType = UNSET
    ruleset_version: (
        Annotated[RulesetVersion, Meta(min_length=1, description="Only judged by this version of the rules.")]
        | UnsetType
    ) = UNSET
    words: (
        Annotated[
            str,
            Meta(
                min_length=1,
                max_length=200,
                pattern="^[^\\u0000]*$",
                description="Only with all of these words among the labels and notes of the visit, whatever their case "
                "and order. A word is a run of letters and digits, and is looked for whole.",
            ),
        ]
        | UnsetType
    ) = UNSET
    superseded: Annotated[
        Literal["hidden", "included"],
        Meta(description="Whether evaluations that a later one corrects are shown as well."),
    ] = "hidden"


class ListQuery(SelectionQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a listing of evaluations."""

    limit: Annotated[int, Meta(ge=1, le=200, description="Most evaluations on a page.")] = 50
    cursor: Cursor | UnsetType = UNSET


class TimelineQuery(PageQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a timeline."""

    limit: Annotated[int, Meta(ge=1, le=100, description="Most visits on a page.")] = 20
    quantity: Annotated[
        list[Annotated[str, Meta(min_length=1, max_length=80)]],
        Meta(
            max_length=24,
            description="Quantities to show of each visit, as `/v1/vocabulary/quantities` lists them; give it once for "
            "each. Without it, the usual ones are shown.",
        ),
    ] = []
    units: (
        Annotated[
            Literal["ip", "si"],
            Meta(description="Unit system of the answer; by default that of the account."),
        ]
        | UnsetType
    ) = UNSET


class TrendQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a trend."""

    quantity: Annotated[
        str,
        Meta(
            min_length=1,
            max_length=80,
            description="The quantity to follow, as `/v1/vocabulary/quantities` lists it. Pressures and powers of the "
            "fan are brought to one air density, drops of filter and coil to one airflow as well.",
        ),
    ] = "external_static_pressure"
    state: (
        Annotated[
            Identifier,
            Meta(description="Id of an operating state, or `whole_house`; by default that of the newest visit."),
        ]
        | UnsetType
    ) = UNSET
    area: Annotated[Label, Meta(description="Part of the house.")] | UnsetType = UNSET
    visited_from: (
        Annotated[
            Moment, Meta(description="Only visits at this time or later. In a query, write the + of an offset as %2B.")
        ]
        | UnsetType
    ) = UNSET
    visited_before: Annotated[Moment, Meta(description="Only visits before this time.")] | UnsetType = UNSET
    against: Annotated[
        Literal["time", "days_since_filter_change"],
        Meta(
            description="What the quantity is followed against: time, anew after each work that bears on it; or whole "
            "days since the filter was changed or cleaned, over all filters of one kind."
        ),
    ] = "time"
    criterion: (
        Annotated[
            str,
            Meta(
                min_length=1,
                max_length=80,
                description="Id of the criterion whose limit is to be foreseen; by default every one that reports on "
                "the quantity. A limit that the newest visit overrides holds as it says there.",
            ),
        ]
        | UnsetType
    ) = UNSET
    ruleset: (
        Annotated[
            str,
            Meta(
                min_length=1,
                max_length=40,
                description="Version of the rules that works the visits out; by default the account's.",
            ),
        ]
        | UnsetType
    ) = UNSET
    units: (
        Annotated[
            Literal["ip", "si"],
            Meta(description="Unit system of the answer; by default that of the account."),
        ]
        | UnsetType
    ) = UNSET


class ComparisonQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a comparison."""

    before: Annotated[UUID, Meta(description="`id` of the kept evaluation of the earlier visit.")]
    after: Annotated[UUID, Meta(description="`id` of the kept evaluation of the later visit, after the work.")]
    ruleset: (
        Annotated[
            str,
            Meta(
                min_length=1,
                max_length=40,
                description="Version of the rules that works both visits out; by default the account's.",
            ),
        ]
        | UnsetType
    ) = UNSET
    units: (
        Annotated[
            Literal["ip", "si"],
            Meta(description="Unit system of the answer; by default that of the account."),
        ]
        | UnsetType
    ) = UNSET


class ComparisonDocumentQuery(ComparisonQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a document of a comparison."""

    reader: Reader = "customer"
    paper: Paper | UnsetType = UNSET
    format: Format | UnsetType = UNSET


class ExportQuery(SelectionQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of an export of evaluations."""

    rows: Annotated[
        Literal["evaluations", "findings", "quantities"],
        Meta(description="What a row of CSV is; a line of NDJSON is always an evaluation."),
    ] = "evaluations"
    units: (
        Annotated[Literal["ip", "si"], Meta(description="Unit system of all lines; by default the account's.")]
        | UnsetType
    ) = UNSET


YesOrNo = Literal["yes", "no"]
Name = Annotated[str, Meta(min_length=1, max_length=80)]


class EquipmentQuery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of the equipment, so that the words fit it. What is left open may be there."""

    arrangement: Annotated[Name, Meta(description="Only for this arrangement, its ports told.")] | UnsetType = UNSET
    position: Annotated[Position, Meta(description="Which way the air goes through the equipment.")] | UnsetType = UNSET
    blower_kind: Annotated[BlowerKind, Meta(description="The kind of blower.")] | UnsetType = UNSET
    heating: Annotated[Heating, Meta(description="What warms the air.")] | UnsetType = UNSET
    backup_heating: Annotated[Heating, Meta(description="What else warms the air.")] | UnsetType = UNSET
    coil: Annotated[YesOrNo, Meta(description="Whether there is an indoor coil.")] | UnsetType = UNSET
    zone_dampers: Annotated[YesOrNo, Meta(description="Whether there are zone dampers.")] | UnsetType = UNSET
    accessory: (
        Annotated[YesOrNo, Meta(description="Whether an air cleaner, humidifier or lamp is in the air stream.")]
        | UnsetType
    ) = UNSET
    combustion_appliances: (
        Annotated[
            YesOrNo,
            Meta(description="Whether fuel-burning appliances are in the house; a gas furnace is one."),
        ]
        | UnsetType
    ) = UNSET


class ProcedureQuery(EquipmentQuery, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Query of a listing of procedures."""

    reading_kind: Annotated[Name, Meta(description="Only for this kind of reading.")] | UnsetType = UNSET
    station: (
        Annotated[Name, Meta(description="Only at this station or place, and only how that one is reached.")]
        | UnsetType
    ) = UNSET
    component: Annotated[Name, Meta(description="Only for readings at this component.")] | UnsetType = UNSET
    quantity: (
        Annotated[Name, Meta(description="Only readings that make this quantity possible or settle it.")] | UnsetType
    ) = UNSET


Names = Mapping[str, Sequence[str]]
"""Query parameter -> the names that the rules know for it."""


def names_in_queries(ruleset: Ruleset, versions: Sequence[str] = ()) -> Names:
    """The closed lists of names in queries, as the rules have them, and the versions of the rules."""
    procedures = ruleset.procedures.values()
    given = {quantity for procedure in procedures for quantity in procedure.gives}
    return {
        "arrangement": list(ruleset.arrangements),
        "reading_kind": sorted({procedure.reading_kind for procedure in procedures}),
        "station": [*ruleset.stations, *ruleset.places],
        "component": sorted({procedure.component for procedure in procedures if procedure.component}),
        "quantity": [quantity for quantity in ruleset.quantities if quantity in given],
        "TimelineQuery.quantity": list(ruleset.quantities),
        "TrendQuery.quantity": list(ruleset.quantities),
        "TrendQuery.criterion": list(ruleset.criteria),
        "TrendQuery.ruleset": list(versions),
    }


Query = TypeVar("Query", bound=msgspec.Struct)


def decode_query(text: bytes, wanted: type[Query], names: Names = MappingProxyType({})) -> Query:
    """The parameters in a raw query string; those of `names` must have one of their values.

    Raises
    ------
    RequestRefused : naming every fault at once, without the values and without names that are not ours
    """
    try:
        pairs = parse_qsl(text.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=MOST_PARAMETERS)
    except ValueError:  # too many, or octets that are not UTF-8
        detail = f"must be at most {MOST_PARAMETERS} parameters, percent-encoded UTF-8"
        raise RequestRefused([Fault(code="wrong_format", detail=detail)]) from None
    fields = {field.name: field for field in msgspec.structs.fields(wanted)}
    values: dict[str, Any] = {}
    faults: list[Fault] = []
    for name, value in pairs:
        if name not in fields:
            if not any(fault.code == "unknown_field" for fault in faults):
                detail = "there is a parameter that is not known here"
                faults.append(Fault(code="unknown_field", detail=detail, accepted=list(fields)))
        elif name in values and not _repeats(fields[name].type):
            faults.append(Fault(parameter=name, code="given_twice", detail="give it once"))
        else:
            known = _known(name, wanted, names)
            try:
                if _repeats(fields[name].type):
                    values.setdefault(name, []).extend(_convert([value], fields[name].type, known))
                else:
                    values[name] = None
                    values[name] = _convert(value, fields[name].type, known)
            except ValueError:
                faults.append(_fault(name, wanted, names))
    faults += [
        Fault(parameter=name, code="out_of_range", detail=f"give it at most {most} times")
        for name, value in values.items()
        if isinstance(value, list) and len(value) > (most := _repeats(fields[name].type))
    ]
    faults += [
        Fault(parameter=name, code="missing_field", detail="is required")
        for name, field in fields.items()
        if field.required and name not in values
    ]
    if faults:
        raise RequestRefused(faults)
    return wanted(**values)


def _known(name: str, wanted: type[msgspec.Struct], names: Names) -> Sequence[str] | None:
    """The closed list of values of a parameter: of this query, else of every query."""
    return names.get(f"{wanted.__name__}.{name}", names.get(name))


def _repeats(kind: Any) -> int:
    """How often a parameter may be given where it makes a list; 0 for one that stands alone."""
    info = msgspec.inspect.type_info(kind)
    while isinstance(info, msgspec.inspect.Metadata):
        info = info.type
    return (info.max_length or 0) if isinstance(info, msgspec.inspect.ListType) else 0


def _convert(value: str | list[str], kind: Any, known: Sequence[str] | None = None) -> Any:
    if known is not None and not set([value] if isinstance(value, str) else value) <= set(known):
        raise ValueError
    if isinstance(value, list):
        return msgspec.convert(value, kind)
    info = msgspec.inspect.type_info(kind)
    while isinstance(info, msgspec.inspect.Metadata):
        info = info.type
    if isinstance(info, msgspec.inspect.IntType):
        if not (value.isascii() and value.isdigit() and len(value) <= 9):
            raise ValueError
        return msgspec.convert(int(value), kind)
    converted = msgspec.convert(value, kind)
    if isinstance(info, msgspec.inspect.DateTimeType) and not YEARS[0] <= converted.year <= YEARS[1]:
        raise ValueError
    return converted


def _fault(name: str, wanted: type[msgspec.Struct], names: Names) -> Fault:
    """What the parameter must be, from its published schema."""
    schema = parameter_schemas(wanted, names)[name]
    schema = schema.get("items", schema)
    if "enum" in schema:
        return Fault(
            parameter=name, code="unknown_value", detail="is not an accepted value", accepted=list(schema["enum"])
        )
    if schema.get("format") == "date-time":
        detail = (
            f"must be a date and time with seconds and offset, from {YEARS[0]} to {YEARS[1]}, like "
            "2026-07-14T15:30:00Z; write the + of an offset as %2B"
        )
        return Fault(parameter=name, code="wrong_format", detail=detail)
    if schema.get("format") == "uuid":
        return Fault(parameter=name, code="wrong_format", detail="must be a UUID, as `id` of an evaluation is")
    if schema["type"] == "integer":
        detail = f"must be a whole number from {schema['minimum']} to {schema['maximum']}"
        return Fault(parameter=name, code="out_of_range", detail=detail)
    detail = f"must have {schema['minLength']} to {schema['maxLength']} characters"
    if "pattern" not in schema:
        return Fault(parameter=name, code="out_of_range", detail=detail)
    return Fault(parameter=name, code="pattern", detail=f"{detail} and match {schema['pattern']}")


def parameter_schemas(wanted: type[msgspec.Struct], names: Names = MappingProxyType({})) -> dict[str, dict[str, Any]]:
    """JSON Schema of each parameter by name."""
    _, components = msgspec.json.schema_components([wanted])
    properties: dict[str, dict[str, Any]] = components[wanted.__name__]["properties"]
    for name, schema in properties.items():
        known = _known(name, wanted, names)
        if known is not None and schema.get("type") == "array":
            schema["items"] = {"type": "string", "enum": list(known)}
        elif known is not None:
            default = {"default": schema["default"]} if "default" in schema else {}
            properties[name] = {"description": schema["description"], "enum": list(known), **default}
        if "pattern" in schema:
            schema["pattern"] = published_pattern(schema["pattern"])
    return properties
