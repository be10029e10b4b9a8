"""What changes to an air system would bring: the blower's own curve meets the changed resistances."""

from service.project.curves import blower_against_system
from service.project.gains import gain, together
from service.project.plan import project

__all__ = ["blower_against_system", "gain", "project", "together"]
