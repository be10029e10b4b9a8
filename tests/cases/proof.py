"""What would go unnoticed: a limit that moves, a rule that goes, a token that nobody reaches, two rules that are one.

`python -m tests.cases.proof` prints all of it. The visits of all cases are worked out once; after that, only judging
and reasoning are done again.
"""

from __future__ import annotations

import functools
import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from service import derive, judge, normalise
from service.cases import Outcome, changed, departures, visit
from service.derive import Worksheet
from service.model.ruleset import Case, Criterion, Limit, Ruleset
from service.pipeline import Prepared, limit_in_force, prepare
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.lint import edges
from service.ruleset.load import read_cases
from service.wire.request import EvaluationRequest
from tests.reason.forward_chaining import chain

NUDGE = 0.1
"""Share of its value by which a limit is moved; a limit of zero is moved by that share of what it judges."""


OF_KIND_NOT_SIZE = {
    "airflow_outlier_side": "what stands out lies further off than a tenth, so nothing lies about the limit",
    "airflow_reading_at_hand": "it tells a visit with an airflow reading from one without",
    "equipment_facts": "facts are counted whole, and the limit lies between none and one",
}
"""Criteria whose limit tells kinds apart: moved by a tenth it is the same limit."""


class WorkedCase(NamedTuple):
    """A case with its visit worked out: one sheet for each operating state and area."""

    rule: str
    case: Case
    sheets: Sequence[Worksheet]


class Nudge(NamedTuple):
    """One end of one limit of one criterion, moved."""

    criterion: str
    place: int
    end: str
    factor: float

    def __str__(self) -> str:
        return f"{self.criterion}, limit {self.place}: {self.end} moved by {self.factor:+.0%}"


