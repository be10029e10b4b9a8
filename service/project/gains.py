"""What fixing a cause would bring in airflow, for ranking causes that the readings cannot tell apart."""

from __future__ import annotations

from service.errors import OutOfRange
from service.model.projection import AirSystem, Change, CleanCoil, OpenDampers, ReplaceFilter
from service.model.ruleset import Ruleset
from service.project.arrangement import Refused, as_found, operating_point
from service.project.changes import applied
from service.project.plan import inputs_of

FIXES: dict[str, Change] = {
    "clean_filter": ReplaceFilter(),
    "clean_coil": CleanCoil(),
    "open_damper": OpenDampers(),
}
"""Name of a fix, as the rules give it with a cause -> the change that it is."""


def gain(found: AirSystem, fix: str, rules: Ruleset) -> float | None:
    """Airflow (m3/s at the return) that a fix would add, best estimate; None where it cannot be projected."""
    if found.missing:
        return None
    numbers = {name: entry.value for name, entry in inputs_of(found, rules).items()}
    before = as_found(found, numbers)
    try:
        met = operating_point(applied(FIXES[fix], before, found, numbers))
    except (Refused, OutOfRange):
        return None
    return numbers["airflow"] * (met.flow / before.flow - 1.0)
