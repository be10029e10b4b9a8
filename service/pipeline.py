"""The way of a visit from request to evaluation: no clock, no network, no database.

A request is normalised, quantities are derived, judged, reasoned over and explained.

The command line, the API, the rule cases and the benchmark all run `evaluate`.
"""

from __future__ import annotations

import datetime
import functools
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar
from uuid import UUID

import msgspec
from msgspec import UNSET

from service import derive, explain, judge, normalise, reason, ruleset
from service import project as projecting
from service.errors import RulesetRefused
from service.model.comparison import (
    Achieved,
    AloneContext,
    ComparedQuantity,
    ContextComparison,
    FixGain,
    JudgedComparison,
    VisitComparison,
)
from service.model.difference import EvaluationDifference
from service.model.evaluation import Conclusions, ContextResult, Evaluation, Verdict
from service.model.figure import ContextFigures
from service.model.projection import AirSystem, Gain, Projections
from service.model.quantity import Quantity
from service.model.ruleset import Ruleset
from service.model.trend import Asked, FollowedTrend, Forecast
from service.model.units import UnitTable
from service.model.visit import SetAside, Visit
from service.reassess import Side, compare, fates, verdict, with_turns
from service.ruleset.lint import edges
from service.wire.decode import RequestDecoder, accepted_units
from service.wire.query import names_in_queries
from service.wire.request import EvaluationRequest, ProjectionRequest
from service.wire.speech import Speech, speeches

SERVICE_VERSION = version("airside-findings")


class Prepared(msgspec.Struct, frozen=True):
    """One version of the rules with everything worked out that does not depend on a visit."""

    ruleset: Ruleset
    units: UnitTable
    bench: judge.Bench
    reasoner: reason.Reasoner
    explainer: explain.Explainer
    languages: Mapping[str, Speech]


class Rulebook:
    """The installed versions of the rules, newest first.

    A version other than the current one is read, and made ready, when it is first asked for; any thread may ask. Older
    ones are completed with what the service looks up today (`ruleset.released.completed`).

    Attributes:
        names: every version.
        current: the version that judges where none is named.
        newest: the newest version; units that it accepts are accepted by all.
        unreleased: the version of the working rules while it is not released; None otherwise.
    """

    def __init__(
        self, readers: Mapping[str, Callable[[], Ruleset]], current: str | None = None, unreleased: str | None = None
    ) -> None:
        self.names = tuple(sorted(readers, key=ruleset.version_key, reverse=True))
        self.rulesets = _Lazily(self.names, lambda name: readers[name]())
        self.newest = self.rulesets[self.names[0]]
        self.versions = _Lazily(self.names, lambda name: prepare(ruleset.completed(self.rulesets[name], self.newest)))
        self.unreleased = unreleased
        self.current = self.versions[current or self.names[0]]

    def version(self, name: str | None) -> Prepared | None:
        """The version asked for, the current one for None; None where it is not installed."""
        return self.current if name is None else self.versions.get(name)

    def decoder(self) -> RequestDecoder:
        """Decodes requests that these versions can judge."""
        return RequestDecoder(
            accepted_units([self.newest]), self.names, names_in_queries(self.current.ruleset, self.names)
        )


Kept = TypeVar("Kept")


class _Lazily(Mapping[str, Kept]):
    """Values made once, when first asked for, by one thread while others wait."""

    def __init__(self, names: tuple[str, ...], make: Callable[[str], Kept]) -> None:
        self._names = names
        self._make = make
        self._made: dict[str, Kept] = {}
        self._lock = threading.Lock()

    def __getitem__(self, name: str) -> Kept:
        if name not in self._names:
            raise KeyError(name)
        if name not in self._made:
            with self._lock:
                if name not in self._made:
                    self._made[name] = self._make(name)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def at_hand(self, name: str) -> bool:
        """Whether asking for it takes no time."""
        return name in self._made


def prepare(rules: Ruleset) -> Prepared:
    """Make one ruleset ready.

    Raises
    ------
    RulesetRefused : a unit definition is not a unit of its dimension, or the rules do not make a graph
    """
    units = normalise.build_unit_table(rules)
    return Prepared(
        rules,
        units,
        judge.prepare(rules, units),
        reason.Reasoner(edges(rules)),
        explain.Explainer(rules),
        speeches(rules),
    )


