"""The OpenAPI 3.1 document. The framework generates paths and operations; everything it lacks is added here only:

- components as msgspec writes them, which is what is decoded and encoded: no additional properties in requests,
  discriminators, bounds;
- accepted units, installed rulesets and the years of dates, which the decoder checks beyond the structs;
- query parameters, request bodies, every problem on every operation, header fields, links, security, examples.
"""

import functools
import inspect
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

import msgspec
from litestar import Litestar
from litestar.handlers import HTTPRouteHandler
from litestar.openapi.config import OpenAPIConfig
from litestar.openapi.spec import License

from service.api.exchange import JSON, LINES
from service.api.problems import KINDS, MEDIA_TYPE
from service.api.repetition import HEADER, PATTERN, REPLAYED
from service.api.routes import ROUTES
from service.store.erasures import REMEMBERED_DAYS
from service.wire.account import AccountSettings, KeyRequest, KeyRotationRequest
from service.wire.batches import BatchAnswer, BatchLine
from service.wire.decode import RequestDecoder
from service.wire.erasures import ErasureRequest
from service.wire.faults import PINNING, YEARS, published_pattern
from service.wire.meanings import meaning_of
from service.wire.outcomes import OutcomeRequest
from service.wire.query import Names, parameter_schemas
from service.wire.request import (
    REFERENCE,
    EvaluationRequest,
    ProjectionRequest,
    ReassessmentRequest,
    SteadyReadingRequest,
)
from service.wire.response import Problem, UnreadableEvaluation
from service.wire.revisions import RevisionRequest
from service.wire.webhooks import EVENTS, ReplayRequest, SecretRotationRequest, WebhookRequest

TITLE = "Airside Findings"
VERSION = "1.0.0"
DESCRIPTION = inspect.cleandoc(
    """
    Judges the air-side readings of one visit to residential or light-commercial heating and cooling equipment: are
    the readings sound, what do they mean, what is wrong and how sure is that, why, who could be hurt, what to read or
    do next.

    **Not a declaration of safety.** No answer says that a site, an appliance or a heat exchanger is safe. Local codes,
    the manufacturer's instructions and licensed practice go before everything said here.

    - Send an API key as `Authorization: Bearer <key>`.
    - Numbers with a unit are `{"value": 0.62, "unit": "[in_i'H2O]"}`. Answers use UCUM codes, in `ip` or `si`.
    - Optional fields are left out, never null. Unknown fields and query parameters are refused.
    - Every error is `application/problem+json`, with every fault of a request at once; `/problems` describes each.
    - `X-Request-Id` (1 to 64 letters, digits, `.`, `_`, `-`) and `traceparent` are taken over and echoed.
    - Words come in the language asked for by `Accept-Language`, where the rules speak it; problems are in English.
    - What happens is told to webhooks, signed as Standard Webhooks describes; the section `webhooks` has each event.
    - Give each POST that keeps something an `Idempotency-Key` (IETF draft of that name), and you can send it again.
    - Reads carry an `ETag`; send it as `If-None-Match` to be answered 304 while nothing has changed.
    - Within v1, fields and values may be added and restrictions relaxed. Nothing is tightened or renamed: take no
      list of values in an answer to be closed, but for `severity`.
    """
)

TAGS = {
    "Evaluations": "Judging visits, and reading what was judged.",
    "History": "A site or an equipment over its visits.",
    "Outcomes": "What was found to be true on site, and how often each rule was right.",
    "Documents": "Evaluations in writing, for customer, technician and office.",
    "Projections": "What changes to the air system would bring.",
    "Steady readings": "Raw samples to a settled value.",
    "Rulesets": "The rules that judge, version by version.",
    "Vocabulary": "Names and units that requests and answers use.",
    "Erasures": "Erasing evaluations for good, and the log of it.",
    "Account": "Settings and keys of the account that a key belongs to.",
    "Webhooks": "Telling an account's own systems what happened.",
    "Health": "Probes.",
    "Problems": "What each kind of problem means.",
}

