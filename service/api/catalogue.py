"""What the service knows, so that a front end can build itself from it. Open to all: it holds no account's data."""

from collections.abc import Callable
from typing import Annotated, Any

from litestar import Response, Router, get
from litestar.handlers import HTTPRouteHandler
from litestar.params import PathParameter

from service.api.exchange import AnyRequest, answer_unless_held, language, negotiated, serving, spoken
from service.api.problems import ProblemRaised
from service.model.ruleset import Ruleset
from service.ruleset.difference import difference
from service.wire import catalogue as view
from service.wire.differences import RulesetDifferenceView, ruleset_difference
from service.wire.query import EquipmentQuery, ProcedureQuery, decode_query
from service.wire.response import (
    ArrangementList,
    DimensionList,
    ProcedureList,
    ProcedureView,
    QuantityEntryList,
    RulesetList,
    RulesetView,
    RuleView,
    TermList,
)

WORDED = {"spoken": True}
NOT_INSTALLED = "this version of the rules is not installed"

Version = Annotated[str, PathParameter(description="Version of an installed ruleset.")]
OtherVersion = Annotated[str, PathParameter(description="Version of another installed ruleset.")]
ProcedureId = Annotated[str, PathParameter(description="Id of a procedure, as `/v1/procedures` lists it.")]
RuleId = Annotated[str, PathParameter(description="Id of a rule, as the ruleset lists it.")]


@get("/", operation_id="list_rulesets", summary="List installed versions of the rules")
async def list_rulesets(request: AnyRequest) -> Response[RulesetList]:
    """Lists the installed versions of the rules, newest first. A request is judged by the current one unless it names
    another."""
    rulebook = serving(request).rulebook
    installed = rulebook.rulesets.values()
    return answer_unless_held(request, view.ruleset_list(installed, _current(request), rulebook.unreleased))


@get("/{version:str}", operation_id="get_ruleset", summary="Read one version of the rules", opt=WORDED)
async def get_ruleset(request: AnyRequest, version: Version) -> Response[RulesetView]:
    """Reads one version of the rules with the list of its rules."""
    ruleset, headers = _installed(request, version)
    return answer_unless_held(request, view.ruleset_view(ruleset, _current(request)), headers=headers)


@get("/{version:str}/rules/{rule_id:str}", operation_id="get_rule", summary="Read one rule", opt=WORDED)
async def get_rule(request: AnyRequest, version: Version, rule_id: RuleId) -> Response[RuleView]:
    """Reads one rule: when it fires, what it says, what it rests on, when it is wrong."""
    ruleset, headers = _installed(request, version)
    if rule_id not in ruleset.diagnoses:
        raise ProblemRaised("not_found", "this version of the rules has no rule of that id")
    return answer_unless_held(request, view.rule_view(ruleset, ruleset.diagnoses[rule_id]), headers=headers)


@get(
    "/{version:str}/differences/{other:str}",
    operation_id="compare_rulesets",
    summary="Compare two versions of the rules",
)
async def compare_rulesets(
    request: AnyRequest, version: Version, other: OtherVersion
) -> Response[RulesetDifferenceView]:
    """Says what lies between two versions of the rules: rules, criteria with their limits, quantities, causes,
    cautions, procedures and the rest of the vocabulary, each gained, lost or changed, and in which part."""
    rulesets = serving(request).rulebook.rulesets
    if version not in rulesets or other not in rulesets:
        raise ProblemRaised("not_found", NOT_INSTALLED)
    found = difference(rulesets[version], rulesets[other])
    return answer_unless_held(request, ruleset_difference(found))


def _current(request: AnyRequest) -> str:
    return serving(request).rulebook.current.ruleset.release.version


def _installed(request: AnyRequest, version: str) -> tuple[Ruleset, dict[str, str]]:
    """A version of the rules, its words in the language asked for, and the header fields that say so."""
    prepared = serving(request).rulebook.versions.get(version)
    if prepared is None:
        raise ProblemRaised("not_found", NOT_INSTALLED)
    speech = language(request, prepared)
    return speech.ruleset or prepared.ruleset, spoken(speech)


