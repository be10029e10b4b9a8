"""Probes. They accept any query and any `Accept`, so that no prober is turned away."""

from litestar import Response, Router, get

from service.api.exchange import AnyRequest, answer, serving
from service.api.problems import ProblemRaised
from service.wire.response import Health


@get("/live", operation_id="get_liveness", summary="Whether the process lives")
async def get_liveness() -> Response[Health]:
    """Answers 200 while the process can answer at all; restart it when it does not."""
    return answer(Health(status="live"))


@get("/ready", operation_id="get_readiness", summary="Whether the process can take work", opt={"database": True})
async def get_readiness(request: AnyRequest) -> Response[Health]:
    """Answers 200 while the database answers and is migrated; send no requests here while it does not."""
    if not await serving(request).store.ready():
        raise ProblemRaised("database_unavailable", "the database does not answer, or is not migrated", retry_after=5)
    return answer(Health(status="ready"))


ROUTER = Router("/health", route_handlers=[get_liveness, get_readiness], tags=["Health"])