EXAMPLES: dict[type[msgspec.Struct], str] = {
    EvaluationRequest: "",
    ProjectionRequest: "projections",
    SteadyReadingRequest: "steady_readings",
    ReassessmentRequest: "reassessments",
    RevisionRequest: "revisions",
    ErasureRequest: "erasures",
    BatchLine: "batch_lines",
    OutcomeRequest: "outcomes",
    WebhookRequest: "webhooks",
    AccountSettings: "account_settings",
    KeyRequest: "keys",
    KeyRotationRequest: "key_rotations",
    SecretRotationRequest: "secret_rotations",
    ReplayRequest: "replays",
}
"""Struct of a body -> folder of its examples."""

PAGED = (
    "list_evaluations",
    "list_account_changes",
    "list_reassessments",
    "list_outcomes",
    "get_site_timeline",
    "get_equipment_timeline",
    "list_webhook_deliveries",
    "list_erasures",
)
"""Listings that come a page at a time; they change too often to carry an entity tag."""

_DAY = "(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
_CENTURIES = "|".join(str(century) for century in range(YEARS[0] // 100, YEARS[1] // 100 + 1))
DATE_PATTERN = f"^({_CENTURIES})[0-9]{{2}}-{_DAY}$"
MOMENT_PATTERN = (
    f"^({_CENTURIES})[0-9]{{2}}-{_DAY}T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\\.[0-9]{{1,9}})?"
    "(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$"
)

_ANSWERED_HEADERS = {
    "X-Request-Id": ("Id of this exchange, also in the log; the client's own where it sent a valid one.", True),
}
_EXTRA_HEADERS = {
    "superseded": {"Link": ('Address of what superseded it, `rel="successor-version"` (RFC 5829).', True)},
    "key_refused": {"WWW-Authenticate": ("How to authenticate (RFC 9110, 11.6.1; RFC 6750, 3).", True)},
    "scope_missing": {"WWW-Authenticate": ("The scope that is needed (RFC 6750, 3).", True)},
    "method_not_allowed": {"Allow": ("The methods that the address has.", True)},
    "database_unavailable": {"Retry-After": ("Seconds after which to try again.", True)},
}

_IF_MATCH: dict[str, Any] = {
    "name": "If-Match",
    "in": "header",
    "required": False,
    "description": "`ETag` of what is to be changed, as it was read (RFC 9110, 13.1.1): changed only if still so.",
    "schema": {"type": "string"},
    "example": "*",
}

_ACCEPT_LANGUAGE: dict[str, Any] = {
    "name": "Accept-Language",
    "in": "header",
    "required": False,
    "description": "Languages that the reader prefers (RFC 9110, 12.5.4). Words come in the best of those that the "
    "rules speak, English otherwise; names, codes and problems stay as they are.",
    "schema": {"type": "string"},
    "example": "es-MX, es;q=0.9, en;q=0.5",
}

_WEBHOOK_LINKS: dict[str, Any] = {
    name: {"operationId": operation, "parameters": {"webhook_id": "$response.body#/id"}}
    for name, operation in {
        "read": "get_webhook",
        "change": "change_webhook",
        "ping": "ping_webhook",
        "rotate_secret": "rotate_webhook_secret",
        "deliveries": "list_webhook_deliveries",
        "replay_dead": "replay_dead_webhook_deliveries",
        "remove": "remove_webhook",
    }.items()
}
_DELIVERY_LINKS: dict[str, Any] = {
    name: {
        "operationId": operation,
        "parameters": {"webhook_id": "$response.body#/webhook_id", "delivery_id": "$response.body#/id"},
    }
    for name, operation in {"read": "get_webhook_delivery", "replay": "replay_webhook_delivery"}.items()
}

_IDEMPOTENCY_KEY: dict[str, Any] = {
    "name": HEADER,
    "in": "header",
    "required": False,
    "description": "A key of your own for this request, such as a UUID, so that you can send it again when no answer "
    "came: the very same request under the same key is answered as the first time and makes nothing new, also while "
    f"the first is under way, after restarts, and for {REMEMBERED_DAYS} days. Another request under it is refused as "
    "`/problems/idempotency_key_reused`. The value is taken as it stands, quotes and all.",
    "schema": {"type": "string", "minLength": 1, "maxLength": 255, "pattern": PATTERN},
    "example": "2f1c9d6e-54a8-4a53-9f0f-6f2f0a3f7c11",
}

_LINKS: dict[str, dict[str, Any]] = {
    "create_evaluation": {
        "read": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/id"}},
        "trace": {"operationId": "get_evaluation_trace", "parameters": {"evaluation_id": "$response.body#/id"}},
        "list": {"operationId": "list_evaluations", "description": "The new evaluation comes first."},
        "reassess": {"operationId": "create_reassessment", "parameters": {"evaluation_id": "$response.body#/id"}},
        "reassessments": {"operationId": "list_reassessments", "parameters": {"evaluation_id": "$response.body#/id"}},
        "plots": {"operationId": "list_plots", "parameters": {"evaluation_id": "$response.body#/id"}},
        "revise": {
            "operationId": "create_revision",
            "parameters": {"evaluation_id": "$response.body#/id"},
            "description": "Once; what corrects it may be corrected again.",
        },
        "revisions": {"operationId": "list_revisions", "parameters": {"evaluation_id": "$response.body#/id"}},
        "report": {
            "operationId": "create_outcome",
            "parameters": {"evaluation_id": "$response.body#/id"},
            "description": "With a code from `result`.",
        },
        "outcomes": {"operationId": "list_outcomes", "parameters": {"evaluation_id": "$response.body#/id"}},
        "webhooks": {"operationId": "list_webhooks", "description": "Those of these that want to are told of it."},
        "site": {
            "operationId": "get_site_timeline",
            "parameters": {"site_reference": "$response.body#/result/site_reference"},
            "description": "Where the visit names its site.",
        },
        "equipment": {
            "operationId": "get_equipment_timeline",
            "parameters": {"equipment_reference": "$response.body#/result/equipment_reference"},
            "description": "Where the visit names its equipment.",
        },
        "trend": {
            "operationId": "get_equipment_trend",
            "parameters": {"equipment_reference": "$response.body#/result/equipment_reference"},
            "description": "Where the visit names its equipment.",
        },
    },
    "compare_evaluations": {
        "before": {
            "operationId": "get_evaluation",
            "parameters": {"evaluation_id": "$response.body#/before/evaluation_id"},
        },
        "after": {
            "operationId": "get_evaluation",
            "parameters": {"evaluation_id": "$response.body#/after/evaluation_id"},
        },
        "document": {
            "operationId": "get_comparison_document",
            "parameters": {
                "before": "$response.body#/before/evaluation_id",
                "after": "$response.body#/after/evaluation_id",
            },
        },
    },
    "get_equipment_trend": {
        "compare": {
            "operationId": "compare_evaluations",
            "parameters": {
                "before": "$response.body#/points/0/evaluation_id",
                "after": "$response.body#/points/1/evaluation_id",
            },
        },
        "first": {
            "operationId": "get_evaluation",
            "parameters": {"evaluation_id": "$response.body#/points/0/evaluation_id"},
        },
        "timeline": {
            "operationId": "get_equipment_timeline",
            "parameters": {"equipment_reference": "$request.path.equipment_reference"},
        },
    },
    "get_site_timeline": {
        "read": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/items/0/id"}},
        "equipment": {
            "operationId": "get_equipment_timeline",
            "parameters": {"equipment_reference": "$response.body#/items/0/equipment_reference"},
        },
        "next": {
            "operationId": "get_site_timeline",
            "parameters": {
                "site_reference": "$request.path.site_reference",
                "cursor": "$response.body#/next_cursor",
            },
        },
    },
    "get_equipment_timeline": {
        "read": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/items/0/id"}},
        "next": {
            "operationId": "get_equipment_timeline",
            "parameters": {
                "equipment_reference": "$request.path.equipment_reference",
                "cursor": "$response.body#/next_cursor",
            },
        },
    },
    "list_plots": {
        "draw": {
            "operationId": "get_plot",
            "parameters": {
                "evaluation_id": "$request.path.evaluation_id",
                "plot_name": "$response.body#/items/0/name",
            },
        },
    },
    "create_webhook": _WEBHOOK_LINKS,
    "change_webhook": _WEBHOOK_LINKS,
    "list_webhooks": {
        "read": {"operationId": "get_webhook", "parameters": {"webhook_id": "$response.body#/items/0/id"}},
        "ping": {"operationId": "ping_webhook", "parameters": {"webhook_id": "$response.body#/items/0/id"}},
        "deliveries": {
            "operationId": "list_webhook_deliveries",
            "parameters": {"webhook_id": "$response.body#/items/0/id"},
        },
        "change": {"operationId": "change_webhook", "parameters": {"webhook_id": "$response.body#/items/0/id"}},
    },
    "ping_webhook": _DELIVERY_LINKS,
    "replay_webhook_delivery": _DELIVERY_LINKS,
    "list_webhook_deliveries": {
        "read": {
            "operationId": "get_webhook_delivery",
            "parameters": {
                "webhook_id": "$response.body#/items/0/webhook_id",
                "delivery_id": "$response.body#/items/0/id",
            },
        },
        "replay": {
            "operationId": "replay_webhook_delivery",
            "parameters": {
                "webhook_id": "$response.body#/items/0/webhook_id",
                "delivery_id": "$response.body#/items/0/id",
            },
        },
        "next": {
            "operationId": "list_webhook_deliveries",
            "parameters": {"webhook_id": "$request.path.webhook_id", "cursor": "$response.body#/next_cursor"},
        },
    },
    "create_revision": {
        "read": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/id"}},
        "superseded": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/supersedes"}},
        "revise": {"operationId": "create_revision", "parameters": {"evaluation_id": "$response.body#/id"}},
        "revisions": {"operationId": "list_revisions", "parameters": {"evaluation_id": "$response.body#/id"}},
    },
    "create_erasure": {
        "read": {"operationId": "get_erasure", "parameters": {"erasure_id": "$response.body#/id"}},
        "log": {"operationId": "list_erasures", "description": "The new erasure comes first."},
    },
    "list_erasures": {
        "read": {"operationId": "get_erasure", "parameters": {"erasure_id": "$response.body#/items/0/id"}},
        "next": {"operationId": "list_erasures", "parameters": {"cursor": "$response.body#/next_cursor"}},
    },
    "list_revisions": {
        "first": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/items/0/id"}},
    },
    "create_outcome": {
        "read": {
            "operationId": "get_outcome",
            "parameters": {"evaluation_id": "$response.body#/evaluation_id", "outcome_id": "$response.body#/id"},
        },
        "list": {
            "operationId": "list_outcomes",
            "parameters": {"evaluation_id": "$response.body#/evaluation_id"},
            "description": "The new report comes first.",
        },
        "rules": {"operationId": "get_rule_record", "description": "Its rules count it."},
    },
    "list_outcomes": {
        "read": {
            "operationId": "get_outcome",
            "parameters": {
                "evaluation_id": "$request.path.evaluation_id",
                "outcome_id": "$response.body#/items/0/id",
            },
        },
        "next": {
            "operationId": "list_outcomes",
            "parameters": {
                "evaluation_id": "$request.path.evaluation_id",
                "cursor": "$response.body#/next_cursor",
            },
        },
    },
    "create_reassessment": {
        "read": {
            "operationId": "get_reassessment",
            "parameters": {
                "evaluation_id": "$response.body#/evaluation_id",
                "reassessment_id": "$response.body#/id",
            },
        },
        "list": {
            "operationId": "list_reassessments",
            "parameters": {"evaluation_id": "$response.body#/evaluation_id"},
            "description": "The new reassessment comes first.",
        },
        "evaluation": {
            "operationId": "get_evaluation",
            "parameters": {"evaluation_id": "$response.body#/evaluation_id"},
        },
    },
    "list_reassessments": {
        "read": {
            "operationId": "get_reassessment",
            "parameters": {
                "evaluation_id": "$request.path.evaluation_id",
                "reassessment_id": "$response.body#/items/0/id",
            },
        },
        "next": {
            "operationId": "list_reassessments",
            "parameters": {
                "evaluation_id": "$request.path.evaluation_id",
                "cursor": "$response.body#/next_cursor",
            },
        },
    },
    "get_reassessment": {
        "evaluation": {
            "operationId": "get_evaluation",
            "parameters": {"evaluation_id": "$response.body#/evaluation_id"},
        },
        "ruleset": {"operationId": "get_ruleset", "parameters": {"version": "$response.body#/result/ruleset/version"}},
        "rules_between": {
            "operationId": "compare_rulesets",
            "parameters": {
                "version": "$response.body#/difference/before/ruleset/version",
                "other": "$response.body#/difference/after/ruleset/version",
            },
        },
    },
    "list_evaluations": {
        "compare": {
            "operationId": "compare_evaluations",
            "parameters": {"before": "$response.body#/items/1/id", "after": "$response.body#/items/0/id"},
            "description": "Where both are of one equipment, the first the later visit.",
        },
        "read": {"operationId": "get_evaluation", "parameters": {"evaluation_id": "$response.body#/items/0/id"}},
        "trace": {
            "operationId": "get_evaluation_trace",
            "parameters": {"evaluation_id": "$response.body#/items/0/id"},
        },
        "next": {"operationId": "list_evaluations", "parameters": {"cursor": "$response.body#/next_cursor"}},
        "export": {
            "operationId": "export_evaluations",
            "parameters": {"finding": "$response.body#/items/0/findings/0/code"},
            "description": "All with the gravest finding of the newest.",
        },
    },
    "get_evaluation": {
        "trace": {"operationId": "get_evaluation_trace", "parameters": {"evaluation_id": "$response.body#/id"}},
        "reassessments": {"operationId": "list_reassessments", "parameters": {"evaluation_id": "$response.body#/id"}},
        "ruleset": {"operationId": "get_ruleset", "parameters": {"version": "$response.body#/result/ruleset/version"}},
    },
    "list_procedures": {
        "read": {"operationId": "get_procedure", "parameters": {"procedure_id": "$response.body#/items/0/id"}}
    },
    "list_rulesets": {
        "read": {"operationId": "get_ruleset", "parameters": {"version": "$response.body#/items/0/version"}},
        "compare": {
            "operationId": "compare_rulesets",
            "parameters": {"version": "$response.body#/items/1/version", "other": "$response.body#/items/0/version"},
            "description": "What the newest version changed; with one version installed there is nothing to compare.",
        },
    },
    "get_ruleset": {
        "rule": {
            "operationId": "get_rule",
            "parameters": {"version": "$response.body#/version", "rule_id": "$response.body#/rules/0/id"},
        }
    },
    "list_problems": {
        "read": {"operationId": "get_problem", "parameters": {"problem_code": "$response.body#/items/0/code"}}
    },
}


def contract(decoder: RequestDecoder) -> dict[str, Any]:
    """The document for a service that decodes with `decoder`."""
    application = Litestar(
        ROUTES,
        openapi_config=OpenAPIConfig(
            title=TITLE,
            version=VERSION,
            description=DESCRIPTION,
            license=License(name="Apache-2.0", identifier="Apache-2.0"),
            use_handler_docstrings=True,
            path="/generated",
        ),
        logging_config=None,
    )
    generated: dict[str, Any] = application.openapi_schema.to_schema()
    handlers = {
        handler.operation_id: handler
        for route in application.routes
        for handler in getattr(route, "route_handlers", ())
        if isinstance(handler, HTTPRouteHandler) and handler.resolve_include_in_schema()
    }
    answers = {name: _answered(handler) for name, handler in handlers.items()}
    for item in generated["paths"].values():
        for operation in item.values():
            handler = handlers[operation["operationId"]]
            _complete(operation, handler, answers[operation["operationId"]], decoder.names)
    return {
        "openapi": "3.1.0",
        "info": generated["info"],
        "servers": [{"url": "/"}],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items()],
        "paths": dict(sorted(generated["paths"].items())),
        "webhooks": {name: {"post": _told(name, struct)} for name, struct in EVENTS.items()},
        "components": {
            "securitySchemes": {
                "api_key": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "An API key that your operator made, `ak_` and 43 more characters. Its scopes say "
                    "what it allows: `evaluations:write` to judge, `evaluations:read` to read, "
                    "`account:manage` to look after the account and its webhooks, and to erase.",
                }
            },
            "responses": {code: _problem_response(code) for code in KINDS},
            "schemas": _schemas(
                decoder,
                [
                    *EXAMPLES,
                    *EVENTS.values(),
                    BatchAnswer,
                    Problem,
                    UnreadableEvaluation,
                    *filter(None, answers.values()),
                ],
            ),
        },
    }


