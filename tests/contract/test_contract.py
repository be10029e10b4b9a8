"""The contract: committed as generated, valid, complete, and in agreement with what the code accepts and answers."""

import copy
import datetime
import json
import random
import re
from pathlib import Path
from typing import Any

import jsonschema_rs
import msgspec
import pytest
from openapi_spec_validator import validate

from service.api.contract import DATE_PATTERN, MOMENT_PATTERN, contract, contract_bytes, examples
from service.api.contract import EXAMPLES as KINDS_OF_EXAMPLES
from service.api.exchange import encode
from service.api.problems import KINDS, ProblemRaised, encode_problem
from service.app import create_app
from service.normalise import steady_reading
from service.pipeline import Rulebook, evaluate, load, project
from service.settings import Settings
from service.store.evaluations import Store
from service.wire.decode import RequestDecoder
from service.wire.faults import FAULT_CODES, RequestRefused, explain
from service.wire.projection import projections
from service.wire.render import result, steady_result, trace
from service.wire.request import EvaluationRequest, ProjectionRequest, SteadyReadingRequest
from service.wire.webhooks import EVENTS, ReplayRequest, SecretRotationRequest, WebhookRequest

OPENAPI = Path(__file__).parents[2] / "openapi"
EXAMPLES = sorted((OPENAPI / "examples").glob("*.json"))
PROJECTIONS = sorted((OPENAPI / "examples" / "projections").glob("*.json"))
SERIES = sorted((OPENAPI / "examples" / "steady_readings").glob("*.json"))
NOT_IN_THE_CONTRACT = {"/docs", "/docs/{name}", "/docs/rules", "/docs/rules/{version}/{name}", "/openapi.json"}
"""What serves the contract itself, and pages for people."""

Document = dict[str, Any]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load()


@pytest.fixture(scope="module")
def decoder(rulebook: Rulebook) -> RequestDecoder:
    return rulebook.decoder()


@pytest.fixture(scope="module")
def document(decoder: RequestDecoder) -> Document:
    return contract(decoder)


def operations(document: Document) -> list[tuple[str, str, Document]]:
    return [(method, path, operation) for path, item in document["paths"].items() for method, operation in item.items()]


def validator(document: Document, name: str, *, closed: bool = False) -> jsonschema_rs.Draft202012Validator:
    """Of a component; `closed` also refuses fields of answers that the contract does not name."""
    whole = copy.deepcopy(document)
    if closed:
        for schema in whole["components"]["schemas"].values():
            if "properties" in schema:
                schema["additionalProperties"] = False
    schema = {"$ref": f"#/components/schemas/{name}", "components": whole["components"]}
    return jsonschema_rs.Draft202012Validator(schema, validate_formats=True)


def test_the_committed_contract_is_the_generated_one(decoder: RequestDecoder) -> None:
    """Write it anew with `airside openapi write`, and note in openapi/CHANGELOG.md what changes for a client."""
    assert (OPENAPI / "openapi.json").read_bytes() == contract_bytes(decoder)


def test_it_is_a_valid_openapi_3_1_document(document: Document) -> None:
    assert document["openapi"].startswith("3.1")
    validate(document)


def test_it_lists_every_route_and_no_other(rulebook: Rulebook, document: Document) -> None:
    application = create_app(Settings(), rulebook, Store("postgresql:///nowhere"))
    served = {
        (route.path_format, method.lower())
        for route in application.routes
        for method in getattr(route, "methods", ())
        if method != "OPTIONS" and route.path_format not in NOT_IN_THE_CONTRACT
    }
    assert {(path, method) for method, path, _ in operations(document)} == served


def test_everything_is_described(document: Document) -> None:
    bare = [
        f"{name}.{field}"
        for name, schema in document["components"]["schemas"].items()
        for field, shape in schema.get("properties", {}).items()
        if not shape.get("description")
    ]
    bare += [name for name, schema in document["components"]["schemas"].items() if not schema.get("description")]
    for _, path, operation in operations(document):
        bare += [path for part in ("summary", "description", "operationId", "tags") if not operation.get(part)]
        bare += [f"{path} {one['name']}" for one in operation.get("parameters", []) if not one.get("description")]
        bare += [
            f"{path} {status}"
            for status, answer in operation["responses"].items()
            if not (answer.get("description") or "$ref" in answer)
        ]
    assert bare == []


