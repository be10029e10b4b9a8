"""Hidden faults against what the service names first: `python -m tests.faults.confusion`.

Every fault's readings are moved within the accuracy of their instruments a hundred times, and each visit is judged.
Prints how often the first-ranked cause was the hidden fault, and what was named instead. Exits with 1 where a fault, or
all together, fall below `LEAST`, or where a finding about people at risk was missed or invented.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

import msgspec

from service.model.evaluation import SEVERITIES, ContextResult, Evaluation
from service.pipeline import Prepared, evaluate, working
from service.wire.request import EvaluationRequest
from tests.faults import equipment, houses, readings
from tests.faults.hidden import HiddenFault

LEAST = 0.95
PERTURBATIONS = 100
FAULTS: tuple[HiddenFault, ...] = (*equipment.FAULTS, *readings.FAULTS, *houses.FAULTS)


def judged(request: dict[str, object], prepared: Prepared) -> Evaluation:
    """The evaluation of a request, decoded as the service decodes it."""
    return evaluate(msgspec.convert(request, EvaluationRequest), prepared)


def named_first(evaluation: Evaluation) -> frozenset[str]:
    """The causes at rank 1 of the context with the gravest finding, the first of them where several are as grave."""
    ranked = [context for context in evaluation.contexts if context.causes]
    if not ranked:
        return frozenset()
    return frozenset(cause.cause for cause in max(ranked, key=_gravity).causes if cause.rank == 1)


def _gravity(context: ContextResult) -> int:
    return max((SEVERITIES.index(finding.severity) for finding in context.findings), default=-1)


def hazards(evaluation: Evaluation) -> frozenset[str]:
    """Codes of the findings about people at risk."""
    return frozenset(f.code for context in evaluation.contexts for f in context.findings if f.severity == "hazard")


def found(fault: HiddenFault, first: frozenset[str]) -> bool:
    """Whether the hidden fault was named first, with nothing at its side that the readings could have ruled out."""
    names = {fault.cause, *fault.named_as}
    return bool(names & first) and first <= {*names, *fault.also}


@dataclass
class Row:
    """One hidden fault: how often it was judged and found, what was named instead, hazards missed and invented."""

    fault: HiddenFault
    judged: int = 0
    found: int = 0
    instead: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    invented: Counter[str] = field(default_factory=Counter)

    @property
    def share(self) -> float:
        return self.found / self.judged

    def sound(self) -> bool:
        return self.share >= LEAST and not self.missed and not self.invented


def row(fault: HiddenFault, prepared: Prepared, perturbations: int = PERTURBATIONS) -> Row:
    """Judge one fault over its perturbations."""
    result = Row(fault)
    for seed in range(perturbations):
        evaluation = judged(fault.request(seed), prepared)
        first = named_first(evaluation)
        result.judged += 1
        if found(fault, first):
            result.found += 1
        else:
            result.instead[" = ".join(sorted(first)) or "nothing"] += 1
        told = hazards(evaluation)
        result.missed.update(fault.hazards - told)
        result.invented.update(told - fault.hazards)
    return result


def table(rows: list[Row]) -> str:
    """The confusion table in words."""
    width = max(len(entry.fault.id) for entry in rows)
    lines = [f"{'hidden fault':{width}}  found  named instead"]
    for entry in rows:
        instead = ", ".join(f"{name} {count}" for name, count in entry.instead.most_common())
        for word, codes in (("MISSED", entry.missed), ("INVENTED", entry.invented)):
            instead += "".join(f"  {word}: {code} {count}" for code, count in codes.items())
        lines.append(f"{entry.fault.id:{width}}  {entry.share:5.0%}  {instead}".rstrip())
    judged_, found_ = sum(entry.judged for entry in rows), sum(entry.found for entry in rows)
    lines.append(f"{'all':{width}}  {found_ / judged_:5.1%}  of {judged_} visits with {len(rows)} hidden faults")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--perturbations", type=int, default=PERTURBATIONS)
    parser.add_argument("--only", help="faults whose id holds this")
    asked = parser.parse_args(arguments)
    prepared = working()
    rows = [row(fault, prepared, asked.perturbations) for fault in FAULTS if (asked.only or "") in fault.id]
    print(table(rows))
    return 0 if all(entry.sound() for entry in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