def contract_bytes(decoder: RequestDecoder) -> bytes:
    """The document as served and as committed."""
    return (json.dumps(contract(decoder), indent=2, ensure_ascii=False) + "\n").encode()


def _answered(handler: HTTPRouteHandler) -> type[msgspec.Struct] | None:
    """The struct that is answered as JSON; None where none is."""
    arguments: tuple[type, ...] = get_args(handler.parsed_return_field.raw)
    return arguments[0] if arguments and issubclass(arguments[0], msgspec.Struct) else None


def _content(answered: type[msgspec.Struct] | None, media: Mapping[str, str]) -> dict[str, Any]:
    """Each media type of an answer: JSON by its struct, any other by what it holds."""
    return {
        name: {"schema": _reference(answered) if name == JSON and answered is not None else _opaque(name, held)}
        for name, held in media.items()
    }


def _taken(body: type[msgspec.Struct], media_type: str) -> dict[str, Any]:
    """What a body may be. Lines are a text to OpenAPI 3.1; `x-line` refers to the schema of each."""
    shown = examples(EXAMPLES[body])
    if media_type == JSON:
        return {JSON: {"schema": _reference(body), "examples": shown}}
    text = "\n".join(json.dumps(example["value"], ensure_ascii=False) for example in shown.values()) + "\n"
    schema = {"type": "string", "description": "JSON objects, one a line."}
    return {media_type: {"schema": schema, "example": text, "x-line": _reference(body)}}