def load(*folders: Path, current: str | None = None) -> Rulebook:
    """The rulebook of the working rules in the folders given, or of everything that came with this installation.

    Parameters
    ----------
    folders : rules folders; the newest version judges
    current : without folders, the version that judges where none is named; by default the newest released one, and
        the working rules while nothing has been released

    Raises
    ------
    RulesetRefused : a ruleset is unfit, two folders hold the same version, the working rules go under a released
        version that they are not, or `current` is not installed
    """
    if not folders:
        return installed(ruleset.rules_folder(), current)
    versions: dict[str, Ruleset] = {}
    for folder in folders:
        rules = ruleset.load_ruleset(folder)
        if rules.release.version in versions:
            raise RulesetRefused([f"version {rules.release.version} is installed twice"])
        versions[rules.release.version] = rules
    return Rulebook({name: functools.partial(versions.__getitem__, name) for name in versions})


def working() -> Prepared:
    """The working rules of this installation, released or not.

    Raises
    ------
    RulesetRefused : they are unfit
    """
    return load(ruleset.rules_folder()).current


def installed(root: Path, current: str | None = None) -> Rulebook:
    """The rulebook of one folder with its released versions, as `load` gives it for this installation."""
    lock = ruleset.read_lock(root)
    rules = ruleset.load_ruleset(root)
    if faults := ruleset.working_faults(lock, rules):
        raise RulesetRefused(faults)
    at_hand = rules.release.version

    def released(entry: ruleset.LockEntry) -> Ruleset:
        return ruleset.spoken_today(ruleset.read_released(root, entry), rules)

    readers: dict[str, Callable[[], Ruleset]] = {entry.version: functools.partial(released, entry) for entry in lock}
    unreleased = None if at_hand in readers else at_hand
    readers[at_hand] = lambda: rules
    if current is not None and current not in readers:
        raise RulesetRefused([f"version {current} is to judge, but is not installed: {', '.join(sorted(readers))}"])
    return Rulebook(readers, current or (lock[-1].version if lock else at_hand), unreleased)


def evaluate(request: EvaluationRequest, prepared: Prepared) -> Evaluation:
    """What a senior technician would say about the visit, with the reasons. Never raises for a decoded request."""
    return judge_visit(normalise.normalise(request, prepared.ruleset, prepared.units), prepared)


def reassess(
    request: EvaluationRequest, kept: Evaluation, rulebook: Rulebook, version: str
) -> tuple[Evaluation, EvaluationDifference]:
    """A kept request judged by another installed version, and what lies between that and the kept evaluation.

    Where the version that judged first is at hand as it was, by its digest, it judges once more: what differs then is
    the service's own doing, and only the rest that of the rules.
    """
    other = evaluate(request, rulebook.versions[version])
    rules, other_rules = rulebook.rulesets.get(kept.ruleset_version), rulebook.rulesets[version]
    if rules is None or rules.digest != kept.ruleset_digest:
        return other, compare(kept, None, other, None, other_rules)
    again = other if rules is other_rules else evaluate(request, rulebook.versions[kept.ruleset_version])
    return other, compare(kept, again, other, rules, other_rules)


def judge_visit(visit: Visit, prepared: Prepared) -> Evaluation:
    """The evaluation of a normalised visit."""
    rules = prepared.ruleset
    worked = derive.work_out(visit, rules)
    if visit.earlier:
        earlier = derive.work_out_earlier(visit, rules)
        derive.derive_history(worked, earlier, functools.partial(limit_in_force, prepared))
    opened = [_open(_judge(sheet, prepared), prepared) for sheet in worked.contexts]
    whole_house, told = None, explain.Told()
    if worked.whole_house is not None:
        house = _agreed(_judge(worked.whole_house, prepared), [entry.judged for entry in opened], prepared)
        whole_house, told = _whole_house(house, opened, prepared)
    contexts = tuple(_context(entry, whole_house, told) for entry in opened)
    parts: tuple[Conclusions, ...] = contexts if whole_house is None else (whole_house, *contexts)
    cited = [source for part in parts for finding in part.findings for source in finding.sources]
    cited += [v.source for part in parts for v in part.verdicts if v.source is not None]
    return Evaluation(
        ruleset_version=rules.release.version,
        ruleset_digest=rules.digest,
        whole_house=whole_house,
        contexts=contexts,
        cautions=explain.cautions_of(rules, parts),
        sources=explain.sources_of(rules, cited),
        set_aside=visit.set_aside,
        visited_at=visit.visited_at,
        site_reference=visit.site_reference,
        job_reference=visit.job_reference,
        equipment_reference=visit.equipment.reference,
        service_version=SERVICE_VERSION,
    )


