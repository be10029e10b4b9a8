"""What changes to an air system would bring; nothing is kept."""

from litestar import Response, Router, post

from service.api.access import authorised
from service.api.exchange import AnyRequest, answer, judging, language, negotiated, read_body, serving, spoken
from service.pipeline import project
from service.wire.projection import projections
from service.wire.request import ProjectionRequest
from service.wire.response import ProjectionResult


@post(
    "/",
    operation_id="project_changes",
    summary="Project what changes would bring",
    status_code=200,
    opt={
        "scope": "evaluations:write",
        "body": ProjectionRequest,
        "through_outage": True,
        "pinned": True,
        "spoken": True,
    },
)
async def project_changes(request: AnyRequest) -> Response[ProjectionResult]:
    """Projects what each change to filter, coil, ducts, dampers, blower or air would bring, alone and all together:
    airflow, external static pressure, power, temperature rise and capacity, before and after, with uncertainty.

    The blower's own table meets the resistances as they were read; nothing is extrapolated beyond the table. What
    could not be projected is said, with what would be needed.

    Keeps nothing. Needs the database only to check the API key, as a preview does.
    """
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), ProjectionRequest)
    prepared = await judging(request, asked.ruleset)
    units = asked.visit.units or request.user.units
    speech = language(request, prepared)
    found = projections(project(asked, prepared), prepared.ruleset, prepared.units, units, speech)
    return answer(found, headers=spoken(speech))


ROUTER = Router(
    "/v1/projections", route_handlers=[project_changes], guards=[negotiated, authorised], tags=["Projections"]
)