def _opaque(media_type: str, held: str) -> dict[str, Any]:
    text = media_type.startswith("text/") or media_type.endswith(("+xml", "ndjson"))
    return {"type": "string", "description": held} | ({} if text else {"contentMediaType": media_type})


def _complete(
    operation: dict[str, Any], handler: HTTPRouteHandler, answered: type[msgspec.Struct] | None, names: Names
) -> None:
    options = handler.opt
    name = operation["operationId"]
    operation["security"] = [{"api_key": []}] if "scope" in options else []
    if "scope" in options:
        operation["description"] += f"\n\nNeeds a key with the scope `{options['scope']}`."
    operation.pop("deprecated", None)
    for parameter in operation.get("parameters", []):
        parameter.pop("deprecated", None)
        parameter.pop("allowEmptyValue", None)
        parameter.pop("allowReserved", None)
        if parameter["name"] in ("site_reference", "equipment_reference"):
            parameter["schema"] = REFERENCE
    if "query" in options:
        operation["parameters"] = [*operation.get("parameters", []), *_query(options["query"], names)]
    if "spoken" in options:
        operation["parameters"] = [*operation.get("parameters", []), _ACCEPT_LANGUAGE]
    if "conditional" in options:
        operation["parameters"] = [*operation.get("parameters", []), _IF_MATCH]
    if "repeatable" in options:
        operation["parameters"] = [*operation.get("parameters", []), _IDEMPOTENCY_KEY]
    if "body" in options:
        operation["requestBody"] = {
            "required": True,
            "description": _flowed(options["body"].__doc__ or ""),
            "content": _taken(options["body"], options.get("takes", JSON)),
        }
    status = str(handler.status_code)
    headers = dict(_ANSWERED_HEADERS)
    fleeting = name in PAGED or "streamed" in options or "Health" in operation["tags"]
    cached = handler.http_methods == {"GET"} and not fleeting
    if cached:
        headers["ETag"] = ("Entity tag of this answer.", True)
    if status == "201":
        headers["Location"] = ("Address of what was kept.", True)
    if "spoken" in options:
        headers["Content-Language"] = ("Language of the words in the answer.", True)
        headers["Vary"] = ("What else the answer depends on.", True)
    if "repeatable" in options:
        headers[REPLAYED] = ("`true` where an earlier request under the same key was answered like this.", False)
    if "disposed" in options:
        headers["Content-Disposition"] = ("How to show it, and a name for a file of it (RFC 6266).", True)
    if name in PAGED:
        headers["Link"] = ('Address of the next page, `rel="next"` (RFC 8288); absent on the last.', False)
    media: Mapping[str, str] = options.get("media", {JSON: ""})
    held = next(iter(media.values())) if answered is None else inspect.cleandoc(answered.__doc__ or "")
    success: dict[str, Any] = {
        "description": held.partition("\n")[0] or "Done.",
        "headers": _headers(headers),
    }
    if answered is not None or "media" in options:
        success["content"] = _content(answered, media)
    if "line" in options:
        success["content"][LINES]["x-line"] = _reference(options["line"])
    if name in _LINKS:
        success["links"] = _LINKS[name]
    responses: dict[str, Any] = {status: success}
    if cached:
        responses["304"] = {
            "description": "What the client holds under `If-None-Match` is still right.",
            "headers": _headers(headers),
        }
    for code in _problems(operation, options):
        responses[str(KINDS[code].status)] = {"$ref": f"#/components/responses/{code}"}
    operation["responses"] = dict(sorted(responses.items()))


