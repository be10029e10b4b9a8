"""From a visit to derived quantities with uncertainty, per operating state and area; knows which physics applies."""

from service.derive.plan import compare, contexts, derive, work_out
from service.derive.worksheet import Worksheet

__all__ = ["Worksheet", "compare", "contexts", "derive", "work_out"]