def limit_in_force(prepared: Prepared, sheet: derive.Worksheet, criterion: str) -> float | None:
    """Upper limit in force of a criterion in a context, the client's own where it gave one."""
    return limits_in_force(prepared, sheet, criterion)[1]


def limits_in_force(prepared: Prepared, sheet: derive.Worksheet, criterion: str) -> tuple[float | None, float | None]:
    """Lower and upper limit in force of a criterion in a context, the client's own where it gave them."""
    visit = sheet.visit
    override = next((entry for entry in visit.overrides if entry.criterion == criterion), None)
    on = None if visit.visited_at is None else visit.visited_at.date()
    found = prepared.bench.limits(criterion, sheet.observations, visit.equipment.ratings, override, on)
    return found.lower, found.upper


def follow(
    visits: Sequence[tuple[UUID, datetime.datetime, EvaluationRequest]], asked: Asked, prepared: Prepared
) -> FollowedTrend:
    """A quantity of one equipment over its visits, each worked out anew by one version of the rules.

    Earlier visits that a request brought along are left aside: a visit counts once, where it was kept itself.

    Parameters
    ----------
    visits : id, when it took place, and request, in any order
    """
    rules = prepared.ruleset
    followed = []
    for evaluation_id, at, request in sorted(visits, key=lambda entry: entry[1]):
        alone = msgspec.structs.replace(request, earlier_visits=[])
        visit = normalise.normalise(alone, rules, prepared.units)
        followed.append(derive.Followed(evaluation_id, at, visit, derive.work_out(visit, rules)))
    criteria = [
        criterion.id
        for criterion in rules.criteria.values()
        if criterion.quantity == asked.quantity
        and (criterion.report if asked.criterion is None else criterion.id == asked.criterion)
    ]
    found = derive.follow(followed, asked, criteria, functools.partial(limits_in_force, prepared))
    if asked.criterion is None or criteria:
        return found
    none = Forecast(criterion=asked.criterion, outcome="no_limit", reason="of_another_quantity")
    return msgspec.structs.replace(found, forecasts=(none,))


FIXES_OF: Mapping[str, tuple[str, ...]] = {
    "filter_replaced": ("clean_filter", "filter_of_usual_face_velocity", "filter_of_usual_share"),
    "filter_cleaned": ("clean_filter",),
    "coil_cleaned": ("clean_coil", "coil_free_of_ice"),
    "coil_replaced": ("clean_coil", "coil_of_usual_share"),
    "ducts_sealed": ("supply_ducts_sealed", "return_ducts_sealed"),
    "duct_enlarged": ("duct_runs_sized", "return_side_to_usual_part", "supply_side_to_usual_part"),
    "duct_added": ("return_side_to_usual_part", "supply_side_to_usual_part"),
    "dampers_opened": ("open_damper",),
    "blower_cleaned": ("blower_at_its_table",),
    "blower_replaced": ("blower_at_its_table",),
    "belt_adjusted": ("blower_at_its_table",),
    "speed_setting_changed": ("setting_for_design_airflow", "setting_for_rise"),
}
"""Kind of work -> the fixes that it may have been, the likeliest first; one of them counts as done."""
AIRFLOW_JUDGED = {"airflow_to_design": 1, "airflow_per_capacity": 1, "temperature_rise": -1}
"""Quantities whose verdicts tell which way the airflow ought to go; -1 where they fall as it rises."""


def compare_visits(before: EvaluationRequest, after: EvaluationRequest, prepared: Prepared) -> VisitComparison:
    """Two visits to one equipment, each worked out and judged anew by one version of the rules, by its own readings:
    earlier visits that a request brought along are left aside.

    Never raises for decoded requests. That the one took place before the other is for the caller to see to.
    """
    return judge_and_compare(before, after, prepared).comparison