def test_names_are_fit_for_generated_clients(document: Document) -> None:
    names = [operation["operationId"] for _, _, operation in operations(document)]
    assert len(set(names)) == len(names)
    assert all(name.isidentifier() and name.islower() for name in names)
    assert all(name.isidentifier() for name in document["components"]["schemas"])


def test_every_operation_documents_its_problems(document: Document) -> None:
    for _, path, operation in operations(document):
        statuses = set(operation["responses"])
        assert {"400", "404", "405", "500"} <= statuses, path
        if operation["security"]:
            assert {"401", "403", "503", "406", "422"} <= statuses, path
        if "requestBody" in operation:
            assert {"408", "413", "415", "422"} <= statuses, path
        for status, answer in operation["responses"].items():
            if int(status) >= 400:
                code = answer["$ref"].rpartition("/")[2]
                assert KINDS[code].status == int(status)
    for code, answer in document["components"]["responses"].items():
        assert list(answer["content"]) == ["application/problem+json"]
        assert answer["content"]["application/problem+json"]["schema"] == {"$ref": "#/components/schemas/Problem"}
        assert answer["content"]["application/problem+json"]["example"]["type"] == f"/problems/{code}"


def test_what_judges_or_reads_an_accounts_data_needs_a_key(document: Document) -> None:
    for _, path, operation in operations(document):
        assert bool(operation["security"]) == path.startswith(
            (
                "/v1/evaluations",
                "/v1/projections",
                "/v1/steady-readings",
                "/v1/sites",
                "/v1/equipment",
                "/v1/comparisons",
                "/v1/webhooks",
                "/v1/outcomes",
                "/v1/erasures",
                "/v1/account",
            )
        )


def request_schemas(document: Document) -> set[str]:
    """Components that a request is made of."""
    found: set[str] = set()
    todo = [
        "EvaluationRequest", "ProjectionRequest", "SteadyReadingRequest", "WebhookRequest", "SecretRotationRequest",
        "ReplayRequest", "RevisionRequest", "ErasureRequest", "BatchLine", "OutcomeRequest",
    ]  # fmt: skip
    while todo:
        name = todo.pop()
        if name not in found:
            found.add(name)
            text = json.dumps(document["components"]["schemas"][name])
            todo += [part.partition('"')[0] for part in text.split("#/components/schemas/")[1:]]
    return found


def test_requests_admit_no_field_that_is_not_named(document: Document) -> None:
    names = request_schemas(document)
    assert len(names) > 30
    for name in names:
        assert document["components"]["schemas"][name]["additionalProperties"] is False, name


def test_every_number_and_text_and_list_of_a_request_is_bounded(document: Document) -> None:
    for name in request_schemas(document):
        for field, shape in document["components"]["schemas"][name]["properties"].items():
            where = f"{name}.{field}"
            if "enum" in shape or "$ref" in shape or "oneOf" in shape:
                continue
            if shape["type"] in ("number", "integer"):
                assert {"minimum", "maximum"} <= shape.keys(), where
            elif shape["type"] == "string":
                assert "format" in shape or {"maxLength", "pattern"} <= shape.keys(), where
            elif shape["type"] == "array":
                assert "maxItems" in shape, where
            else:
                assert shape["type"] == "boolean", where


def test_readings_are_told_apart_by_their_kind(document: Document) -> None:
    readings = document["components"]["schemas"]["EvaluationRequest"]["properties"]["readings"]["items"]
    mapping = readings["discriminator"]["mapping"]
    assert [arm["$ref"] for arm in readings["oneOf"]] == list(mapping.values())
    for kind, reference in mapping.items():
        schema = document["components"]["schemas"][reference.rpartition("/")[2]]
        assert schema["properties"]["kind"]["enum"] == [kind]
        assert "kind" in schema["required"]