def _listing(
    name: str, summary: str, description: str, answered: type[Any], render: Callable[[Ruleset], Any]
) -> HTTPRouteHandler:
    """A read of one part of the current vocabulary."""

    async def read(request: AnyRequest) -> Response[Any]:
        ruleset, headers = _installed(request, _current(request))
        return answer_unless_held(request, render(ruleset), headers=headers)

    read.__annotations__["return"] = Response[answered]  # type: ignore[valid-type]
    return get(f"/{name}", operation_id=f"list_{name}", summary=summary, description=description, opt=WORDED)(read)


RULESETS = Router(
    "/v1/rulesets",
    route_handlers=[list_rulesets, get_ruleset, get_rule, compare_rulesets],
    guards=[negotiated],
    tags=["Rulesets"],
)

VOCABULARY = Router(
    "/v1/vocabulary",
    route_handlers=[
        _listing(
            "units",
            "List units",
            "Lists each kind of number with the unit codes and spellings accepted for it.",
            DimensionList,
            view.dimension_list,
        ),
        _listing(
            "quantities",
            "List derived quantities",
            "Lists the quantities that the service derives: meaning, method, plausible range, sources.",
            QuantityEntryList,
            view.quantity_list,
        ),
        _listing(
            "stations",
            "List stations",
            "Lists the trade names of stations of the air path.",
            TermList,
            lambda ruleset: view.term_list(ruleset.stations),
        ),
        _listing(
            "places",
            "List places",
            "Lists the places, other than stations, where air may be read.",
            TermList,
            lambda ruleset: view.term_list(ruleset.places),
        ),
        _listing(
            "elements",
            "List kinds of elements",
            "Lists the kinds of elements that an air path may have.",
            TermList,
            lambda ruleset: view.term_list(ruleset.elements),
        ),
        _listing(
            "arrangements",
            "List arrangements",
            "Lists the default air paths and rating boundaries with their stations.",
            ArrangementList,
            view.arrangement_list,
        ),
        _listing(
            "observations",
            "List observations",
            "Lists the yes-or-no tokens that rules read beside verdicts.",
            TermList,
            lambda ruleset: view.term_list(ruleset.observations),
        ),
        _listing(
            "causes",
            "List causes",
            "Lists the possible causes of findings; `meaning` is the remedy.",
            TermList,
            lambda ruleset: view.cause_list(ruleset.causes),
        ),
    ],
    guards=[negotiated],
    tags=["Vocabulary"],
)


@get(
    "/",
    operation_id="list_procedures",
    summary="List procedures",
    opt={**WORDED, "query": ProcedureQuery},
)
async def list_procedures(request: AnyRequest) -> Response[ProcedureList]:
    """Lists how to take each reading: where, which way the probe faces, what to isolate first, the steps, when it
    counts as settled, how to put things back, what spoils it, and the cautions.

    The parameters leave out what that equipment cannot have, choose the words that fit it, and name the cautions that
    it brings up by itself. What is not stated may be there."""
    at_hand = serving(request)
    query = decode_query(request.scope["query_string"], ProcedureQuery, at_hand.decoder.names)
    ruleset, headers = _installed(request, _current(request))
    return answer_unless_held(request, view.procedure_list(ruleset, query), headers=headers)


@get(
    "/{procedure_id:str}",
    operation_id="get_procedure",
    summary="Read one procedure",
    opt={**WORDED, "query": EquipmentQuery},
)
async def get_procedure(request: AnyRequest, procedure_id: ProcedureId) -> Response[ProcedureView]:
    """Reads one procedure, in the words that fit the equipment that the parameters state."""
    at_hand = serving(request)
    query = decode_query(request.scope["query_string"], EquipmentQuery, at_hand.decoder.names)
    ruleset, headers = _installed(request, _current(request))
    if procedure_id not in ruleset.procedures:
        raise ProblemRaised("not_found", "there is no procedure of that id")
    found = view.procedure_view(ruleset, ruleset.procedures[procedure_id], view.equipped(ruleset, query), query)
    return answer_unless_held(request, found, headers=headers)


PROCEDURES = Router(
    "/v1/procedures", route_handlers=[list_procedures, get_procedure], guards=[negotiated], tags=["Vocabulary"]
)