def judge_and_compare(before: EvaluationRequest, after: EvaluationRequest, prepared: Prepared) -> JudgedComparison:
    """As `compare_visits`, with the evaluations that it rests on."""
    rules = prepared.ruleset
    visits = [
        normalise.normalise(msgspec.structs.replace(request, earlier_visits=[]), rules, prepared.units)
        for request in (before, after)
    ]
    worked = [derive.work_out(visit, rules) for visit in visits]
    judged = [judge_visit(visit, prepared) for visit in visits]
    work = derive.work_of(visits[0], visits[1])
    pairs, only_before, only_after = derive.pair_contexts(*worked)
    parts = [_parts_by_sheet(entry, evaluation) for entry, evaluation in zip(worked, judged, strict=True)]
    sides = [{key: Side(found, rules) for key, found in part.items()} for part in parts]
    apart = [pair for pair in pairs if pair.after.whole_house]
    setting = "speed_setting_changed" in work
    rows = [derive.compare_quantities(p, [] if p.after.whole_house else apart, setting) for p in pairs]
    towards: dict[int, int] = {}
    for place, pair in enumerate(pairs):
        if way := _airflow_ought(sides[0][id(pair.before)]):
            towards[place] = way
    confidence = rules.assumptions["proof_confidence"].value
    proofs = derive.prove(
        work, [(pair, row.quantities) for pair, row in zip(pairs, rows, strict=True)], towards, confidence
    )
    meant = {entry.name: 1 if entry.meant == "rise" else -1 for proof in proofs for entry in proof.deciding}
    contexts = []
    for pair, row in zip(pairs, rows, strict=True):
        one, other = sides[0][id(pair.before)], sides[1][id(pair.after)]
        quantities = with_turns(row.quantities, one, other, meant)
        gains, achieved = _projected_and_achieved(pair, parts[0][id(pair.before)], row, work, one, rules)
        contexts.append(
            ContextComparison(
                state_before=pair.before.state,
                state_after=pair.after.state,
                area=pair.after.area,
                whole_house=pair.after.whole_house,
                quantities=quantities,
                not_compared=row.not_compared,
                findings=fates(one, other),
                reference_density=row.density,
                reference_airflow=row.flow,
                airflow_method=row.method,
                gains=gains,
                achieved=achieved,
            )
        )
    contexts = _told_once(contexts)
    evidence = {
        finding.code: {rules.criteria[name].quantity for token in finding.evidence
                       if (name := token.rpartition(".")[0]) in rules.criteria}
        for part in judged[1].parts
        for finding in part.findings
    }  # fmt: skip
    cautions = {caution.code: caution for evaluation in reversed(judged) for caution in evaluation.cautions}
    comparison = VisitComparison(
        before_at=visits[0].visited_at,
        after_at=visits[1].visited_at,
        ruleset_version=rules.release.version,
        ruleset_digest=rules.digest,
        contexts=tuple(contexts),
        only_before=tuple(
            AloneContext(state=sheet.state, area=sheet.area, findings=fates(sides[0][id(sheet)], None))
            for sheet in only_before
        ),
        only_after=tuple(
            AloneContext(state=sheet.state, area=sheet.area, findings=fates(None, sides[1][id(sheet)]))
            for sheet in only_after
        ),
        facts_differing=derive.facts_apart(visits[0], visits[1], work),
        work=work,
        verdict=verdict(proofs, contexts, evidence, confidence),
        cautions=tuple(cautions.values()),
    )
    return JudgedComparison(comparison, *judged)


def _parts_by_sheet(worked: derive.WorkedOut, evaluation: Evaluation) -> dict[int, list[Conclusions]]:
    """By identity of a sheet what was concluded there; what is told once for the whole house is a part of each."""
    house = [] if evaluation.whole_house is None else [evaluation.whole_house]
    found: dict[int, list[Conclusions]] = {
        id(sheet): [*house, context] for sheet, context in zip(worked.contexts, evaluation.contexts, strict=True)
    }
    if worked.whole_house is not None:
        found[id(worked.whole_house)] = list(house)
    return found