class Proof:
    """The rules with all their cases."""

    def __init__(self) -> None:
        root = rules_folder()
        self.prepared: Prepared = prepare(load_ruleset(root))
        self.ruleset: Ruleset = self.prepared.ruleset
        self.edges = edges(self.ruleset)
        files, faults = read_cases(root)
        assert faults == []
        self.cases = [self._worked(rule, case) for rule, file in files.items() for case in file.case]
        self.outcomes = [self.judged(worked.sheets, self.prepared.bench) for worked in self.cases]

    def _worked(self, rule: str, case: Case) -> WorkedCase:
        request = msgspec.convert(changed(visit(rules_folder(), case.visit), case), EvaluationRequest, strict=False)
        plain = normalise.normalise(request, self.ruleset, self.prepared.units)
        worked = derive.work_out(plain, self.ruleset)
        if plain.earlier:
            derive.derive_history(
                worked, derive.work_out_earlier(plain, self.ruleset), functools.partial(limit_in_force, self.prepared)
            )
        return WorkedCase(rule, case, worked.contexts)

    def judged(self, sheets: Sequence[Worksheet], bench: judge.Bench) -> list[Outcome]:
        """What the sheets come to on a bench, by the plain reference of the reasoner."""
        return [self._judged(sheet, bench) for sheet in sheets]

    def _judged(self, sheet: Worksheet, bench: judge.Bench) -> Outcome:
        plain = sheet.visit
        verdicts, _ = bench.judge(
            sheet.quantities.values(),
            sheet.lacking,
            sheet.observations,
            plain.equipment.ratings,
            {override.criterion: override for override in plain.overrides},
            None if plain.visited_at is None else plain.visited_at.date(),
        )
        tokens = frozenset(verdict.token for verdict in verdicts)
        firings = chain(self.edges, {*tokens, *sheet.observations})
        return Outcome(
            sheet.state.id,
            frozenset(firing.rule for firing in firings),
            frozenset(firing.conclusion for firing in firings),
            tokens | sheet.observations,
        )

    # Limits --------------------------------------------------------------------------------------------------------

    def nudges(self) -> Iterator[Nudge]:
        """Every end of every limit, a tenth either way."""
        for criterion in self.ruleset.criteria.values():
            if criterion.id in OF_KIND_NOT_SIZE:
                continue
            for place, limit in enumerate(criterion.limit):
                for end in ("lower", "upper"):
                    if getattr(limit, end) is not None or getattr(limit, f"{end}_rating") is not None:
                        for factor in (-NUDGE, NUDGE):
                            yield Nudge(criterion.id, place, end, factor)

    def _nudged(self, nudge: Nudge) -> Criterion:
        criterion = self.ruleset.criteria[nudge.criterion]
        limit: Limit = criterion.limit[nudge.place]
        if getattr(limit, f"{nudge.end}_rating") is not None:
            field = f"{nudge.end}_factor"
            moved = replace(limit, **{field: getattr(limit, field) * (1.0 + nudge.factor)})
        else:
            number = getattr(limit, nudge.end)
            moved = replace(
                limit, **{nudge.end: number + nudge.factor * (abs(number) or self._scale(criterion, limit))}
            )
        limits = list(criterion.limit)
        limits[nudge.place] = moved
        return replace(criterion, limit=limits)

    def _scale(self, criterion: Criterion, limit: Limit) -> float:
        """Size of a quantity whose limit is zero: the median of its magnitude in the cases that judge it."""
        values = sorted(
            abs(quantity.value)
            for worked in self.cases
            for sheet in worked.sheets
            for quantity in sheet.quantities.values()
            if quantity.name == criterion.quantity and quantity.value
        )
        dimension = self.ruleset.quantities[criterion.quantity].dimension
        assert limit.unit is not None
        one = self.prepared.units.difference_to_si(dimension, 1.0, limit.unit)
        return values[len(values) // 2] / one

    def noticed(self, nudge: Nudge) -> str | None:
        """The first case that a moved limit breaks, or None."""
        moved = replace(self.ruleset, criteria={nudge.criterion: self._nudged(nudge)})
        alone = judge.prepare(moved, self.prepared.units)
        before = judge.prepare(
            replace(self.ruleset, criteria={nudge.criterion: self.ruleset.criteria[nudge.criterion]}),
            self.prepared.units,
        )
        for worked, outcomes in zip(self.cases, self.outcomes, strict=True):
            fresh: list[Outcome] = []
            for sheet, outcome in zip(worked.sheets, outcomes, strict=True):
                was, now = (self._judged(sheet, bench).tokens - sheet.observations for bench in (before, alone))
                if was == now:
                    fresh.append(outcome)
                    continue
                tokens = (outcome.tokens - was) | now
                firings = chain(self.edges, tokens)
                fresh.append(
                    Outcome(
                        outcome.state,
                        frozenset(firing.rule for firing in firings),
                        frozenset(firing.conclusion for firing in firings),
                        tokens,
                    )
                )
            if fresh != outcomes and departures(worked.rule, worked.case, fresh, self.ruleset):
                return f"{worked.rule}: {worked.case.title}"
        return None

    def unnoticed_limits(self) -> list[str]:
        """Limits that may move by a tenth without breaking a case."""
        return [str(nudge) for nudge in self.nudges() if self.noticed(nudge) is None]

    # Rules ---------------------------------------------------------------------------------------------------------

    def unnoticed_rules(self) -> list[str]:
        """Rules that may go without breaking a case."""
        noticed = set()
        for worked, outcomes in zip(self.cases, self.outcomes, strict=True):
            without = tuple(edge for edge in self.edges if edge.id != worked.rule)
            if worked.rule in noticed or not any(worked.rule in outcome.rules for outcome in outcomes):
                continue
            fresh = []
            for outcome in outcomes:
                firings = chain(without, outcome.tokens)
                fresh.append(
                    outcome._replace(
                        rules=frozenset(firing.rule for firing in firings),
                        conclusions=frozenset(firing.conclusion for firing in firings),
                    )
                )
            if departures(worked.rule, worked.case, fresh, self.ruleset):
                noticed.add(worked.rule)
        return sorted(set(self.ruleset.diagnoses) - noticed)

    # Tokens --------------------------------------------------------------------------------------------------------

    def unreached(self) -> list[str]:
        """Tokens that a rule, a cause or a caution reads, and observations, that no case or healthy visit has."""
        ruleset = self.ruleset
        read = {token for rule in ruleset.diagnoses.values() for token in rule.when}
        for cause in ruleset.causes.values():
            read |= {*cause.needs, *cause.expects, *cause.against, *cause.excluded_by}
        read |= {token for caution in ruleset.cautions.values() for token in caution.with_tokens}
        read |= set(ruleset.observations)
        reached = {token for outcomes in self.outcomes for o in outcomes for token in (*o.tokens, *o.conclusions)}
        for path in sorted((rules_folder() / "cases" / "healthy").glob("*.json")):
            request = msgspec.json.decode(path.read_bytes(), type=EvaluationRequest)
            plain = normalise.normalise(request, ruleset, self.prepared.units)
            for sheet in derive.work_out(plain, ruleset).contexts:
                reached |= self._judged(sheet, self.prepared.bench).tokens
        return sorted(read - reached)

    # Pairs ---------------------------------------------------------------------------------------------------------

    def inseparable(self) -> list[tuple[str, str]]:
        """Pairs of rules that fire in exactly the same operating states of all cases."""
        places: dict[str, set[tuple[int, int]]] = defaultdict(set)
        for index, outcomes in enumerate(self.outcomes):
            for place, outcome in enumerate(outcomes):
                for rule in outcome.rules:
                    places[rule].add((index, place))
        alike: dict[frozenset[tuple[int, int]], list[str]] = defaultdict(list)
        for rule, where in places.items():
            alike[frozenset(where)].append(rule)
        return sorted(pair for rules in alike.values() for pair in combinations(sorted(rules), 2))


def main() -> int:
    """Print what would go unnoticed; 1 where there is anything."""
    proof = Proof()
    found = {
        "Limits that may move by a tenth": proof.unnoticed_limits(),
        "Rules that may go": proof.unnoticed_rules(),
        "Tokens that no case reaches": proof.unreached(),
        "Rules that always fire together": [" and ".join(pair) for pair in proof.inseparable()],
    }
    for heading, entries in found.items():
        print(f"{heading}: {len(entries)}")
        for entry in entries:
            print(f"  {entry}")
    return int(any(found.values()))


if __name__ == "__main__":
    sys.exit(main())