def _problems(operation: dict[str, Any], options: dict[str, Any]) -> list[str]:
    """Codes of the problems an operation may answer with; one a status, the most telling."""
    codes = ["bad_request", "not_found", "method_not_allowed", "internal_fault"]
    if "Health" not in operation["tags"]:
        codes += ["not_acceptable", "request_refused"]
    if "scope" in options:
        codes += ["key_refused", "scope_missing", "database_unavailable"]
    if "database" in options:
        codes += ["database_unavailable"]
    if "body" in options:
        codes += ["not_well_formed", "body_too_slow", "body_too_large", "unsupported_media_type"]
    if "pinned" in options:
        codes += ["ruleset_not_installed"]
    if "kept" in options:
        codes += ["kept_visit_unreadable"]
    names = {parameter["name"] for parameter in operation.get("parameters", ())}
    if names & {"evaluation_id", "before"}:
        codes += ["erased"]
    if "conflict" in options:
        codes += [options["conflict"]]
    if "conditional" in options:
        codes += ["changed_meanwhile"]
    return codes


_TOLD_HEADERS = {
    "webhook-id": "Id of the delivery, the same at every try and replay: deal with each once.",
    "webhook-timestamp": "When this try was sent, seconds since 1970. Refuse what is more than 5 minutes off.",
    "webhook-signature": "One or more of `v1,` and the HMAC-SHA-256 in base64 of id, timestamp and body with full "
    "stops between, by the secret; with spaces between. One that fits is enough.",
}