def _told_once(contexts: Sequence[ContextComparison]) -> list[ContextComparison]:
    """Findings whose fate is the same in the whole house and in a context are told of the whole house alone."""
    told = {finding for context in contexts if context.whole_house for finding in context.findings}
    codes = {finding.code for finding in told}
    found = []
    for context in contexts:
        if not context.whole_house:
            rest = tuple(entry for entry in context.findings if entry not in told)
            context = msgspec.structs.replace(context, findings=rest)
            codes -= {entry.code for entry in rest}
        found.append(context)
    # What a context knows more of is told there, and not of the whole house.
    return [
        msgspec.structs.replace(context, findings=tuple(e for e in context.findings if e.code in codes))
        if context.whole_house
        else context
        for context in found
    ]


def _airflow_ought(side: Side) -> int:
    """Direction that brings the airflow to its limits; nothing where no verdict tells one, or they disagree."""
    ways = {
        AIRFLOW_JUDGED[entry.quantity] * (1 if entry.verdict == "below" else -1)
        for entry in side.verdicts
        if entry.quantity in AIRFLOW_JUDGED and entry.verdict in ("above", "below")
    }
    return ways.pop() if len(ways) == 1 else 0


def _projected_and_achieved(
    pair: derive.Pair,
    parts: Sequence[Conclusions],
    rows: derive.Rows,
    work: Sequence[str],
    before: Side,
    rules: Ruleset,
) -> tuple[tuple[FixGain, ...], tuple[Achieved, ...]]:
    """Gains that the first visit projected, and for those that were done, together, what was measured of them."""
    told = {name: gain for part in parts for name, gain in part.gains.items() if gain.quantities}
    done = list(
        dict.fromkeys(
            name for kind in work if (name := next((f for f in FIXES_OF.get(kind, ()) if f in told), None)) is not None
        )
    )
    gains = tuple(FixGain(fix=name, done=name in done, airflow=gain.airflow) for name, gain in told.items())
    if not done:
        return gains, ()
    limits = {entry.criterion: entry.upper for entry in before.verdicts if entry.upper is not None}
    measured: dict[str, ComparedQuantity] = {}
    for row in rows.quantities:
        if row.basis != "at_equal_flow_and_density":
            measured.setdefault(row.name, row)
    achieved = []
    for entry in projecting.together(derive.air_system(pair.before), done, rules, limits):
        found = measured.get(entry.name)
        if found is None:
            continue
        change = derive.carried_over(entry.change, pair.before.visit, "before", rules)
        apart = derive.difference(found.difference, change)
        agrees = abs(apart.value) <= derive.COVERAGE * apart.uncertainty
        achieved.append(
            Achieved(name=entry.name, projected=change, achieved=found.difference, apart=apart, agrees=agrees)
        )
    return gains, tuple(achieved)


class _Judged(msgspec.Struct, frozen=True):
    """One sheet judged.

    Attributes:
        quantities, lacking: by name, what is known and what is missing.
        verdicts, limitless: by criterion, the verdicts, and the ratings missing for a limit.
        tokens: what the reasoning sees.
    """

    sheet: derive.Worksheet
    quantities: Mapping[str, tuple[Quantity, ...]]
    lacking: Mapping[str, tuple[str, ...]]
    observations: Set[str]
    verdicts: Mapping[str, tuple[Verdict, ...]]
    limitless: Mapping[str, tuple[str, ...]]
    tokens: Set[str]

    def quantity(self, name: str) -> object:
        """All that is said of a quantity; None where it does not apply."""
        if name in self.quantities:
            return self.quantities[name]
        return ("lacking", self.lacking[name]) if name in self.lacking else None

    def verdict(self, criterion: str) -> object:
        """All that is said of a criterion; None where it does not apply."""
        if criterion in self.verdicts:
            return self.verdicts[criterion]
        return ("no limit", self.limitless[criterion]) if criterion in self.limitless else None


class _Opened(msgspec.Struct, frozen=True):
    """A judged sheet with its explanation, not yet put into words; `gains` fills as causes ask for them."""

    judged: _Judged
    explanation: explain.Explanation
    gains: dict[str, Gain]


