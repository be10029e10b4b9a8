"""Every handler of the service."""

from typing import Any

from service.api import (
    catalogue,
    comparisons,
    documentation,
    documents,
    erasures,
    evaluations,
    exports,
    health,
    plots,
    projections,
    reassessments,
    revisions,
    steady_readings,
    timelines,
    trends,
    webhooks,
)

ROUTES: tuple[Any, ...] = (
    evaluations.ROUTER,
    exports.ROUTER,
    reassessments.ROUTER,
    revisions.ROUTER,
    erasures.ROUTER,
    plots.ROUTER,
    documents.ROUTER,
    timelines.SITES,
    timelines.EQUIPMENT,
    trends.ROUTER,
    comparisons.ROUTER,
    projections.ROUTER,
    steady_readings.ROUTER,
    webhooks.ROUTER,
    catalogue.RULESETS,
    catalogue.VOCABULARY,
    catalogue.PROCEDURES,
    health.ROUTER,
    documentation.PROBLEMS,
    documentation.page,
    documentation.file,
    documentation.openapi,
    documentation.rulebook,
    documentation.rulebook_page,
)