def _told(name: str, struct: type[msgspec.Struct]) -> dict[str, Any]:
    """What is sent to webhooks of one event, and what is expected of the receiver."""
    return {
        "operationId": f"tell_{name.replace('.', '_')}",
        "summary": (struct.__doc__ or "").strip(),
        "description": "Sent at least once to each webhook that is to be told. The order is not promised.",
        "tags": ["Webhooks"],
        "security": [],
        "parameters": [
            {"name": field, "in": "header", "required": True, "description": text, "schema": {"type": "string"}}
            for field, text in _TOLD_HEADERS.items()
        ],
        "requestBody": {
            "required": True,
            "content": {
                "application/json": {
                    "schema": _reference(struct),
                    "examples": {
                        stem: example
                        for stem, example in examples("events").items()
                        if example["value"]["type"] == name
                    },
                }
            },
        },
        "responses": {
            "2XX": {"description": "Taken; it is not sent again."},
            "410": {"description": "Gone for good; the webhook is disabled."},
            "default": {
                "description": "Tried again later, after `Retry-After` where 429 or 503 say so. Redirects are not "
                "followed."
            },
        },
    }


def _query(struct: type[msgspec.Struct], names: Names) -> list[dict[str, Any]]:
    parameters = []
    required = {field.name for field in msgspec.structs.fields(struct) if field.required}
    for name, schema in parameter_schemas(struct, names).items():
        shape = dict(schema)
        parameters.append(
            {
                "name": name,
                "in": "query",
                "required": name in required,
                "description": shape.pop("description"),
                "schema": _tightened(shape),
            }
        )
    return parameters


