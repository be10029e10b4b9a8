"""One context's conclusions put into findings, with the words left open for their numbers.

Causes are ranked by a count: one point for each expected token that holds, minus one for each that speaks against.
A cause that a token rules out, or that needs a token which does not hold (a zone damper, a belt), is left out.
Causes with equal counts share a rank: the readings cannot tell them apart. Among them what would bring most airflow
comes first, where a projection can tell.

Next readings are ranked by what they would settle: a procedure counts three for each finding that asks for it, two
for each token a cause still waits for, one for each criterion that could not be judged for want of it. At most five,
none at a station that the air path does not have, none twice. A reading that was taken is asked for again only where
a value it gives is undecided or implausible.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence

import msgspec

from service.model.evaluation import (
    SEVERITIES,
    Finding,
    NextReading,
    NotJudged,
    RankedCause,
    Severity,
    Verdict,
)
from service.model.reasoning import CONCLUSION_PREFIX, Firing
from service.model.ruleset import Cause, Diagnosis, Ruleset

MOST_NEXT_READINGS = 5
OPEN_VERDICTS = ("undecided", "not_measured", "implausible")


class Material(msgspec.Struct, frozen=True):
    """What one context offers to explain.

    Attributes:
        verdicts, observations, firings: what was judged, seen and concluded.
        lacking: quantity -> what is missing for it.
        limitless: criteria without a limit in force, each with the ratings missing for one.
        stations: trade names of the path's stations, and the station each means.
        taken: kind and station of the readings.
        known: names of the quantities.
        gain: tells the airflow (m3/s) that a fix would add, or None.
    """

    verdicts: Sequence[Verdict]
    observations: Collection[str]
    firings: Sequence[Firing]
    lacking: Mapping[str, tuple[str, ...]]
    limitless: Sequence[tuple[str, tuple[str, ...]]]
    stations: Mapping[str, str] = {}
    taken: frozenset[tuple[str, str | None]] = frozenset()
    known: frozenset[str] = frozenset()
    gain: Callable[[str], float | None] = lambda _: None


class Explained(msgspec.Struct, frozen=True):
    """Findings, most serious first; what was not judged; the readings to take next."""

    findings: tuple[Finding, ...]
    not_judged: tuple[NotJudged, ...]
    next_readings: tuple[NextReading, ...]


class Explainer:
    """The words of one ruleset, indexed for use."""

    def __init__(self, ruleset: Ruleset) -> None:
        self._ruleset = ruleset
        self._giving: dict[str, list[str]] = {}
        for procedure in ruleset.procedures.values():
            for quantity in procedure.gives:
                self._giving.setdefault(quantity, []).append(procedure.id)

    def explain(self, material: Material) -> Explained:
        """Findings, not-judged list and next readings of one context."""
        return _Explanation(self._ruleset, self._giving, material).result()


class _Explanation:
    def __init__(self, ruleset: Ruleset, giving: dict[str, list[str]], material: Material) -> None:
        self.ruleset = ruleset
        self.giving = giving
        self.material = material
        self.by_token: dict[str, list[Verdict]] = {}
        self.by_criterion: dict[str, list[Verdict]] = {}
        for verdict in material.verdicts:
            self.by_token.setdefault(verdict.token, []).append(verdict)
            self.by_criterion.setdefault(verdict.criterion, []).append(verdict)
        self.makers: dict[str, list[Diagnosis]] = {}
        for firing in material.firings:
            self.makers.setdefault(firing.conclusion, []).append(ruleset.diagnoses[firing.rule])
        self.held = {*self.by_token, *material.observations, *self.makers}

    def result(self) -> Explained:
        findings = [
            self._finding(rules) for rules in self.makers.values() if any(rule.severity is not None for rule in rules)
        ]
        # What rests on another conclusion says more than that conclusion, so it comes before it.
        findings.sort(key=lambda f: (-SEVERITIES.index(f.severity), -_depth(f), -(f.certainty or 0.0), f.code))
        not_judged = self._not_judged()
        return Explained(tuple(findings), not_judged, self._next_readings(findings, not_judged))

    # Findings --------------------------------------------------------------------------------------------------

    def _finding(self, rules: list[Diagnosis]) -> Finding:
        rules = sorted((r for r in rules if r.severity is not None), key=lambda r: (-_rank(r.severity), r.id))
        first = rules[0]
        evidence = self._ordered(_unique(token for rule in rules for token in self._evidence(rule, set())))
        causes = self._causes(_unique(cause for rule in rules for cause in rule.causes))
        assert first.severity is not None
        return Finding(
            code=first.concludes or first.id,
            severity=first.severity,
            title=first.title,
            summary=first.summary,
            why_it_matters=first.why_it_matters,
            what_to_do=first.what_to_do,
            rules=tuple(sorted(rule.id for rule in rules)),
            evidence=evidence,
            certainty=self._certainty(evidence),
            causes=causes,
            next_readings=_unique(name for rule in rules for name in rule.next_readings),
            cautions=self._cautions(rules, causes),
            sources=self._sources(rules, evidence),
            known_false_alarms=_unique(text for rule in rules for text in rule.known_false_alarms),
        )

    def _evidence(self, rule: Diagnosis, seen: set[str]) -> list[str]:
        """The tokens a rule rests on, with the tokens behind any conclusion among them."""
        tokens: list[str] = []
        for token in rule.when:
            tokens.append(token)
            if token in self.makers and token not in seen:
                seen.add(token)
                for maker in self.makers[token]:
                    tokens += self._evidence(maker, seen)
        return tokens

    def _ordered(self, tokens: Sequence[str]) -> tuple[str, ...]:
        """Comparisons first, then observations, then the conclusions in between."""
        return tuple(sorted(tokens, key=lambda token: (token not in self.by_token, token in self.makers)))

    def _certainty(self, evidence: Sequence[str]) -> float | None:
        """The lowest probability among the verdicts that carry one: a chain is as sure as its weakest link."""
        probabilities = [
            max(found)
            for token in evidence
            if (found := [p for verdict in self.by_token.get(token, []) if (p := verdict.probability) is not None])
        ]
        return min(probabilities) if probabilities else None

    def _cautions(self, rules: Sequence[Diagnosis], causes: Sequence[RankedCause]) -> tuple[str, ...]:
        named = [name for rule in rules for name in rule.cautions]
        named += [name for cause in causes for name in self.ruleset.causes[cause.cause].cautions]
        return _unique(named)

    def _sources(self, rules: Sequence[Diagnosis], evidence: Sequence[str]) -> tuple[str, ...]:
        named = [name for rule in rules for name in rule.sources]
        named += [v.source for token in evidence for v in self.by_token.get(token, []) if v.source is not None]
        return _unique(named)

    # Causes ----------------------------------------------------------------------------------------------------

    def _causes(self, names: Sequence[str]) -> tuple[RankedCause, ...]:
        candidates = [
            (name, cause)
            for name, cause in ((name, self.ruleset.causes[name]) for name in names)
            if self.held.issuperset(cause.needs) and self.held.isdisjoint(cause.excluded_by)
        ]
        weighed = sorted(
            (
                (self._score(cause), None if cause.fix is None else self.material.gain(cause.fix), name, cause)
                for name, cause in candidates
            ),
            key=lambda entry: (-entry[0], -(entry[1] or 0.0), entry[2]),
        )
        ranked: list[RankedCause] = []
        for place, (score, gain, name, cause) in enumerate(weighed):
            rank = ranked[-1].rank if ranked and ranked[-1].score == score else place + 1
            ranked.append(
                RankedCause(
                    cause=name,
                    title=cause.title,
                    remedy=cause.remedy,
                    rank=rank,
                    score=score,
                    evidence_for=tuple(token for token in cause.expects if token in self.held),
                    evidence_against=tuple(token for token in cause.against if token in self.held),
                    not_yet_known=tuple(token for token in cause.expects if self._open(token)),
                    projected_gain=gain,
                )
            )
        return tuple(ranked)

    def _score(self, cause: Cause) -> float:
        return float(
            sum(token in self.held for token in cause.expects) - sum(token in self.held for token in cause.against)
        )

    def _open(self, token: str) -> bool:
        """Whether a token neither holds nor is contradicted: its criterion is open or was not reached."""
        if token in self.held:
            return False
        criterion = token.rpartition(".")[0]
        if criterion not in self.ruleset.criteria:
            return False
        verdicts = self.by_criterion.get(criterion, [])
        return any(verdict.verdict in OPEN_VERDICTS for verdict in verdicts)

    # What was not judged ---------------------------------------------------------------------------------------

    def _not_judged(self) -> tuple[NotJudged, ...]:
        entries: list[NotJudged] = []
        for verdict in self.material.verdicts:
            criterion = self.ruleset.criteria[verdict.criterion]
            if not criterion.report:
                continue
            if verdict.verdict == "not_measured":
                missing = self.material.lacking.get(verdict.quantity, ())
                detail = "Not measured." if not missing else "Missing: " + "; ".join(missing) + "."
                entries.append(self._entry(verdict, "not_measured", detail, missing))
            elif verdict.verdict == "undecided":
                entries.append(
                    self._entry(verdict, "undecided", "The limit lies within the uncertainty of the value.", ())
                )
            elif verdict.verdict == "implausible":
                detail = "The value lies outside what can be true of a house; check the readings behind it."
                entries.append(self._entry(verdict, "implausible", detail, ()))
        for name, missing in self.material.limitless:
            criterion = self.ruleset.criteria[name]
            if criterion.report:
                needed = "; ".join(word.replace("_", " ") for word in missing)
                detail = f"No limit is in force: the rating is missing ({needed})." if missing else "No limit applies."
                entries.append(NotJudged(name, criterion.quantity, criterion.title, "no_limit", detail, missing, ()))
        return tuple(entries)

    def _entry(self, verdict: Verdict, reason: str, detail: str, missing: tuple[str, ...]) -> NotJudged:
        again = reason != "not_measured"
        procedures = [name for name in self.giving.get(verdict.quantity, ()) if self._worth_taking(name, again)]
        return NotJudged(
            criterion=verdict.criterion,
            quantity=verdict.quantity,
            title=self.ruleset.criteria[verdict.criterion].title,
            reason=reason,  # type: ignore[arg-type]
            detail=detail,
            missing=missing,
            procedures=tuple(procedures),
        )

    # Next readings ---------------------------------------------------------------------------------------------

    def _worth_taking(self, name: str, again: bool) -> bool:
        """Whether a procedure's reading can be taken on this path, and was not taken yet unless it may be `again`.

        A reading without a station was taken where the first quantity it gives is known.
        """
        procedure = self.ruleset.procedures[name]
        material = self.material
        if procedure.station is not None and material.stations:
            if procedure.station not in material.stations:
                return False
            if again:
                return True
            if (procedure.reading_kind, material.stations[procedure.station]) in material.taken:
                return False
        elif again:
            return True
        return procedure.reading_kind == "static_pressure" or procedure.gives[0] not in material.known

    def _next_readings(self, findings: Sequence[Finding], not_judged: Sequence[NotJudged]) -> tuple[NextReading, ...]:
        useful = {name for entry in not_judged for name in entry.procedures}
        points: dict[str, int] = {}
        settles: dict[str, list[str]] = {}

        def count(procedure: str, weight: int, what: str) -> None:
            if procedure not in useful:
                return
            points[procedure] = points.get(procedure, 0) + weight
            settles.setdefault(procedure, [])
            if what not in settles[procedure]:
                settles[procedure].append(what)

        for finding in findings:
            for procedure in finding.next_readings:
                count(procedure, 3 + _rank(finding.severity), finding.code)
            waiting = _unique(token for cause in finding.causes for token in cause.not_yet_known)
            for token in waiting:
                quantity = self.ruleset.criteria[token.rpartition(".")[0]].quantity
                for procedure in self.giving.get(quantity, ()):
                    count(procedure, 2, finding.code)
        for entry in not_judged:
            for procedure in entry.procedures:
                count(procedure, 1, entry.criterion)
        order: dict[tuple[str, str], str] = {}
        for name in sorted(points, key=lambda name: (-points[name], name)):
            asked = self.ruleset.procedures[name]
            # Two trade names may mean one station of this path.
            order.setdefault((asked.reading_kind, self.material.stations.get(asked.station or "", name)), name)
        return tuple(
            NextReading(
                procedure=name,
                title=self.ruleset.procedures[name].title,
                settles=tuple(settles[name]),
                station=self.ruleset.procedures[name].station,
                cautions=tuple(self.ruleset.procedures[name].cautions),
            )
            for name in list(order.values())[:MOST_NEXT_READINGS]
        )


def _depth(finding: Finding) -> int:
    return sum(token.startswith(CONCLUSION_PREFIX) for token in finding.evidence)


def _rank(severity: Severity | None) -> int:
    return -1 if severity is None else SEVERITIES.index(severity)


def _unique(items: object) -> tuple[str, ...]:
    return tuple(dict.fromkeys(items))  # type: ignore[call-overload]
