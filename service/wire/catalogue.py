"""What the service knows, as answers: rulesets, rules, vocabulary, procedures."""

from collections.abc import Iterable, Mapping
from typing import TypeVar

import msgspec

from service.model.ruleset import Cause, Criterion, Diagnosis, ElementKind, Limit, Observation, Place, Ruleset
from service.model.ruleset import StationName as Station
from service.wire.response import (
    ArrangementList,
    ArrangementView,
    CautionView,
    CriterionLimitView,
    CriterionView,
    DimensionList,
    DimensionView,
    ProcedureList,
    ProcedureView,
    QuantityEntryList,
    QuantityEntryView,
    RuleReference,
    RulesetList,
    RulesetSummary,
    RulesetView,
    RuleView,
    SourceView,
    TermList,
    TermView,
    UnitView,
)

Given = TypeVar("Given")


def ruleset_list(installed: Iterable[Ruleset], current: str, unreleased: str | None) -> RulesetList:
    """Installed versions, as they come."""
    return RulesetList(
        items=[
            RulesetSummary(
                version=ruleset.release.version,
                digest=ruleset.digest,
                released=ruleset.release.released,
                title=ruleset.release.title,
                rules=len(ruleset.diagnoses),
                current=ruleset.release.version == current,
                status="working" if ruleset.release.version == unreleased else "released",
            )
            for ruleset in installed
        ]
    )


def ruleset_view(ruleset: Ruleset, current: str) -> RulesetView:
    """One version with its rules."""
    release = ruleset.release
    return RulesetView(
        version=release.version,
        digest=ruleset.digest,
        released=release.released,
        title=release.title,
        summary=release.summary,
        current=release.version == current,
        rules=[
            RuleReference(id=rule.id, title=rule.title, status=rule.status, severity=rule.severity or msgspec.UNSET)
            for rule in ruleset.diagnoses.values()
        ],
    )


def rule_view(ruleset: Ruleset, rule: Diagnosis) -> RuleView:
    """One rule with the criteria it reads and the sources that it and they rest on."""
    criteria = [
        ruleset.criteria[name]
        for name in dict.fromkeys(token.rpartition(".")[0] for token in rule.when)
        if name in ruleset.criteria
    ]
    cited = dict.fromkeys([*rule.sources, *(limit.source for criterion in criteria for limit in criterion.limit)])
    return RuleView(
        id=rule.id,
        title=rule.title,
        status=rule.status,
        since=rule.since,
        when=rule.when,
        concludes=rule.conclusion,
        criteria=[criterion_view(criterion) for criterion in criteria],
        sources=[source_view(ruleset, key) for key in cited],
        severity=rule.severity or msgspec.UNSET,
        summary=rule.summary or msgspec.UNSET,
        why_it_matters=rule.why_it_matters or msgspec.UNSET,
        what_to_do=rule.what_to_do or msgspec.UNSET,
        causes=rule.causes,
        next_readings=rule.next_readings,
        cautions=rule.cautions,
        known_false_alarms=rule.known_false_alarms,
    )


def criterion_view(criterion: Criterion) -> CriterionView:
    """A criterion with its limits as they stand in the rules."""
    return CriterionView(
        id=criterion.id,
        title=criterion.title,
        quantity=criterion.quantity,
        decision_rule=criterion.decision_rule,
        confidence=criterion.confidence,
        limits=[limit_view(limit) for limit in criterion.limit],
    )


def limit_view(limit: Limit) -> CriterionLimitView:
    """A limit as it stands in the rules."""
    return CriterionLimitView(
        source=limit.source,
        locator=limit.locator,
        checked=limit.checked,
        unit=_given(limit.unit),
        lower=_given(limit.lower),
        upper=_given(limit.upper),
        lower_rating=_given(limit.lower_rating),
        upper_rating=_given(limit.upper_rating),
        lower_factor=limit.lower_factor,
        upper_factor=limit.upper_factor,
        when=limit.when,
        from_date=_given(limit.from_date),
        until_date=_given(limit.until_date),
    )


def _given(value: Given | None) -> Given | msgspec.UnsetType:
    return msgspec.UNSET if value is None else value


def source_view(ruleset: Ruleset, key: str) -> SourceView:
    """A source as cited."""
    source = ruleset.sources[key]
    return SourceView(
        key=key,
        title=source.title,
        kind=source.kind,
        publisher=source.publisher,
        edition=source.edition,
        checked=source.checked,
    )


def dimension_list(ruleset: Ruleset) -> DimensionList:
    """Every kind of number with the units accepted for it."""
    return DimensionList(
        items=[
            DimensionView(
                name=name,
                meaning=dimension.meaning,
                display_ip=dimension.display["ip"],
                display_si=dimension.display["si"],
                units=[
                    UnitView(code=unit.code, symbol=unit.symbol, spellings=unit.spellings) for unit in dimension.unit
                ],
            )
            for name, dimension in ruleset.dimensions.items()
        ]
    )


def quantity_list(ruleset: Ruleset) -> QuantityEntryList:
    """Every derived quantity."""
    return QuantityEntryList(
        items=[
            QuantityEntryView(
                name=name,
                title=entry.title,
                dimension=entry.dimension,
                meaning=entry.meaning,
                method=entry.method,
                plausible_unit=entry.plausible.unit,
                plausible_low=_given(entry.plausible.low),
                plausible_high=_given(entry.plausible.high),
                sources=entry.sources,
                needs=entry.needs,
            )
            for name, entry in ruleset.quantities.items()
        ]
    )


def term_list(terms: Mapping[str, Station | Place | ElementKind | Observation]) -> TermList:
    """Names with titles and meanings."""
    return TermList(items=[TermView(name=name, title=term.title, meaning=term.meaning) for name, term in terms.items()])


def cause_list(causes: Mapping[str, Cause]) -> TermList:
    """Causes, each with the remedy as its meaning."""
    return TermList(
        items=[TermView(name=name, title=cause.title, meaning=cause.remedy) for name, cause in causes.items()]
    )


def arrangement_list(ruleset: Ruleset) -> ArrangementList:
    """Default air paths and rating boundaries, and the stations that each path has."""
    return ArrangementList(
        items=[
            ArrangementView(
                name=name,
                title=arrangement.title,
                meaning=arrangement.meaning,
                air_path=arrangement.air_path,
                inside=arrangement.inside,
                stations=[
                    station for station, entry in ruleset.stations.items() if _lies_in(entry, arrangement.air_path)
                ],
            )
            for name, arrangement in ruleset.arrangements.items()
        ]
    )


def _lies_in(station: Station, path: list[str]) -> bool:
    return bool(set(path) & {*station.after, *station.before})


def procedure_list(ruleset: Ruleset) -> ProcedureList:
    """How to take each reading."""
    return ProcedureList(
        items=[
            ProcedureView(
                id=name,
                title=procedure.title,
                reading_kind=procedure.reading_kind,
                gives=procedure.gives,
                steps=procedure.steps,
                settled_when=procedure.settled_when,
                cautions=[
                    CautionView(code=code, text=caution.text, rests_on=caution.rests_on)
                    for code in procedure.cautions
                    for caution in [ruleset.cautions[code]]
                ],
                station=_given(procedure.station),
            )
            for name, procedure in ruleset.procedures.items()
        ]
    )