def _reference(struct: type[msgspec.Struct]) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{struct.__name__}"}


def _headers(named: dict[str, tuple[str, bool]]) -> dict[str, Any]:
    return {
        name: {"description": text, "required": required, "schema": {"type": "string"}}
        for name, (text, required) in named.items()
    }


def _problem_response(code: str) -> dict[str, Any]:
    kind = KINDS[code]
    example: dict[str, Any] = {
        "type": f"/problems/{code}",
        "title": kind.title,
        "status": kind.status,
        "detail": kind.meaning,
        "request_id": "5b1f0c0e6a2c4d0f9c3e8a7b6d5f4e3c",
    }
    if code == "request_refused":
        example["detail"] = "1 fault, listed in errors"
        example["errors"] = [
            {
                "code": "missing_field",
                "pointer": "#/readings/0/value/unit",
                "detail": "is required",
            }
        ]
    if code == "database_unavailable":
        example["retry_after"] = 5
    return {
        "description": f"{kind.meaning} {kind.remedy}",
        "headers": _headers({**_ANSWERED_HEADERS, **_EXTRA_HEADERS.get(code, {})}),
        "content": {MEDIA_TYPE: {"schema": _reference(Problem), "example": example}},
    }


def _schemas(decoder: RequestDecoder, structs: list[type[msgspec.Struct]]) -> dict[str, Any]:
    _, schemas = msgspec.json.schema_components(structs, ref_template="#/components/schemas/{name}")
    for struct in decoder.units:
        schemas[struct.__name__]["properties"]["unit"] = _one_of(decoder.units[struct])
    for request in PINNING:
        schemas[request.__name__]["properties"]["ruleset"] = {"type": "string", "enum": list(decoder.rulesets)}
    finished = {}
    for name, schema in sorted(schemas.items()):
        schema["description"] = _flowed(schema.get("description", ""))
        for field, shape in schema.get("properties", {}).items():
            meaning = meaning_of(name, field) or shape.get("description")
            schema["properties"][field] = {"description": meaning, **shape} | {"description": meaning}
        finished[name] = _tightened(schema)
    return finished


