"""From request structs to a `Visit` in SI units with error terms; the only place that knows pint."""

from service.normalise.changes import plan
from service.normalise.steadiness import steady_reading
from service.normalise.units import build_unit_table
from service.normalise.visit import normalise

__all__ = ["build_unit_table", "normalise", "plan", "steady_reading"]
