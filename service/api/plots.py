"""Plots of a kept evaluation."""

import asyncio
from typing import Annotated

import msgspec
from litestar import Response, Router, get
from litestar.params import PathParameter

from service.api.access import authorised
from service.api.evaluations import EvaluationId, fetch_kept, judged_visit
from service.api.exchange import AnyRequest, answer_text, answer_unless_held, language, negotiated, spoken
from service.api.problems import ProblemRaised
from service.document.plots import Plot, plots_of
from service.pipeline import figures
from service.wire.plots import PlotList, PlotView
from service.wire.query import ReadQuery, decode_query
from service.wire.speech import Speech

SVG = "image/svg+xml"

PlotName = Annotated[str, PathParameter(description="`name` of a plot, as the list of plots gives it.")]


@get(
    "/",
    operation_id="list_plots",
    summary="List the plots of a kept evaluation",
    opt={"scope": "evaluations:read", "query": ReadQuery, "pinned": True, "kept": True, "spoken": True},
)
async def list_plots(request: AnyRequest, evaluation_id: EvaluationId) -> Response[PlotList]:
    """Lists the plots that the readings allow: pressure along the air path where it was read in two places or more, and
    blower against air path where airflow and external static pressure are known. The list is empty where they tell
    too little to draw."""
    plots, speech = await _plots(request, evaluation_id)
    items = [
        PlotView(
            name=plot.name,
            kind=plot.kind,
            title=plot.title,
            description=plot.description,
            state=plot.state,
            area=plot.area or msgspec.UNSET,
            address=f"/v1/evaluations/{evaluation_id}/plots/{plot.name}",
        )
        for plot in plots
    ]
    return answer_unless_held(request, PlotList(items=items), headers=spoken(speech))


@get(
    "/{plot_name:str}",
    operation_id="get_plot",
    summary="Draw a plot of a kept evaluation",
    opt={
        "scope": "evaluations:read",
        "query": ReadQuery,
        "pinned": True,
        "kept": True,
        "spoken": True,
        "media": {SVG: "The plot as SVG, with title and description, on a transparent ground."},
    },
)
async def get_plot(request: AnyRequest, evaluation_id: EvaluationId, plot_name: PlotName) -> Response[bytes]:
    """Draws one plot as SVG, its numbers and words in the unit system and language asked for."""
    plots, speech = await _plots(request, evaluation_id)
    for plot in plots:
        if plot.name == plot_name:
            return answer_text(request, plot.svg.encode(), SVG, headers=spoken(speech))
    raise ProblemRaised("not_found", "no plot of this evaluation has that name")


async def _plots(request: AnyRequest, evaluation_id: EvaluationId) -> tuple[tuple[Plot, ...], Speech]:
    query = decode_query(request.scope["query_string"], ReadQuery)
    stored, evaluation, prepared = await fetch_kept(request, evaluation_id)
    visit = judged_visit(request, stored, prepared)
    speech = language(request, prepared)

    def drawn() -> tuple[Plot, ...]:
        units = query.units or stored.units
        return plots_of(evaluation, figures(visit, prepared), prepared.ruleset, prepared.units, units, speech)

    return await asyncio.to_thread(drawn), speech


ROUTER = Router(
    "/v1/evaluations/{evaluation_id:uuid}/plots",
    route_handlers=[list_plots, get_plot],
    guards=[negotiated, authorised],
    tags=["Evaluations"],
)
