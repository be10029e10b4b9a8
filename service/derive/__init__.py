"""From a visit to derived quantities with uncertainty, per operating state and area; knows which physics applies."""

from service.derive.following import Followed, follow
from service.derive.history import compare_contexts, derive_history, trend_of, work_out_earlier
from service.derive.plan import WorkedOut, compare, contexts, derive, work_out
from service.derive.pressure import air_path
from service.derive.system import air_system
from service.derive.worksheet import Worksheet

__all__ = [
    "Followed",
    "WorkedOut",
    "Worksheet",
    "air_path",
    "air_system",
    "compare",
    "compare_contexts",
    "contexts",
    "derive",
    "derive_history",
    "follow",
    "trend_of",
    "work_out",
    "work_out_earlier",
]
