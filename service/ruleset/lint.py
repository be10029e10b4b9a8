"""What makes a ruleset unfit although its shape is right. Every fault is one sentence that names file or id."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import get_args

from service.model.evaluation import Severity, VerdictToken
from service.model.reasoning import CONCLUSION_PREFIX, RuleEdge, fan_out, find_cycle
from service.model.ruleset import (
    CASE_KINDS,
    CaseFile,
    Criterion,
    Diagnosis,
    EquipmentMatch,
    Prior,
    Ruleset,
    Strength,
)
from service.model.visit import RATINGS
from service.ruleset.guidance import PARTS, guidance, has_station
from service.ruleset.languages import WORDS, language_faults
from service.ruleset.languages import words as words_of

VERDICTS: tuple[str, ...] = get_args(VerdictToken)
VALUED = ("above", "within", "below", "undecided", "implausible")
OPEN_OR_GOOD = ("undecided", "not_measured", "within")
PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def edges(ruleset: Ruleset) -> tuple[RuleEdge, ...]:
    """The rules as the reasoning sees them: tokens and conclusions only."""
    return tuple(RuleEdge(rule.id, tuple(rule.when), rule.conclusion) for rule in ruleset.diagnoses.values())


def lint(ruleset: Ruleset) -> list[str]:
    """Every fault of meaning in a ruleset; an empty list where it is fit to be used."""
    return [
        *_units(ruleset),
        *_citations(ruleset),
        *_criteria(ruleset),
        *_rules(ruleset),
        *_graph(ruleset),
        *_causes(ruleset),
        *_evidence(ruleset),
        *_fixes(ruleset),
        *_severities(ruleset),
        *_cautions(ruleset),
        *_procedures(ruleset),
        *_access(ruleset),
        *_wording(ruleset),
        *(fault for code, words in ruleset.languages.items() for fault in language_faults(ruleset, code, words)),
    ]


def lint_cases(ruleset: Ruleset, cases: Mapping[str, CaseFile]) -> list[str]:
    """Rules that lack one of the four kinds of case, and cases of rules that do not exist."""
    faults = [f"cases: {rule} is not a rule" for rule in cases if rule not in ruleset.diagnoses]
    for rule in ruleset.diagnoses:
        kinds = {case.kind for case in cases[rule].case} if rule in cases else set()
        faults += [f"diagnosis {rule}: it has no case of the kind {kind}" for kind in CASE_KINDS if kind not in kinds]
    return faults


def tokens(ruleset: Ruleset) -> set[str]:
    """Every token a rule may name."""
    verdicts = {f"{criterion}.{verdict}" for criterion in ruleset.criteria for verdict in VERDICTS}
    conclusions = {rule.conclusion for rule in ruleset.diagnoses.values()}
    return verdicts | set(ruleset.observations) | conclusions


def placeholder_quantities(rule: Diagnosis, ruleset: Ruleset) -> set[str]:
    """Quantities that certainly have a value when the rule fires, through the conclusions it reads as well."""
    found: set[str] = set()
    for token in _tokens_behind(rule, ruleset, set()):
        criterion, _, verdict = token.rpartition(".")
        if criterion in ruleset.criteria and verdict in VALUED:
            found.add(ruleset.criteria[criterion].quantity)
    return found


def _tokens_behind(rule: Diagnosis, ruleset: Ruleset, seen: set[str]) -> Iterator[str]:
    for token in rule.when:
        yield token
        if token.startswith("conclusion:") and token not in seen:
            makers = [other for other in ruleset.diagnoses.values() if other.conclusion == token]
            if len(makers) == 1:
                yield from _tokens_behind(makers[0], ruleset, seen | {token})


def _units(ruleset: Ruleset) -> Iterator[str]:
    for name, dimension in ruleset.dimensions.items():
        spellings = [spelling for unit in dimension.unit for spelling in (unit.code, *unit.spellings)]
        for spelling in sorted({spelling for spelling in spellings if spellings.count(spelling) > 1}):
            yield f"units: {name} has {spelling} twice"
        codes = {unit.code for unit in dimension.unit}
        for system, code in dimension.display.items():
            if code not in codes:
                yield f"units: {name} shows {system} in {code}, which is not one of its units"
    for name, quantity in ruleset.quantities.items():
        dimension_of = ruleset.dimensions.get(quantity.dimension)
        if dimension_of is None:
            yield f"quantities: {name} has the unknown dimension {quantity.dimension}"
        elif not _has_unit(ruleset, quantity.dimension, quantity.plausible.unit):
            yield f"quantities: {name} has a plausible range in {quantity.plausible.unit}, no unit of its dimension"


def _has_unit(ruleset: Ruleset, dimension: str, spelling: str) -> bool:
    return any(spelling in (unit.code, *unit.spellings) for unit in ruleset.dimensions[dimension].unit)


def _citations(ruleset: Ruleset) -> Iterator[str]:
    cited = [
        *((f"quantities: {name}", entry.sources) for name, entry in ruleset.quantities.items()),
        *((f"elements: {name}", entry.sources) for name, entry in ruleset.elements.items()),
        *((f"arrangements: {name}", entry.sources) for name, entry in ruleset.arrangements.items()),
        *((f"fixes: {name}", entry.sources) for name, entry in ruleset.fixes.items()),
        *((f"assumptions: {name}", entry.sources) for name, entry in ruleset.assumptions.items()),
        *((f"evidence: {name}", entry.sources) for name, entry in ruleset.evidence.weights().items()),
        *((f"instruments {name}", entry.sources) for name, entry in ruleset.instruments.items()),
        *((f"diagnosis {name}", entry.sources) for name, entry in ruleset.diagnoses.items()),
        *((f"cautions {name}", entry.sources) for name, entry in ruleset.cautions.items()),
        *((f"procedures {name}", entry.sources) for name, entry in ruleset.procedures.items()),
        *((f"techniques {name}", entry.sources) for name, entry in ruleset.techniques.items()),
        *((f"criteria {c.id}", [limit.source]) for c in ruleset.criteria.values() for limit in c.limit),
    ]
    used = {source for _, sources in cited for source in sources}
    for where, sources in cited:
        yield from (
            f"{where}: the source {source} is not in sources/" for source in sources if source not in ruleset.sources
        )
    yield from (f"sources {source}: nothing cites it" for source in ruleset.sources if source not in used)


def _criteria(ruleset: Ruleset) -> Iterator[str]:
    read = {token for rule in ruleset.diagnoses.values() for token in rule.when}
    read |= {
        token for cause in ruleset.causes.values() for token in (*cause.expects, *cause.against, *cause.excluded_by)
    }
    read |= {token for caution in ruleset.cautions.values() for token in caution.with_tokens}
    for criterion in ruleset.criteria.values():
        where = f"criteria {criterion.id}"
        quantity = ruleset.quantities.get(criterion.quantity)
        if quantity is None:
            yield f"{where}: its quantity {criterion.quantity} is not in the vocabulary"
            continue
        if not criterion.limit:
            yield f"{where}: it has no limit"
        if not 0.5 <= criterion.confidence < 1:
            yield f"{where}: confidence must be at least 0.5 and below 1"
        if not any(f"{criterion.id}.{verdict}" in read for verdict in VERDICTS):
            yield f"{where}: no rule, cause or caution reads any of its verdicts"
        for limit in criterion.limit:
            ratings = [name for name in (limit.lower_rating, limit.upper_rating) if name is not None]
            yield from (f"{where}: unknown rating {name}" for name in ratings if name not in RATINGS)
            numbers = (limit.lower, limit.upper)
            if all(end is None for end in (*numbers, limit.lower_rating, limit.upper_rating)):
                yield f"{where}: a limit has neither a lower nor an upper end"
            if any(end is not None for end in numbers):
                if limit.unit is None:
                    yield f"{where}: a limit has numbers but no unit"
                elif not _has_unit(ruleset, quantity.dimension, limit.unit):
                    yield f"{where}: {limit.unit} is not a unit of {quantity.dimension}"
            yield from (
                f"{where}: unknown observation {token}" for token in limit.when if token not in ruleset.observations
            )


def _rules(ruleset: Ruleset) -> Iterator[str]:
    known = tokens(ruleset)
    read = {token for rule in ruleset.diagnoses.values() for token in rule.when}
    for rule in ruleset.diagnoses.values():
        where = f"diagnosis {rule.id}"
        if not rule.when:
            yield f"{where}: it names no token"
        yield from (f"{where}: unknown token {token}" for token in rule.when if token not in known)
        yield from (f"{where}: unknown cause {cause}" for cause in rule.causes if cause not in ruleset.causes)
        yield from (
            f"{where}: unknown procedure {name}" for name in rule.next_readings if name not in ruleset.procedures
        )
        yield from (f"{where}: unknown caution {name}" for name in rule.cautions if name not in ruleset.cautions)
        if rule.severity is None:
            if rule.conclusion not in read:
                yield f"{where}: it has no severity and nobody reads its conclusion"
            continue
        if not (rule.summary and rule.why_it_matters and rule.what_to_do and rule.sources):
            yield f"{where}: a finding needs summary, why_it_matters, what_to_do and sources"
        yield from _placeholders(rule, ruleset)


def _placeholders(rule: Diagnosis, ruleset: Ruleset) -> Iterator[str]:
    valued = placeholder_quantities(rule, ruleset)
    criteria = {token.rpartition(".")[0] for token in _tokens_behind(rule, ruleset, set())}
    for words in (rule.summary, rule.why_it_matters, rule.what_to_do):
        for placeholder in PLACEHOLDER.findall(words):
            name, _, end = placeholder.partition(":")
            if end in ("lower", "upper"):
                if name not in criteria:
                    yield f"diagnosis {rule.id}: {{{placeholder}}} names a criterion that its tokens do not rest on"
            elif end not in ("", "u") or name not in valued:
                yield f"diagnosis {rule.id}: {{{placeholder}}} may have no value when the rule fires"


def _graph(ruleset: Ruleset) -> Iterator[str]:
    graph = edges(ruleset)
    cycle = find_cycle(graph)
    if cycle:
        yield f"diagnosis: rules read each other in a circle: {' -> '.join(cycle)}"
    for token, readers in fan_out(graph).items():
        if readers > ruleset.release.fan_out_limit:
            yield f"diagnosis: {readers} rules read {token}; the engine allows {ruleset.release.fan_out_limit}"
    for rule in ruleset.diagnoses.values():
        if len(set(rule.when)) != len(rule.when):
            yield f"diagnosis {rule.id}: it names a token twice"


def _causes(ruleset: Ruleset) -> Iterator[str]:
    known = tokens(ruleset)
    used = {cause for rule in ruleset.diagnoses.values() for cause in rule.causes}
    for name, cause in ruleset.causes.items():
        if name not in used:
            yield f"causes {name}: no rule names it"
        for token in (*cause.needs, *cause.expects, *cause.against, *cause.excluded_by):
            if token not in known:
                yield f"causes {name}: unknown token {token}"
        for token in (*cause.expects, *cause.against):
            if token.startswith(CONCLUSION_PREFIX):
                yield f"causes {name}: {token} only restates its comparisons; name those"
            if token in cause.excluded_by:
                yield f"causes {name}: {token} rules it out already"
        for token in cause.strength:
            if token not in (*cause.expects, *cause.against):
                yield f"causes {name}: a strength is given for {token}, which it neither expects nor has against it"
        yield from (
            f"causes {name}: {token} is both expected and against it"
            for token in cause.expects
            if token in cause.against
        )
        yield from (f"causes {name}: unknown caution {c}" for c in cause.cautions if c not in ruleset.cautions)
        if cause.fix is not None and cause.fix not in ruleset.fixes:
            yield f"causes {name}: unknown fix {cause.fix}"


NEEDED = {
    "rated_drop": ("part",), "opened": ("part",), "usual_drop": ("criterion",), "usual_share": ("part", "criterion"),
    "usual_face_velocity": ("criterion",), "sealed": ("side",),
}  # fmt: skip
"""What each kind of fix has to name."""


def _fixes(ruleset: Ruleset) -> Iterator[str]:
    used = {cause.fix for cause in ruleset.causes.values()}
    for name, fix in ruleset.fixes.items():
        if name not in used:
            yield f"fixes {name}: no cause names it"
        for field in NEEDED.get(fix.does, ()):
            if getattr(fix, field) is None:
                yield f"fixes {name}: {fix.does} needs a {field}"
        if fix.does == "usual_drop" and (fix.part is None) == (fix.side is None):
            yield f"fixes {name}: usual_drop needs a part or a side"
        if fix.part is not None and fix.part not in ruleset.elements:
            yield f"fixes {name}: unknown element {fix.part}"
        if fix.criterion is not None and fix.criterion not in ruleset.criteria:
            yield f"fixes {name}: unknown criterion {fix.criterion}"


def _evidence(ruleset: Ruleset) -> Iterator[str]:
    evidence = ruleset.evidence
    for name, given, wanted in (
        ("strengths", evidence.strengths, get_args(Strength)),
        ("priors", evidence.priors, get_args(Prior)),
        ("gravity", evidence.gravity, get_args(Severity)),
        ("seen_without", evidence.seen_without, ("other",)),
        ("settles", evidence.settles, ("not_measured", "undecided", "implausible")),
    ):
        yield from (f"evidence: {name} lacks {key}" for key in wanted if key not in given)
    above_one = ("tie", "named", *(f"strengths.{name}" for name in evidence.strengths))
    shares = ("again", *(f"seen_without.{name}" for name in evidence.seen_without))
    for name, weight in evidence.weights().items():
        if name in above_one and not weight.value > 1.0:
            yield f"evidence: {name} must be above 1"
        elif name in ("beyond_without", "seldom_beyond_without") and not 0.0 < weight.value < 0.5:
            yield f"evidence: {name} must lie between 0 and 0.5"
        elif name in shares and not 0.0 < weight.value < 1.0:
            yield f"evidence: {name} must lie between 0 and 1"
        elif not weight.value > 0.0 and not name.startswith("words."):
            yield f"evidence: {name} must be above 0"
    if min((weight.value for weight in evidence.words.values()), default=1.0) != 0.0:
        yield "evidence: words must begin at 0, so that every belief has one"
    families = {token.partition(".")[0] for token in ruleset.observations}
    yield from (
        f"evidence: seen_without names {family}, which no observation begins with"
        for family in evidence.seen_without
        if family != "other" and family not in families
    )
    for criterion in evidence.seldom:
        if criterion not in ruleset.criteria:
            yield f"evidence: seldom names the unknown criterion {criterion}"
    grouped = [criterion for criteria in evidence.restatements.values() for criterion in criteria]
    for criterion in sorted(set(grouped)):
        if criterion not in ruleset.criteria:
            yield f"evidence: restatements name the unknown criterion {criterion}"
        if grouped.count(criterion) > 1:
            yield f"evidence: restatements name {criterion} twice"


def _severities(ruleset: Ruleset) -> Iterator[str]:
    """The criteria of `severity.toml`, as far as a machine can check them."""
    for rule in ruleset.diagnoses.values():
        asked = ruleset.severities.get(rule.severity or "")
        where = f"diagnosis {rule.id}: a {rule.severity}"
        if asked is None:
            if rule.severity is not None:
                yield f"{where} has no criteria in severity.toml"
            continue
        if asked.rests_on:
            kinds = [{ruleset.sources[s].kind for s in rule.sources if s in ruleset.sources}]
            behind = list(_exceeded(_tokens_behind(rule, ruleset, set()), ruleset))
            kinds += [{ruleset.sources[limit.source].kind for c in behind for limit in c.limit}] if behind else []
            if not all(held.intersection(asked.rests_on) for held in kinds):
                needed = ", ".join(asked.rests_on)
                yield f"{where}: practice alone never raises one; it and the limits behind it need a {needed}"
        if asked.decision_rules:
            for criterion in _exceeded(rule.when, ruleset):
                if criterion.decision_rule not in asked.decision_rules:
                    yield f"{where} is decided by {', '.join(asked.decision_rules)}; {criterion.id} is not"
        if asked.must_be_proven and all(
            criterion in ruleset.criteria and verdict in OPEN_OR_GOOD
            for criterion, _, verdict in (token.rpartition(".") for token in rule.when)
        ):
            yield f"{where} needs a token that is proven"
        if asked.people_at_risk and not any(
            ruleset.cautions[name].people_at_risk for name in rule.cautions if name in ruleset.cautions
        ):
            yield f"{where} needs a caution for people at risk"
        if asked.defers_to and not any(name in rule.what_to_do for name in asked.defers_to):
            yield f"{where} must hand over to one of: {', '.join(asked.defers_to)}"


def _exceeded(held: Iterable[str], ruleset: Ruleset) -> Iterator[Criterion]:
    """Criteria of which a verdict beyond a limit is among the tokens."""
    for criterion, _, verdict in (token.rpartition(".") for token in held):
        if criterion in ruleset.criteria and verdict in ("above", "below"):
            yield ruleset.criteria[criterion]


def _cautions(ruleset: Ruleset) -> Iterator[str]:
    known = tokens(ruleset)
    for caution in ruleset.cautions.values():
        where = f"cautions {caution.id}"
        yield from (f"{where}: unknown token {token}" for token in caution.with_tokens if token not in known)
        yield from _matches(ruleset, where, caution.with_equipment)
        if (caution.checked == "practice") != (
            {ruleset.sources[s].kind for s in caution.sources if s in ruleset.sources} <= {"practice"}
        ):
            yield f"{where}: practice is what rests on practice alone"
    for name, change in ruleset.changes.items():
        yield from (f"changes {name}: unknown caution {c}" for c in change.cautions if c not in ruleset.cautions)


def _matches(ruleset: Ruleset, where: str, matches: Iterable[EquipmentMatch]) -> Iterator[str]:
    for match in matches:
        yield from (f"{where}: unknown arrangement {n}" for n in match.arrangement if n not in ruleset.arrangements)
        yield from (f"{where}: unknown element {n}" for n in match.parts if n not in ruleset.elements)


def _procedures(ruleset: Ruleset) -> Iterator[str]:
    spots = {**ruleset.stations, **ruleset.places}
    used = {procedure.technique for procedure in ruleset.procedures.values()}
    yield from (f"techniques {name}: no procedure uses it" for name in ruleset.techniques if name not in used)
    for procedure in ruleset.procedures.values():
        where = f"procedures {procedure.id}"
        yield from (f"{where}: unknown quantity {name}" for name in procedure.gives if name not in ruleset.quantities)
        yield from (f"{where}: unknown caution {name}" for name in procedure.cautions if name not in ruleset.cautions)
        yield from (
            f"{where}: unknown station {name}"
            for name in [*([procedure.station] if procedure.station else []), *procedure.locations]
            if name not in spots
        )
        yield from (f"{where}: unknown arrangement {n}" for n in procedure.where_on if n not in ruleset.arrangements)
        yield from _matches(ruleset, where, procedure.only_on)
        if procedure.in_place_of is not None:
            other = ruleset.procedures.get(procedure.in_place_of)
            if other is None or other.reading_kind != procedure.reading_kind:
                yield f"{where}: {procedure.in_place_of} is no procedure of its reading kind"
                continue
        if procedure.technique is not None and procedure.technique not in ruleset.techniques:
            yield f"{where}: unknown technique {procedure.technique}"
            continue
        whole = guidance(ruleset, procedure)
        missing = [name for name in PARTS if not getattr(whole, name)]
        if not (procedure.where or procedure.station or procedure.locations):
            missing.append("where")
        yield from (f"{where}: {name} is empty; say it, or why there is nothing to do" for name in missing)


def _access(ruleset: Ruleset) -> Iterator[str]:
    spots = {**ruleset.stations, **ruleset.places}
    yield from (f"access: nothing says how {name} is reached" for name in spots if name not in ruleset.access)
    for access in ruleset.access.values():
        where = f"access {access.id}"
        if access.id not in spots:
            yield f"{where}: it is no station and no place"
        named = [*access.cautions, *(name for further in access.cautions_on.values() for name in further)]
        yield from (f"{where}: unknown caution {name}" for name in named if name not in ruleset.cautions)
        yield from (
            f"{where}: unknown arrangement {name}"
            for name in [*access.on, *access.cautions_on]
            if name not in ruleset.arrangements
        )
        station = ruleset.stations.get(access.id)
        yield from (
            f"{where}: it says nothing of {name}"
            for name, arrangement in ruleset.arrangements.items()
            if station and name != "custom" and name not in access.on and has_station(station, arrangement.air_path)
        )
    for name, arrangement in ruleset.arrangements.items():
        for element in (*arrangement.air_path, *arrangement.inside):
            if element not in ruleset.elements:
                yield f"arrangements: {name} has the unknown element {element}"


def _wording(ruleset: Ruleset) -> Iterator[str]:
    """Phrases that would declare something safe, anywhere in the words of the rules."""
    for kind in WORDS:
        for name, record in getattr(ruleset, kind).items():
            text = json.dumps(words_of(record, kind), ensure_ascii=False).lower()
            said = [phrase for phrase in ruleset.wording.never if phrase in text]
            yield from (f'{kind} {name}: "{phrase}" declares too much' for phrase in said)
