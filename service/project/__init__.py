"""What changes to an air system would bring: the blower's own curve meets the changed resistances."""

from service.project.gains import gain
from service.project.plan import project

__all__ = ["gain", "project"]
