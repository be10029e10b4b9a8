"""Hidden faults against what the service names first: `python -m tests.faults.confusion`.

Every fault's readings are moved within the accuracy of their instruments a hundred times, and each visit is judged.
Prints how often the first-ranked cause was the hidden fault, and what was named instead. Exits with 1 where a fault
falls below `LEAST`, or where a finding about people at risk was missed or invented. `--write` keeps the summary in
rules/README.md; `--check` fails where what is kept there is another.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from service.model.evaluation import SEVERITIES, ContextResult, Evaluation
from service.pipeline import Prepared, evaluate, working
from service.wire.request import EvaluationRequest
from tests.faults import equipment, houses, readings
from tests.faults.hidden import HiddenFault

LEAST = 0.95
PERTURBATIONS = 100
KEPT = Path(__file__).parents[2] / "rules" / "README.md"
BLOCK = "<!-- hidden faults -->\n{}\n<!-- end of hidden faults -->"
FAULTS: tuple[HiddenFault, ...] = (*equipment.FAULTS, *readings.FAULTS, *houses.FAULTS)


def judged(request: dict[str, object], prepared: Prepared) -> Evaluation:
    """The evaluation of a request, decoded as the service decodes it."""
    return evaluate(msgspec.convert(request, EvaluationRequest), prepared)


def named_first(evaluation: Evaluation) -> frozenset[str]:
    """The causes at rank 1 of the context with the gravest finding, the first of them where several are as grave."""
    ranked = [part for part in evaluation.parts if part.causes]
    if not ranked:
        return frozenset()
    return frozenset(cause.cause for cause in max(ranked, key=_gravity).causes if cause.rank == 1)


def _gravity(context: ContextResult) -> int:
    return max((SEVERITIES.index(finding.severity) for finding in context.findings), default=-1)


def hazards(evaluation: Evaluation) -> frozenset[str]:
    """Codes of the findings about people at risk."""
    return frozenset(f.code for part in evaluation.parts for f in part.findings if f.severity == "hazard")


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
    lines.append(f"{'all':{width}}  {found_ / judged_:5.2%}  of {judged_} visits with {len(rows)} hidden faults")
    return "\n".join(lines)


def summary(rows: list[Row]) -> str:
    """What rules/README.md keeps: the whole, and every fault that was not always found."""
    judged_, found_ = sum(entry.judged for entry in rows), sum(entry.found for entry in rows)
    hazards_ = sum(bool(entry.fault.hazards) for entry in rows)
    lines = [
        f"{len(rows)} hidden faults, {judged_} visits: named first in {found_}"
        f" ({100 * found_ / judged_:.2f} %), the least often found in {min(entry.share for entry in rows):.0%};"
        f" {sum(bool(entry.fault.also) for entry in rows)} of the faults share their rank with causes that the same"
        f" readings fit as well. Findings about people at risk belong to {hazards_} faults:"
        f" {sum(sum(entry.missed.values()) for entry in rows)} missed,"
        f" {sum(sum(entry.invented.values()) for entry in rows)} invented."
    ]
    short = [entry for entry in rows if entry.found < entry.judged]
    if short:
        lines += ["", "| not always named first | found | named instead |", "| --- | --- | --- |"]
        lines += [
            f"| `{entry.fault.id}` | {entry.share:.0%} |"
            f" {', '.join(f'{name} ({count})' for name, count in entry.instead.most_common())} |"
            for entry in short
        ]
    return "\n".join(lines)


def kept(text: str, told: str) -> str:
    """The document with its summary replaced."""
    return re.sub(BLOCK.format(".*?"), lambda _: BLOCK.format(told), text, flags=re.DOTALL)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--perturbations", type=int, default=PERTURBATIONS)
    parser.add_argument("--only", help="faults whose id holds this")
    parser.add_argument("--write", action="store_true", help="keep the summary in rules/README.md")
    parser.add_argument("--check", action="store_true", help="fail where rules/README.md keeps another summary")
    asked = parser.parse_args(arguments)
    prepared = working()
    rows = [row(fault, prepared, asked.perturbations) for fault in FAULTS if (asked.only or "") in fault.id]
    print(table(rows))
    text = KEPT.read_text(encoding="utf-8")
    written = kept(text, summary(rows))
    if asked.write:
        KEPT.write_text(written, encoding="utf-8")
    elif asked.check and written != text:
        print("rules/README.md keeps another summary; run: python -m tests.faults.confusion --write")
        return 1
    return 0 if all(entry.sound() for entry in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
