"""What tests need of the cases of the rules; `service.cases` has it, since releasing rules runs them too."""

from service.cases import by_precaution, changed, judged, problems, shape_faults, visit

__all__ = ["by_precaution", "changed", "judged", "problems", "shape_faults", "visit"]