def _judge(sheet: derive.Worksheet, prepared: Prepared) -> _Judged:
    visit = sheet.visit
    verdicts, limitless = prepared.bench.judge(
        sheet.quantities.values(),
        sheet.lacking,
        sheet.observations,
        visit.equipment.ratings,
        {override.criterion: override for override in visit.overrides},
        None if visit.visited_at is None else visit.visited_at.date(),
    )
    return _Judged(
        sheet=sheet,
        quantities=_grouped(sheet.quantities.values(), lambda quantity: quantity.name),
        lacking=sheet.lacking,
        observations=sheet.observations,
        verdicts=_grouped(verdicts, lambda verdict: verdict.criterion),
        limitless={entry.criterion: entry.missing for entry in limitless},
        tokens={*(verdict.token for verdict in verdicts), *sheet.observations},
    )


T = TypeVar("T")


def _grouped(items: Iterable[T], key: Callable[[T], str]) -> dict[str, tuple[T, ...]]:
    groups: dict[str, list[T]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return {name: tuple(group) for name, group in groups.items()}


def _open(judged: _Judged, prepared: Prepared, others: Sequence[_Judged] = ()) -> _Opened:
    """The explanation of a judged sheet; `others` are the contexts beside the whole house."""
    sheet = judged.sheet
    known = {*judged.quantities, *(name for other in others for name in other.quantities)}
    readings = (*sheet.readings, *(reading for other in others for reading in other.sheet.readings))
    gains: dict[str, Gain] = {}
    verdicts = [verdict for found in judged.verdicts.values() for verdict in found]
    seen = {*judged.observations, *(token for other in others for token in other.observations)}
    explanation = prepared.explainer.read(
        explain.Material(
            verdicts=verdicts,
            observations=judged.observations,
            firings=prepared.reasoner.conclude(judged.tokens),
            lacking=judged.lacking,
            limitless=list(judged.limitless.items()),
            gain=_gains(sheet, prepared.ruleset, verdicts, gains),
            stations=sheet.visit.equipment.station_names,
            taken=frozenset((reading.kind, reading.location) for reading in readings),
            known=frozenset(known),
            elsewhere=frozenset(token for other in others for token in other.tokens),
            equipped=explain.equipped(seen, known),
        )
    )
    return _Opened(judged, explanation, gains)


def _agreed(house: _Judged, others: Sequence[_Judged], prepared: Prepared) -> _Judged:
    """Of what the records of no state say by themselves, what no context says otherwise.

    A quantity or a criterion is kept as a whole or not at all: where one context knows more of it, contexts tell it.
    """

    def agreed(said: Callable[[_Judged, str], object], name: str) -> bool:
        mine, theirs = said(house, name), [said(other, name) for other in others]
        return not theirs or (mine in theirs and all(other is None or other == mine for other in theirs))

    names = {name for name in (*house.quantities, *house.lacking) if agreed(_Judged.quantity, name)}
    criteria = {
        name
        for name in (*house.verdicts, *house.limitless)
        if prepared.ruleset.criteria[name].quantity in names and agreed(_Judged.verdict, name)
    }
    observations = {token for token in house.observations if not others or any(token in o.tokens for o in others)}
    verdicts = {name: found for name, found in house.verdicts.items() if name in criteria}
    return _Judged(
        sheet=house.sheet,
        quantities={name: found for name, found in house.quantities.items() if name in names},
        lacking={name: missing for name, missing in house.lacking.items() if name in names},
        observations=observations,
        verdicts=verdicts,
        limitless={name: missing for name, missing in house.limitless.items() if name in criteria},
        tokens={*(verdict.token for found in verdicts.values() for verdict in found), *observations},
    )


def _whole_house(
    kept: _Judged, opened: Sequence[_Opened], prepared: Prepared
) -> tuple[Conclusions | None, explain.Told]:
    """The part of the whole house, and what the contexts need not repeat.

    Whatever it finds is found by a context as well, on the same evidence; its words rest on nothing that only
    contexts know.
    """
    others = [entry.judged for entry in opened]
    house = _open(kept, prepared, others)
    found_elsewhere = {said for entry in opened for said in entry.explanation.said()}
    only_elsewhere = {name for other in others for name in (*other.quantities, *other.verdicts)}
    only_elsewhere -= {*kept.quantities, *kept.verdicts}
    mine = house.explanation.named_by()
    told = {
        said
        for said, named in mine.items()
        if (not others or said in found_elsewhere) and named.isdisjoint(only_elsewhere)
    }
    explained = house.explanation.result(explain.Told(findings=frozenset(mine.keys() - told)))
    if not (kept.quantities or kept.verdicts or kept.limitless or told):
        return None, explain.Told()
    words = explain.Told(
        findings=frozenset(told),
        criteria=frozenset((*kept.verdicts, *kept.limitless)),
        next_readings={reading.procedure: frozenset(reading.settles) for reading in explained.next_readings},
    )
    return Conclusions(**_parts(house, kept, explained)), words


def _context(entry: _Opened, house: Conclusions | None, told: explain.Told) -> ContextResult:
    judged, sheet = entry.judged, entry.judged.sheet
    stated = frozenset(() if house is None else (quantity.name for quantity in house.quantities))
    # What a record of this very state brings is told here even if the house brings it as well.
    findings = frozenset(said for said in told.findings if sheet.own.isdisjoint(said[1]))
    explained = entry.explanation.result(msgspec.structs.replace(told, findings=findings))
    rest = msgspec.structs.replace(
        judged,
        quantities={name: found for name, found in judged.quantities.items() if name not in stated},
        verdicts={name: found for name, found in judged.verdicts.items() if name not in told.criteria},
    )
    return ContextResult(state=sheet.state, area=sheet.area, **_parts(entry, rest, explained))


def _parts(opened: _Opened, judged: _Judged, explained: explain.Explained) -> dict[str, Any]:
    return {
        "quantities": tuple(quantity for found in judged.quantities.values() for quantity in found),
        "verdicts": tuple(verdict for found in judged.verdicts.values() for verdict in found),
        "observations": tuple(sorted(judged.observations)),
        "findings": explained.findings,
        "causes": explained.causes,
        "not_judged": explained.not_judged,
        "next_readings": explained.next_readings,
        "firings": tuple((firing.rule, firing.conclusion) for firing in opened.explanation.material.firings),
        "gains": opened.gains,
    }


def _gains(
    sheet: derive.Worksheet, rules: Ruleset, verdicts: Sequence[Verdict], told: dict[str, Gain]
) -> Callable[[str], float | None]:
    """Airflow that each fix would add; `told` gathers all that it would bring, once and only where a cause asks."""
    limits = {verdict.criterion: verdict.upper for verdict in verdicts if verdict.upper is not None}

    @functools.cache
    def system() -> AirSystem:
        return derive.air_system(sheet)

    def gain(fix: str) -> float | None:
        if fix not in told:
            told[fix] = projecting.gain(system(), fix, rules, limits)
        return told[fix].airflow

    return gain


def figures(request: EvaluationRequest, prepared: Prepared) -> tuple[ContextFigures, ...]:
    """What can be drawn of a visit, for each context with the blower on. Never raises for a decoded request."""
    rules = prepared.ruleset
    sheets = derive.work_out(normalise.normalise(request, rules, prepared.units), rules).contexts
    return tuple(
        ContextFigures(
            state=sheet.state,
            area=sheet.area,
            path=derive.air_path(sheet),
            blower=projecting.blower_against_system(derive.air_system(sheet), rules),
        )
        for sheet in sheets
        if sheet.blower_on
    )


def project(request: ProjectionRequest, prepared: Prepared) -> Projections:
    """What changes would bring, alone and together. Never raises for a decoded request."""
    rules = prepared.ruleset
    visit = normalise.normalise(request.visit, rules, prepared.units)
    planned = normalise.plan(request, prepared.units)
    set_aside = [*visit.set_aside, *(aside for entry in planned for aside in entry.aside)]
    sheets = derive.work_out(visit, rules).contexts
    if request.state is not UNSET:
        asked = [sheet for sheet in sheets if sheet.state.id == request.state]
        if not asked:
            known = ", ".join(sheet.state.id for sheet in sheets)
            set_aside.append(
                SetAside("#/state", "unknown_state", "The visit has no such state.", f"Name one of: {known}.")
            )
        sheets = asked
    named = [name for entry in planned for name in rules.changes[entry.kind].cautions]
    always = [caution.id for caution in rules.cautions.values() if caution.always]
    return Projections(
        contexts=tuple(projecting.project(derive.air_system(sheet), planned, rules) for sheet in sheets),
        set_aside=tuple(set_aside),
        cautions=tuple(dict.fromkeys([*always, *named])),
    )
