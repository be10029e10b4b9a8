"""One context's conclusions put into findings, with the words left open for their numbers.

Causes are ranked by belief (`service.explain.belief`), among those that a finding's rules name, and once more over
all findings of the context: what is behind the most of them. A cause that a token rules out, or that needs a token
which does not hold (a zone damper, a belt), is left out. Causes whose beliefs, or whose evidence, lie within the rules'
tie ratio share a rank: the readings cannot tell them apart, and each names the reading that best would. Among those of
like belief what would bring most airflow comes first, where a projection can tell.

Next readings are ordered by the bits they are expected to bring: information about the causes of the context, worth
more where the cause explains something grave; open comparisons that they settle; findings whose rule asks for them.
At most five, none at a station that the air path does not have, none twice. A reading that was taken is asked for
again only where a value it gives is undecided or implausible, and is then worth less.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import cached_property

import msgspec

from service.explain.belief import Beliefs, Hypothesis, Known, information
from service.model.equipped import Equipped
from service.model.evaluation import (
    SEVERITIES,
    Finding,
    NextReading,
    NotJudged,
    RankedCause,
    Reduction,
    Severity,
    Verdict,
)
from service.model.reasoning import CONCLUSION_PREFIX, Firing
from service.model.ruleset import Diagnosis, Ruleset

MOST_NEXT_READINGS = 5
OPEN_VERDICTS = ("undecided", "not_measured", "implausible")
NOTHING = 1e-9
"""Bits that are rounding only."""
NAMED = re.compile(r"\{([a-z0-9_]+)(?::[a-z]+)?\}")
"""A number left open in words: the quantity or criterion that it comes from."""
SAME = 9
"""Decimals to which two reductions are the same, so that rounding does not order them."""


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
        elsewhere: tokens that hold in another part of the visit and may rule a cause out, or make it possible.
        equipped: what is known of the equipment; a reading that it cannot have is not asked for.
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
    elsewhere: frozenset[str] = frozenset()
    equipped: Equipped = Equipped()


Said = tuple[str, tuple[str, ...]]
"""A finding by its code and the evidence it rests on."""


class Told(msgspec.Struct, frozen=True):
    """What is not to be told in this part of the answer, because another part tells it in the same words.

    Attributes:
        findings: by code and evidence.
        criteria: whose verdicts stand elsewhere.
        next_readings: procedure -> what it is said to settle there.
    """

    findings: frozenset[Said] = frozenset()
    criteria: frozenset[str] = frozenset()
    next_readings: Mapping[str, frozenset[str]] = {}


class Explained(msgspec.Struct, frozen=True):
    """Findings, most serious first; the causes behind them all; what was not judged; the readings to take next."""

    findings: tuple[Finding, ...]
    causes: tuple[RankedCause, ...]
    not_judged: tuple[NotJudged, ...]
    next_readings: tuple[NextReading, ...]


class Explainer:
    """The words of one ruleset, indexed for use."""

    def __init__(self, ruleset: Ruleset) -> None:
        self._ruleset = ruleset
        self._beliefs = Beliefs(ruleset)
        self._giving: dict[str, list[str]] = {}
        for procedure in ruleset.procedures.values():
            for quantity in procedure.gives:
                self._giving.setdefault(quantity, []).append(procedure.id)

    def explain(self, material: Material) -> Explained:
        """Findings, causes, not-judged list and next readings of one context."""
        return self.read(material).result()

    def read(self, material: Material) -> Explanation:
        """One context, ready to say what it concludes and then to put it into words."""
        return Explanation(self._ruleset, self._beliefs, self._giving, material)


class Explanation:
    """One context being explained."""

    def __init__(self, ruleset: Ruleset, beliefs: Beliefs, giving: dict[str, list[str]], material: Material) -> None:
        self.ruleset = ruleset
        self.beliefs = beliefs
        self.giving = giving
        self.material = material
        self.by_token: dict[str, list[Verdict]] = {}
        for verdict in material.verdicts:
            self.by_token.setdefault(verdict.token, []).append(verdict)
        self.makers: dict[str, list[Diagnosis]] = {}
        for firing in material.firings:
            self.makers.setdefault(firing.conclusion, []).append(ruleset.diagnoses[firing.rule])
        self.held = {*self.by_token, *material.observations, *self.makers}
        self.known = Known(material.verdicts, self.held)
        self.named: dict[str, dict[str, None]] = {}
        self.log_ratios: dict[str, float | None] = {}
        self.evidence: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {}
        self.takeable: dict[tuple[str, bool], bool] = {}
        self.separating: dict[tuple[str, str], str | None] = {}
        self.open_verdicts = [verdict for verdict in material.verdicts if verdict.verdict in OPEN_VERDICTS]
        self.open_criteria = {verdict.criterion for verdict in self.open_verdicts}
        self.opened = self._opened()

    @cached_property
    def _conclusions(self) -> list[tuple[Said, list[tuple[Diagnosis, dict[str, None]]]]]:
        """What would be found: code and evidence, and the rules that make it, each with what it rests on."""
        found = []
        for makers in self.makers.values():
            rules = [(rule, dict.fromkeys(self._evidence(rule, set()))) for rule in _speaking(makers)]
            if rules:
                evidence = self._ordered(_unique(token for _, behind in rules for token in behind))
                found.append(((rules[0][0].concludes or rules[0][0].id, evidence), rules))
        return found

    def said(self) -> frozenset[Said]:
        """What would be found: code and evidence."""
        return frozenset(said for said, _ in self._conclusions)

    def named_by(self) -> dict[Said, frozenset[str]]:
        """What would be found, with the quantities and criteria that its words name."""
        return {
            said: frozenset(NAMED.findall(f"{rule.summary} {rule.why_it_matters} {rule.what_to_do}"))
            for said, ((rule, _), *_) in self._conclusions
        }

    def result(self, told: Told = Told()) -> Explained:  # noqa: B008  frozen
        """Everything put into words, but for what is told elsewhere."""
        found = [entry for entry in self._conclusions if entry[0] not in told.findings]
        for _, rules in found:
            for rule, behind in rules:
                for cause in rule.causes:
                    self.named.setdefault(cause, {}).update(behind)
        findings = [self._finding([rule for rule, _ in rules], said) for said, rules in found]
        # What rests on another conclusion says more than that conclusion, so it comes before it.
        findings.sort(key=lambda f: (-SEVERITIES.index(f.severity), -_depth(f), -(f.certainty or 0.0), f.code))
        findings = self._furthest_first(findings)
        not_judged = tuple(entry for entry in self._not_judged() if entry.criterion not in told.criteria)
        return Explained(
            tuple(findings),
            self._behind_all(findings),
            not_judged,
            self._next_readings(findings, not_judged, told.next_readings),
        )

    # Findings --------------------------------------------------------------------------------------------------

    def _furthest_first(self, findings: list[Finding]) -> list[Finding]:
        """Findings in their order, but of those of one severity that find one quantity beyond a limit each, the one
        whose limit lies furthest out first: it says all that the others say, and asks for more. At a concentration at
        which everybody leaves, that comes before what is done at a lesser one."""
        alike: dict[tuple[object, ...], list[tuple[float, int]]] = {}
        for place, finding in enumerate(findings):
            judged = [verdict for token in finding.evidence for verdict in self.by_token.get(token, [])]
            if len(judged) != 1:
                continue
            (verdict,) = judged
            if verdict.verdict == "above" and verdict.upper is not None:
                beyond = -verdict.upper
            elif verdict.verdict == "below" and verdict.lower is not None:
                beyond = verdict.lower
            else:
                continue
            key = (finding.severity, _depth(finding), verdict.quantity, verdict.subject, verdict.verdict)
            alike.setdefault(key, []).append((beyond, place))
        ordered = list(findings)
        for entries in alike.values():
            for (_, taken), (_, place) in zip(sorted(entries), entries, strict=True):
                ordered[place] = findings[taken]
        return ordered

    def _finding(self, rules: Sequence[Diagnosis], said: Said) -> Finding:
        first, (code, evidence) = rules[0], said
        causes = self._causes(_unique(cause for rule in rules for cause in rule.causes))
        assert first.severity is not None
        return Finding(
            code=code,
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

    def _causes(self, names: Sequence[str], explains: Mapping[str, tuple[str, ...]] = {}) -> tuple[RankedCause, ...]:
        """The candidates among the causes named, ranked; `explains` tells the findings that each would explain.

        What mending would bring is asked of those that are possible at least: it takes longer than all the rest.
        """
        believed = self._believed(names)
        least = self.ruleset.evidence.words["possible"].value
        gains = {
            name: self.material.gain(fix)
            if believed[name] >= least and (fix := self.ruleset.causes[name].fix) is not None
            else None
            for name in believed
        }
        ranked: list[RankedCause] = []
        waiting = sorted(believed, key=lambda name: (-believed[name], name))
        while waiting:
            tied = self._tied(waiting, believed, gains)
            rank = len(ranked) + 1
            for name in tied:
                other = next((entry for entry in tied if entry != name), None)
                cause = self.ruleset.causes[name]
                evidence = self._evidence_of(name)
                ranked.append(
                    RankedCause(
                        cause=name,
                        title=cause.title,
                        remedy=cause.remedy,
                        rank=rank,
                        belief=believed[name],
                        word=self.beliefs.word(believed[name]),
                        score=(self.log_ratios[name] or 0.0) / math.log(2.0),
                        evidence_for=evidence[0],
                        evidence_against=evidence[1],
                        not_yet_known=evidence[2],
                        separated_by=None if other is None else self._separating(name, other),
                        explains=explains.get(name, ()),
                        projected_gain=gains[name],
                    )
                )
            waiting = waiting[len(tied) :]
        return tuple(ranked)

    def _tied(
        self, waiting: Sequence[str], believed: Mapping[str, float], gains: Mapping[str, float | None]
    ) -> list[str]:
        """The first of the causes still to be ranked and those after it that the readings cannot tell from it.

        Either belief is alike, or the evidence is and only how common the causes are differs. Those of like belief
        stand by what mending them brings.
        """
        first, tie = waiting[0], self.ruleset.evidence.tie.value
        alike = [name for name in waiting if believed[name] * tie >= believed[first]]
        count = len(alike)
        evidence = self.log_ratios[first] or 0.0
        while count < len(waiting) and abs((self.log_ratios[waiting[count]] or 0.0) - evidence) < math.log(tie):
            count += 1
        alike.sort(key=lambda name: (-(gains[name] or 0.0), -believed[name], name))
        return [*alike, *waiting[len(alike) : count]]

    def _behind_all(self, findings: Sequence[Finding]) -> tuple[RankedCause, ...]:
        """What one cause may be behind the findings; what only notes name is left out beside graver ones."""
        graver = [finding for finding in findings if finding.severity != "note"]
        explains: dict[str, tuple[str, ...]] = {}
        for finding in graver or findings:
            for cause in finding.causes:
                explains[cause.cause] = (*explains.get(cause.cause, ()), finding.code)
        return self._causes(tuple(explains), explains)

    def _believed(self, names: Sequence[str]) -> dict[str, float]:
        """Belief in each of the causes named that nothing rules out."""
        found: dict[str, float] = {}
        for name in names:
            if name not in self.log_ratios:
                cause = self.ruleset.causes[name]
                held = self.held | self.material.elsewhere if self.material.elsewhere else self.held
                possible = held.issuperset(cause.needs) and held.isdisjoint(cause.excluded_by)
                self.log_ratios[name] = (
                    self.beliefs.log_ratio(name, self.known, self.named.get(name, ())) if possible else None
                )
            ratio = self.log_ratios[name]
            if ratio is not None:
                found[name] = ratio
        return self.beliefs.shares(found)

    def _evidence_of(self, name: str) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        """Tokens that hold and are expected, that hold and speak against the cause, and that are expected but open.

        Against it speak those that it names so, and those that hold in place of one that it expects.
        """
        found = self.evidence.get(name)
        if found is None:
            cause = self.ruleset.causes[name]
            against = [token for token in cause.against if token in self.held]
            for tokens in self.beliefs.contrary[name]:
                proven = [token for token in tokens if token in self.by_token]
                if proven and all(tokens[token] < 1.0 for token in proven):
                    against += proven
            found = self.evidence[name] = (
                tuple(token for token in cause.expects if token in self.held),
                _unique(against),
                tuple(token for token in cause.expects if self._open(token)),
            )
        return found

    def _separating(self, name: str, other: str) -> str | None:
        """The reading that best tells two causes apart; None where none that can be taken does."""
        pair = (name, other) if name < other else (other, name)
        if pair not in self.separating:
            told: dict[str, float] = {}
            spoken = [self.beliefs.ratios[one] for one in pair]
            if not all(self.open_criteria.isdisjoint(ratios) for ratios in spoken):
                shares = self.beliefs.shares({one: self.log_ratios[one] or 0.0 for one in pair})
                whole = math.fsum(shares.values())
                hypotheses = [Hypothesis(shares[one] / whole, 1.0, self.beliefs.ratios[one]) for one in pair]
                told = self._information(hypotheses)
            best = min(told, key=lambda procedure: (-told[procedure], procedure), default=None)
            self.separating[pair] = best if best is not None and told[best] > NOTHING else None
        return self.separating[pair]

    def _information(self, hypotheses: Sequence[Hypothesis]) -> dict[str, float]:
        """Expected information of each reading that tells any, that of a repetition counted for less."""
        spoken = {name for entry in hypotheses for name in entry.ratios if name in self.open_criteria}
        if not spoken:
            return {}
        remembered: dict[frozenset[str], float] = {frozenset(): 0.0}

        def told(criteria: frozenset[str]) -> float:
            if criteria not in remembered:
                remembered[criteria] = information(hypotheses, criteria, self.beliefs)
            return remembered[criteria]

        found: dict[str, float] = {}
        for name, (missing, again) in self.opened.items():
            first, second = missing & spoken, again & spoken
            if first or second:
                once = told(first)
                repeated = max(0.0, told(first | second) - once) if second else 0.0
                found[name] = once + self.ruleset.evidence.again.value * repeated
        return found

    def _open(self, token: str) -> bool:
        """Whether a token neither holds nor is contradicted: its criterion is open or was not reached."""
        if token in self.held:
            return False
        return token.rpartition(".")[0] in self.open_criteria

    # What was not judged ---------------------------------------------------------------------------------------

    def _not_judged(self) -> tuple[NotJudged, ...]:
        entries: list[NotJudged] = []
        for verdict in self.open_verdicts:
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

    def _opened(self) -> dict[str, tuple[frozenset[str], frozenset[str]]]:
        """Criteria whose outcome each reading worth taking would tell: for the first time, and once more."""
        found: dict[str, tuple[set[str], set[str]]] = {}
        for verdict in self.open_verdicts:
            again = verdict.verdict != "not_measured"
            for name in self.giving.get(verdict.quantity, ()):
                if self._worth_taking(name, again):
                    found.setdefault(name, (set(), set()))[again].add(verdict.criterion)
        return {name: (frozenset(missing), frozenset(again)) for name, (missing, again) in found.items()}

    def _worth_taking(self, name: str, again: bool) -> bool:
        """`_takeable`, remembered."""
        key = (name, again)
        if key not in self.takeable:
            self.takeable[key] = self._takeable(name, again)
        return self.takeable[key]

    def _takeable(self, name: str, again: bool) -> bool:
        """Whether a procedure's reading can be taken on this path, and was not taken yet unless it may be `again`.

        A reading without a station was taken where the first quantity it gives is known.
        """
        procedure = self.ruleset.procedures[name]
        material = self.material
        if procedure.only_on and not material.equipped.may_be_any(procedure.only_on):
            return False
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

    def _next_readings(
        self, findings: Sequence[Finding], not_judged: Sequence[NotJudged], told: Mapping[str, frozenset[str]]
    ) -> tuple[NextReading, ...]:
        evidence = self.ruleset.evidence
        hypotheses, believed = self._hypotheses(findings)
        verdicts: dict[str, float] = {}
        asked: dict[str, float] = {}
        settles: dict[str, dict[str, None]] = {name: {} for name in self.opened}
        for finding in findings:
            gravity = evidence.gravity[finding.severity].value
            for name in finding.next_readings:
                if name in settles:
                    asked[name] = asked.get(name, 0.0) + gravity * evidence.asked.value
                    settles[name][finding.code] = None
            open_criteria = {token.rpartition(".")[0] for cause in finding.causes for token in cause.not_yet_known}
            if open_criteria:
                for name, (missing, again) in self.opened.items():
                    if not (open_criteria.isdisjoint(missing) and open_criteria.isdisjoint(again)):
                        settles[name][finding.code] = None
        for entry in not_judged:
            for name in entry.procedures:
                if entry.reason != "no_limit":
                    verdicts[name] = verdicts.get(name, 0.0) + evidence.settles[entry.reason].value
                    settles[name][entry.criterion] = None
        bits = self._information(hypotheses)
        reductions = {
            name: Reduction(bits.get(name, 0.0), verdicts.get(name, 0.0), asked.get(name, 0.0)) for name in self.opened
        }
        order: dict[tuple[str, str], str] = {}
        for name in sorted(reductions, key=lambda name: (-round(reductions[name].bits, SAME), name)):
            if reductions[name].bits > NOTHING and not (name in told and told[name].issuperset(settles[name])):
                reading = self.ruleset.procedures[name]
                # Two trade names may mean one station of this path.
                order.setdefault((reading.reading_kind, self.material.stations.get(reading.station or "", name)), name)
        return tuple(
            NextReading(
                procedure=name,
                title=self.ruleset.procedures[name].title,
                settles=tuple(settles[name]),
                expected_reduction=reductions[name],
                separates=self._separates(name, believed),
                station=self.ruleset.procedures[name].station,
                cautions=tuple(self.ruleset.procedures[name].cautions),
            )
            for name in list(order.values())[:MOST_NEXT_READINGS]
        )

    def _hypotheses(self, findings: Sequence[Finding]) -> tuple[list[Hypothesis], dict[str, float]]:
        """All causes that findings name and what is not listed, each worth the gravest finding that it explains."""
        gravity = self.ruleset.evidence.gravity
        worth: dict[str, float] = {}
        for finding in findings:
            for cause in finding.causes:
                worth[cause.cause] = max(worth.get(cause.cause, 0.0), gravity[finding.severity].value)
        believed = self._believed(tuple(worth))
        hypotheses = [Hypothesis(believed[name], worth[name], self.beliefs.ratios[name]) for name in worth]
        rest = max(0.0, 1.0 - math.fsum(believed.values()))
        # What is not listed is worth what the listed are worth on the average.
        average = sum(believed[name] * worth[name] for name in worth) / (1.0 - rest) if worth and rest < 1.0 else 0.0
        return [*hypotheses, Hypothesis(rest, average, {})], believed

    def _separates(self, procedure: str, believed: Mapping[str, float]) -> tuple[str, ...]:
        """Causes that speak of what a reading would tell, most believed first."""
        missing, again = self.opened[procedure]
        told = missing | again
        found = [name for name in believed if not told.isdisjoint(self.beliefs.ratios[name])]
        return tuple(sorted(found, key=lambda name: (-believed[name], name)))


def _speaking(rules: Sequence[Diagnosis]) -> list[Diagnosis]:
    """Those of the rules that make a finding, the most serious first."""
    return sorted((r for r in rules if r.severity is not None), key=lambda r: (-_rank(r.severity), r.id))


def _depth(finding: Finding) -> int:
    return sum(token.startswith(CONCLUSION_PREFIX) for token in finding.evidence)


def _rank(severity: Severity | None) -> int:
    return -1 if severity is None else SEVERITIES.index(severity)


def _unique(items: object) -> tuple[str, ...]:
    return tuple(dict.fromkeys(items))  # type: ignore[call-overload]
