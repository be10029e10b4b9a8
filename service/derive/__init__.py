"""From a visit to derived quantities with uncertainty, per operating state and area; knows which physics applies."""

from service.derive.plan import compare, contexts, derive, work_out
from service.derive.system import air_system
from service.derive.worksheet import Worksheet

__all__ = ["Worksheet", "air_system", "compare", "contexts", "derive", "work_out"]
