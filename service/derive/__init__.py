"""From a visit to derived quantities with uncertainty, per operating state and area; knows which physics applies."""

from service.derive.comparing import (
    COVERAGE,
    Pair,
    Rows,
    compare_quantities,
    facts_apart,
    pair_contexts,
    prove,
    work_of,
)
from service.derive.following import Followed, follow
from service.derive.history import carried_over, compare_contexts, derive_history, trend_of, work_out_earlier
from service.derive.plan import WorkedOut, compare, contexts, derive, work_out
from service.derive.pressure import air_path
from service.derive.propagate import difference
from service.derive.system import air_system
from service.derive.worksheet import Worksheet

__all__ = [
    "COVERAGE",
    "Followed",
    "Pair",
    "Rows",
    "WorkedOut",
    "Worksheet",
    "air_path",
    "air_system",
    "carried_over",
    "compare",
    "compare_contexts",
    "compare_quantities",
    "contexts",
    "derive",
    "derive_history",
    "difference",
    "facts_apart",
    "follow",
    "pair_contexts",
    "prove",
    "trend_of",
    "work_of",
    "work_out",
    "work_out_earlier",
]