def _one_of(spellings: Sequence[str]) -> dict[str, Any]:
    """A closed list of unit spellings as a pattern: several differ in case or stops only, and a generator of clients
    that makes names from the members of an enumeration would give two of them one name. `x-accepted` lists them; as
    `examples` they would be multiplied with each other by tools that try every example."""
    alternatives = "|".join(re.sub(r"([\\^$.*+?()\[\]{}|])", r"\\\1", spelling) for spelling in spellings)
    longest = max(len(spelling) for spelling in spellings)
    return {
        "type": "string",
        "pattern": f"^(?:{alternatives})$",
        "maxLength": longest,
        "x-accepted": list(spellings),
    }


def _flowed(text: str) -> str:
    """A docstring with its paragraphs unwrapped."""
    paragraphs = inspect.cleandoc(text).split("\n\n")
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in paragraphs)


def _tightened(schema: Any) -> Any:
    """A schema with patterns as ECMA-262 reads them, dates within their years, and unions told apart by their tag."""
    if isinstance(schema, list):
        return [_tightened(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    shape = {name: _tightened(part) for name, part in schema.items()}
    if isinstance(shape.get("pattern"), str):
        shape["pattern"] = published_pattern(shape["pattern"])
    if shape.get("type") == "string" and "format" in shape and "pattern" not in shape:
        pattern = {"date-time": MOMENT_PATTERN, "date": DATE_PATTERN}.get(shape["format"])
        if pattern:
            shape["pattern"] = pattern
    if isinstance(shape.get("enum"), list) and "type" not in shape:
        shape["type"] = "integer" if isinstance(shape["enum"][0], int) else "string"
    if shape.get("multipleOf") == 1:  # a whole number, also where it is written 3.0
        shape = {name: part for name, part in shape.items() if name != "multipleOf"} | {"type": "integer"}
        shape |= {"default": int(shape["default"])} if "default" in shape else {}
    if "discriminator" in shape and "anyOf" in shape:
        shape["oneOf"] = shape.pop("anyOf")
    return shape


@functools.cache
def examples(kind: str = "") -> dict[str, Any]:
    """The example requests of one kind by name, each `{"summary", "value"}`."""
    folder = Path(__file__).parent / "examples"
    if not folder.is_dir():
        folder = Path(__file__).parents[2] / "openapi" / "examples"
    return {
        path.stem: {"summary": f"An invented {path.stem.replace('_', ' ')}", "value": json.loads(path.read_bytes())}
        for path in sorted((folder / kind).glob("*.json"))
    }