def test_links_lead_to_operations_and_their_parameters(document: Document) -> None:
    known = {operation["operationId"]: operation for _, _, operation in operations(document)}
    links = [
        link
        for operation in known.values()
        for answer in operation["responses"].values()
        for link in answer.get("links", {}).values()
    ]
    assert len(links) >= 10
    for link in links:
        target = known[link["operationId"]]
        names = {parameter["name"] for parameter in target.get("parameters", [])}
        assert set(link.get("parameters", {})) <= names
        needed = {one["name"] for one in target.get("parameters", []) if one["required"]}
        assert needed <= set(link.get("parameters", {}))


def test_the_units_of_the_contract_are_those_that_are_decoded(document: Document, decoder: RequestDecoder) -> None:
    everything = {spelling for spellings in decoder.units.values() for spelling in spellings}
    for struct, spellings in decoder.units.items():
        unit = document["components"]["schemas"][struct.__name__]["properties"]["unit"]
        assert unit["x-accepted"] == list(spellings)
        matching = {spelling for spelling in everything if re.search(unit["pattern"], spelling)}
        assert matching == set(spellings)
        assert not re.search(unit["pattern"], "x" + spellings[0])
        assert not re.search(unit["pattern"], spellings[0] + "x")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_are_accepted_and_their_answers_are_as_declared(
    path: Path, document: Document, decoder: RequestDecoder, rulebook: Rulebook
) -> None:
    """Also that answers hold no field that the contract does not name."""
    body = path.read_bytes()
    validator(document, "EvaluationRequest").validate(json.loads(body))
    visit, prepared = decoder.decode(body), rulebook.current
    evaluation = evaluate(visit, prepared)
    for system in ("ip", "si"):
        answer = json.loads(encode(result(evaluation, prepared.ruleset, prepared.units, system)))
        validator(document, "EvaluationResult", closed=True).validate(answer)
        traced = json.loads(encode(trace(evaluation, prepared.ruleset, prepared.units, visit, system)))
        validator(document, "EvaluationTrace", closed=True).validate(traced)


@pytest.mark.parametrize("path", SERIES, ids=lambda path: path.stem)
def test_examples_of_series_are_accepted_and_their_answers_are_as_declared(
    path: Path, document: Document, decoder: RequestDecoder, rulebook: Rulebook
) -> None:
    body, prepared = path.read_bytes(), rulebook.current
    validator(document, "SteadyReadingRequest").validate(json.loads(body))
    reading = steady_reading(decoder.decode_as(body, SteadyReadingRequest), prepared.ruleset, prepared.units)
    answer = json.loads(encode(steady_result(reading, prepared.ruleset, prepared.units)))
    validator(document, "SteadyReadingResult", closed=True).validate(answer)


@pytest.mark.parametrize("path", PROJECTIONS, ids=lambda path: path.stem)
def test_examples_of_projections_are_accepted_and_their_answers_are_as_declared(
    path: Path, document: Document, decoder: RequestDecoder, rulebook: Rulebook
) -> None:
    body, prepared = path.read_bytes(), rulebook.current
    validator(document, "ProjectionRequest").validate(json.loads(body))
    found = project(decoder.decode_as(body, ProjectionRequest), prepared)
    for system in ("ip", "si"):
        answer = json.loads(encode(projections(found, prepared.ruleset, prepared.units, system)))
        validator(document, "ProjectionResult", closed=True).validate(answer)
        assert any(change["quantities"] for context in answer["contexts"] for change in context["each"])


def test_there_are_examples() -> None:
    assert EXAMPLES
    assert PROJECTIONS
    assert SERIES


def test_problems_are_as_declared(document: Document, decoder: RequestDecoder) -> None:
    refused = explain(b'{"units": 1, "x": 2}', decoder.units, decoder.rulesets)
    for raised in (
        ProblemRaised("request_refused", "2 faults", errors=refused.faults),
        ProblemRaised("database_unavailable", "down", retry_after=5),
    ):
        _, _, body = encode_problem(raised, "an-id")
        validator(document, "Problem", closed=True).validate(json.loads(body))
    assert {fault.code for fault in refused.faults} <= set(FAULT_CODES)


