"""What the service knows, as answers: rulesets, rules, vocabulary, procedures."""

from collections.abc import Iterable, Mapping
from typing import TypeVar

import msgspec
from msgspec import UNSET

from service.model.equipped import HEATING_PARTS, Equipped
from service.model.ruleset import (
    Cause,
    Criterion,
    Diagnosis,
    ElementKind,
    Limit,
    Observation,
    Place,
    Procedure,
    Ruleset,
)
from service.model.ruleset import StationName as Station
from service.ruleset.guidance import (
    applies,
    cautions,
    cautions_of_equipment,
    gives,
    guidance,
    has_station,
    locations,
    sources,
)
from service.wire.query import EquipmentQuery, ProcedureQuery
from service.wire.response import (
    ArrangementList,
    ArrangementView,
    CautionView,
    CriterionLimitView,
    CriterionView,
    DimensionList,
    DimensionView,
    EquipmentNote,
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
    WhereView,
)

OPEN_ARRANGEMENT = "custom"
"""The arrangement whose air path the client states, so that nothing is known of it here."""
OFTEN_ADDED = frozenset({"accessory", "zone_damper"})
"""Parts that a usual air path does not have and that are often added to one."""

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
                    station for station, entry in ruleset.stations.items() if has_station(entry, arrangement.air_path)
                ],
            )
            for name, arrangement in ruleset.arrangements.items()
        ]
    )


def equipped(ruleset: Ruleset, query: EquipmentQuery) -> Equipped:
    """What a query says of the equipment. A stated arrangement has its usual parts, and those that are often added."""
    known = None if query.arrangement in (UNSET, OPEN_ARRANGEMENT) else query.arrangement
    heating = frozenset(kind for kind in (query.heating, query.backup_heating) if kind is not UNSET) or None
    parts = {*ruleset.arrangements[known].air_path, *OFTEN_ADDED} if known else set(ruleset.elements)
    if heating:
        warmed = {part for kind, part in HEATING_PARTS.items() if kind in heating}
        parts = (parts - set(HEATING_PARTS.values())) | warmed
    stated = {"coil": query.coil, "zone_damper": query.zone_dampers, "accessory": query.accessory}
    parts = (parts - {part for part, said in stated.items() if said == "no"}) | {
        part for part, said in stated.items() if said == "yes"
    }
    usual = "belt_driven" if known == "belt_driven_unit" else None
    return Equipped(
        arrangement=known,
        blower_kind=usual if query.blower_kind is UNSET else query.blower_kind,
        heating=heating,
        parts=frozenset(parts),
        appliances=False if query.combustion_appliances == "no" and "gas" not in (heating or ()) else None,
    )


def procedure_list(ruleset: Ruleset, query: ProcedureQuery) -> ProcedureList:
    """The procedures that the equipment can have and that are asked for."""
    at_hand = equipped(ruleset, query)
    return ProcedureList(
        items=[
            procedure_view(ruleset, procedure, at_hand, query, _given_or_none(query.station))
            for procedure in ruleset.procedures.values()
            if applies(ruleset, procedure, at_hand) and _asked_for(ruleset, procedure, at_hand, query)
        ],
        cautions=_cautions(ruleset, cautions_of_equipment(ruleset, at_hand)),
    )


def _asked_for(ruleset: Ruleset, procedure: Procedure, at_hand: Equipped, query: ProcedureQuery) -> bool:
    return (
        query.reading_kind in (UNSET, procedure.reading_kind)
        and query.component in (UNSET, procedure.component)
        and (query.quantity is UNSET or query.quantity in gives(ruleset, procedure))
        and (
            query.station is UNSET
            or query.station in locations(ruleset, procedure, at_hand)
            or bool(procedure.elsewhere)
        )
    )


def procedure_view(
    ruleset: Ruleset, procedure: Procedure, at_hand: Equipped, query: EquipmentQuery, station: str | None = None
) -> ProcedureView:
    """One procedure in the words that fit the equipment; at one of its stations only where one is named."""
    spots = locations(ruleset, procedure, at_hand)
    shown = [name for name in spots if station in (None, name)]
    whole = guidance(ruleset, procedure)
    return ProcedureView(
        id=procedure.id,
        title=procedure.title,
        purpose=procedure.purpose,
        reading_kind=procedure.reading_kind,
        station=_given(procedure.station),
        locations=spots,
        elsewhere=procedure.elsewhere or UNSET,
        component=_given(procedure.component),
        in_place_of=_given(procedure.in_place_of),
        gives=gives(ruleset, procedure),
        where=[*_where_in_general(ruleset, procedure, at_hand), *(_where(ruleset, n, at_hand, query) for n in shown)],
        probe=whole.probe,
        isolate_first=whole.isolate_first,
        steps=whole.steps,
        settled_when=whole.settled_when,
        close_up=whole.close_up,
        mistakes=whole.mistakes,
        cautions=_cautions(ruleset, cautions(ruleset, procedure, at_hand, shown)),
        sources=[source_view(ruleset, key) for key in sources(ruleset, procedure)],
    )


def _where_in_general(ruleset: Ruleset, procedure: Procedure, at_hand: Equipped) -> list[WhereView]:
    if not procedure.where:
        return []
    return [_chosen(procedure.where, procedure.where_on, at_hand)]


def _where(ruleset: Ruleset, name: str, at_hand: Equipped, query: EquipmentQuery) -> WhereView:
    access = ruleset.access[name]
    chosen = _chosen(access.where, access.on, at_hand)
    spot = ruleset.stations.get(name) or ruleset.places[name]
    positions = [
        EquipmentNote(text=text, position=position)
        for position, text in access.by_position.items()
        if query.position in (UNSET, position)
    ]
    return msgspec.structs.replace(
        chosen,
        location=name,
        title=spot.title,
        keep_clear=access.keep_clear,
        on_equipment=[*chosen.on_equipment, *positions],
    )


def _chosen(general: str, on: Mapping[str, str], at_hand: Equipped) -> WhereView:
    """The words for the arrangement; where none is stated, those for any with those for each."""
    if at_hand.arrangement is not None:
        return WhereView(text=on.get(at_hand.arrangement, general))
    return WhereView(
        text=general, on_equipment=[EquipmentNote(text=text, arrangement=name) for name, text in on.items()]
    )


def _cautions(ruleset: Ruleset, names: Iterable[str]) -> list[CautionView]:
    return [
        CautionView(code=entry.id, title=entry.title, text=entry.text, rests_on=entry.rests_on, checked=entry.checked)
        for entry in (ruleset.cautions[name] for name in names)
    ]


def _given_or_none(value: Given | msgspec.UnsetType) -> Given | None:
    return None if value is UNSET else value
