"""Raw samples to a settled value, or how long to go on; nothing is kept."""

from litestar import Response, Router, post

from service.api.access import authorised
from service.api.exchange import AnyRequest, answer, judging, negotiated, read_body, serving
from service.normalise import steady_reading
from service.wire.render import steady_result
from service.wire.request import SteadyReadingRequest
from service.wire.response import SteadyReadingResult


@post(
    "/",
    operation_id="settle_reading",
    summary="Settle a reading from its samples",
    status_code=200,
    opt={"scope": "evaluations:write", "body": SteadyReadingRequest, "through_outage": True, "pinned": True},
)
async def settle_reading(request: AnyRequest) -> Response[SteadyReadingResult]:
    """Makes one settled value of raw samples at equal intervals, up to two hours at one a second, and says what it is
    worth; or says that the reading drifts or scatters, what rules it, and how many more seconds it would take.

    Keeps nothing. Needs the database only to check the API key, as a preview does.
    """
    at_hand = serving(request)
    asked = at_hand.decoder.decode_as(await read_body(request), SteadyReadingRequest)
    prepared = await judging(request, asked.ruleset)
    reading = steady_reading(asked, prepared.ruleset, prepared.units)
    return answer(steady_result(reading, prepared.ruleset, prepared.units))


ROUTER = Router(
    "/v1/steady-readings", route_handlers=[settle_reading], guards=[negotiated, authorised], tags=["Steady readings"]
)