# The contract and the decoder say the same -----------------------------------------------------------------------

ODD: list[Any] = [
    None, True, False, 0, 1, -1, 3, 3.0, 2.5, 1e9, 1.0000001e9, -1e10, 1e-300, "", "a", "A", "a\n", "a\0", "in\u00fc",
    "ip", "on", "Pa", "%", "[degF]", "before.filter", "0", "x" * 41, "x" * 65, "x" * 81, "x" * 121, "x" * 2001, [], [1],
    ["a"], [1, 2, 3], {}, {"value": 1}, {"value": 1, "unit": "Pa"}, {"value": 1, "unit": "%"},
    "2026-07-14T15:30:00Z", "2026-07-14T15:30:00+05:30", "2026-07-14T15:30:00.123456789-23:59", "2026-07-14T24:00:00Z",
    "2026-07-14T15:30:60Z", "2026-07-14", "1899-12-31", "2199-12-31", "2200-01-01", "1.0.0", "0.1.0\n",
]  # fmt: skip
"""Values to put anywhere; each is well-formed JSON."""


UNEXPLAINED = "does not match the contract"
"""Said of a body that was refused although nothing was found wrong with it; must never happen."""


def refusal(decoder: RequestDecoder, body: bytes, asked: Any = EvaluationRequest) -> RequestRefused | None:
    try:
        decoder.decode_as(body, asked)
    except RequestRefused as refused:
        return refused
    return None


def mutated(visit: Any, chance: random.Random) -> Any:
    """A visit with one or two places changed: set to an odd value, left out, doubled, or a field added."""
    visit = copy.deepcopy(visit)
    for _ in range(chance.randint(1, 2)):
        places: list[tuple[Any, Any]] = []

        def collect(value: Any, places: list[tuple[Any, Any]] = places) -> None:
            keys = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
            for key in keys:
                places.append((value, key))
                collect(value[key])

        collect(visit)
        holder, key = chance.choice(places)
        match chance.randrange(4):
            case 0 | 1:
                holder[key] = copy.deepcopy(chance.choice(ODD))
            case 2:
                del holder[key]
            case _ if isinstance(holder, dict):
                holder[chance.choice(["state", "extra", "value", "note", "area", "label", "count"])] = copy.deepcopy(
                    chance.choice(ODD)
                )
            case _:
                holder.append(copy.deepcopy(holder[key]))
    return visit


def test_the_contract_and_the_decoder_accept_the_same(document: Document, decoder: RequestDecoder) -> None:
    """Over changed examples: valid by the published schema (read by a JSON Schema library) if and only if decoded."""
    declared = validator(document, "EvaluationRequest")
    visits = [json.loads(path.read_bytes()) for path in EXAMPLES]
    for visit in visits:  # fewer readings, so that a change seldom hits the same kind of place
        visit["readings"] = visit["readings"][:6]
    chance = random.Random(20261125)
    verdicts = {True: 0, False: 0}
    for _ in range(3000):
        visit = mutated(chance.choice(visits), chance)
        refused = refusal(decoder, msgspec.json.encode(visit))
        assert declared.is_valid(visit) == (refused is None), (visit, refused)
        if refused is not None:
            assert refused.well_formed
            assert not any(fault.detail == UNEXPLAINED for fault in refused.faults), visit
        verdicts[refused is None] += 1
    assert min(verdicts.values()) > 150


def test_the_contract_and_the_decoder_accept_the_same_series(document: Document, decoder: RequestDecoder) -> None:
    declared = validator(document, "SteadyReadingRequest")
    bodies = [{**json.loads(path.read_bytes()), "ruleset": decoder.rulesets[0]} for path in SERIES]
    chance = random.Random(20261126)
    verdicts = {True: 0, False: 0}
    for _ in range(1500):
        body = mutated(chance.choice(bodies), chance)
        refused = refusal(decoder, msgspec.json.encode(body), SteadyReadingRequest)
        assert declared.is_valid(body) == (refused is None), (body, refused)
        if refused is not None:
            assert not any(fault.detail == UNEXPLAINED for fault in refused.faults), body
        verdicts[refused is None] += 1
    assert min(verdicts.values()) > 150


