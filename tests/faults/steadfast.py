"""Healthy visits under the errors of their instruments: `python -m tests.faults.steadfast`.

Every healthy visit's readings are moved within the accuracy of their instruments twenty times, and each is judged.
Prints how often something above a note was said, and of what. Exits with 1 where anything graver than an advisory was.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

from service.model.evaluation import SEVERITIES
from service.pipeline import Prepared, working
from tests.faults.confusion import judged
from tests.faults.perturbing import perturbed, stated
from tests.visits.healthy import VISITS, Visit

PERTURBATIONS = 20


@dataclass
class Invented:
    """What was said above a note of healthy houses: visits judged, visits with an advisory, codes by severity."""

    judged: int = 0
    advised: int = 0
    advisories: Counter[str] = field(default_factory=Counter)
    graver: Counter[str] = field(default_factory=Counter)


def invented(visit: Visit, prepared: Prepared, perturbations: int = PERTURBATIONS) -> Invented:
    """Judge one healthy visit over its perturbations."""
    result = Invented()
    exact = stated(visit.exact())
    for seed in range(perturbations):
        evaluation = judged(perturbed(exact, f"{visit.id}/{seed}"), prepared)
        said = [f for part in evaluation.parts for f in part.findings if f.severity != "note"]
        result.judged += 1
        result.advised += bool(said)
        for finding in said:
            grave = SEVERITIES.index(finding.severity) > SEVERITIES.index("advisory")
            (result.graver if grave else result.advisories)[f"{visit.id}: {finding.code}"] += 1
    return result


def all_invented(prepared: Prepared, perturbations: int = PERTURBATIONS) -> Invented:
    """All healthy visits together."""
    total = Invented()
    for visit in VISITS:
        one = invented(visit, prepared, perturbations)
        total.judged += one.judged
        total.advised += one.advised
        total.advisories += one.advisories
        total.graver += one.graver
    return total


def main() -> int:
    total = all_invented(working())
    print(
        f"{total.judged} healthy visits judged, {total.advised} with an advisory, {sum(total.graver.values())} graver"
    )
    for code, count in (total.advisories + total.graver).most_common():
        print(f"{count:5}  {code}")
    return 1 if total.graver else 0


if __name__ == "__main__":
    sys.exit(main())