@pytest.mark.parametrize("asked", [WebhookRequest, SecretRotationRequest, ReplayRequest], ids=lambda one: one.__name__)
def test_the_contract_and_the_decoder_accept_the_same_of_webhooks(
    asked: Any, document: Document, decoder: RequestDecoder
) -> None:
    declared = validator(document, asked.__name__)
    bodies = [example["value"] for example in examples(KINDS_OF_EXAMPLES[asked]).values()]
    urls = ["https://a.example", "https://a.example/%41?b=[", "https://[::1]:1/", "http://a_b:65536?c", "https://a:0/"]
    fitting = [*urls, ["evaluation.created"], ["webhook.ping"], "hazard", "grave", 0, 24, 168, 169]
    names = [field.encode_name for field in msgspec.structs.fields(asked)]
    chance = random.Random(20261127)
    verdicts = {True: 0, False: 0}
    for body in bodies:
        assert declared.is_valid(body)
    for _ in range(1500):
        body = {**chance.choice(bodies), chance.choice([*names, "extra"]): chance.choice([*ODD, *fitting])}
        if chance.random() < 0.2:
            del body[chance.choice(list(body))]
        refused = refusal(decoder, msgspec.json.encode(body), asked)
        assert declared.is_valid(body) == (refused is None), (body, refused)
        if refused is not None:
            assert not any(fault.detail == UNEXPLAINED for fault in refused.faults), body
        verdicts[refused is None] += 1
    assert min(verdicts.values()) > 30


def test_each_event_has_an_example_that_is_as_declared(document: Document) -> None:
    """Also that the service writes it so: what it would send is decoded from the example and written again."""
    assert set(document["webhooks"]) == set(EVENTS)
    for name, item in document["webhooks"].items():
        content = item["post"]["requestBody"]["content"]["application/json"]
        struct = EVENTS[name]
        assert content["schema"] == {"$ref": f"#/components/schemas/{struct.__name__}"}
        assert content["examples"]
        for example in content["examples"].values():
            validator(document, struct.__name__, closed=True).validate(example["value"])
            written = msgspec.json.encode(msgspec.convert(example["value"], struct))
            validator(document, struct.__name__, closed=True).validate(json.loads(written))
            assert json.loads(written)["data"] == example["value"]["data"]


def test_patterns_of_times_admit_only_what_is_decoded() -> None:
    """Each text that the pattern admits is a time, apart from days that a month does not have."""
    chance = random.Random(7)
    admitted = 0
    for _ in range(20_000):
        text = (
            f"{chance.randint(1850, 2250):04}-{chance.randint(0, 13):02}-{chance.randint(0, 32):02}"
            f"{chance.choice('TTTt ')}{chance.randint(0, 25):02}:{chance.randint(0, 61):02}:{chance.randint(0, 61):02}"
            f"{chance.choice(['', '.5', '.123456789', '.'])}"
            f"{chance.choice(['Z', '+00:00', '-23:59', '+24:00', 'z', ''])}"
        )
        if not re.search(MOMENT_PATTERN, text):
            continue
        try:
            datetime.date.fromisoformat(text[:10])
        except ValueError:
            continue
        admitted += 1
        moment = msgspec.convert(text, datetime.datetime)
        assert moment.utcoffset() is not None
        moment.astimezone(datetime.UTC)
        assert re.search(DATE_PATTERN, text[:10])
    assert admitted > 500


def test_the_readme_lists_every_problem() -> None:
    rows = re.findall(r"^\| `/problems/(\w+)` \| (\d+) \|", (OPENAPI / "README.md").read_text(), re.MULTILINE)
    assert rows == [(code, str(kind.status)) for code, kind in KINDS.items()]
