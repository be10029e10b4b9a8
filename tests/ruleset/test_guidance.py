"""Whether a beginner is told everything: every reading, at every station, with all its parts and its cautions."""

from __future__ import annotations

import re
from typing import Any, Literal, get_args, get_origin, get_type_hints

import pytest

from service.model.equipped import Equipped
from service.model.ruleset import BlowerKind, Procedure
from service.ruleset import load_ruleset, rules_folder
from service.ruleset.guidance import applies, cautions, cautions_of_equipment, gives, guidance, locations
from service.wire.catalogue import equipped, procedure_list
from service.wire.query import EquipmentQuery, ProcedureQuery
from service.wire.request import AnyReading, Blower, Equipment

RULESET = load_ruleset(rules_folder())
READINGS = {reading.__struct_config__.tag: reading for reading in get_args(AnyReading)}
ARRANGEMENTS = list(RULESET.arrangements)
OF_AIR = ("dry_bulb_temperature", "wet_bulb_temperature", "relative_humidity", "dew_point_temperature",
          "carbon_monoxide", "combustible_gas", "zone_pressure", "station_pressure")  # fmt: skip
AT_STATIONS = ("static_pressure", "pressure_difference", "airflow", "velocity_traverse", *OF_AIR)
SIX = {"furnace_with_cased_coil", "air_handler_with_internal_coil", "packaged_unit", "ducted_metric_unit",
       "belt_driven_unit", "custom"}  # fmt: skip


def covering(kind: str, spot: str, at_hand: Equipped) -> list[str]:
    """Procedures that tell how to take a reading of this kind at this station or place."""
    return [
        procedure.id
        for procedure in RULESET.procedures.values()
        if procedure.reading_kind == kind
        and applies(RULESET, procedure, at_hand)
        and (spot in locations(RULESET, procedure, at_hand) or procedure.elsewhere)
    ]


def literals(kind: Any) -> set[str]:
    """Values of a literal type, alone or as a member of a union."""
    if get_origin(kind) is Literal:
        return set(get_args(kind))
    return {value for member in get_args(kind) for value in literals(member)}


def test_the_kinds_of_equipment_are_those_of_the_contract() -> None:
    assert set(RULESET.arrangements) == SIX == literals(get_type_hints(Equipment)["arrangement"])
    assert literals(BlowerKind) == literals(get_type_hints(Blower)["kind"])


@pytest.mark.parametrize("kind", READINGS)
def test_every_kind_of_reading_has_a_procedure(kind: str) -> None:
    assert [procedure.id for procedure in RULESET.procedures.values() if procedure.reading_kind == kind]


@pytest.mark.parametrize("kind", AT_STATIONS)
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_every_kind_of_reading_has_one_at_every_station_of_the_arrangement(kind: str, arrangement: str) -> None:
    at_hand = equipped(RULESET, EquipmentQuery(arrangement=arrangement))
    path = set(RULESET.arrangements[arrangement].air_path)
    stations = [n for n, station in RULESET.stations.items() if path & {*station.before, *station.after}]
    assert len(stations) >= 7
    assert [station for station in stations if not covering(kind, station, at_hand)] == []


@pytest.mark.parametrize("kind", OF_AIR)
def test_every_reading_of_air_has_one_at_every_place(kind: str) -> None:
    assert [place for place in RULESET.places if not covering(kind, place, Equipped())] == []


def test_the_kinds_read_at_stations_are_those_that_name_one() -> None:
    """So that a new reading with a location cannot pass by."""
    named = {"station", "input_station", "location", "zone", "place"}
    located = {
        kind
        for kind, reading in READINGS.items()
        if named & set(reading.__struct_fields__) and not literals(get_type_hints(reading).get("location"))
    }
    assert located == set(AT_STATIONS)


@pytest.mark.parametrize("kind", ["electric_power", "voltage", "current"])
def test_every_component_has_one(kind: str) -> None:
    wanted = literals(get_type_hints(READINGS[kind])["component"])
    assert wanted == {p.component for p in RULESET.procedures.values() if p.reading_kind == kind}


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_every_part_is_told_on_every_arrangement(arrangement: str) -> None:
    query = ProcedureQuery(arrangement=arrangement)
    at_hand = equipped(RULESET, query)
    shown = procedure_list(RULESET, query).items
    assert [view.id for view in shown] == [p.id for p in RULESET.procedures.values() if applies(RULESET, p, at_hand)]
    assert len(shown) > 50
    for view in shown:
        assert view.purpose
        assert view.where or view.elsewhere
        assert all(part.text for part in view.where)
        for part in (view.probe, view.isolate_first, view.steps, view.close_up, view.mistakes):
            assert part
            assert all(sentence.strip().endswith((".", "!")) for sentence in part)
        assert view.settled_when
        assert view.sources


def test_the_port_is_told_for_the_arrangement() -> None:
    def told(arrangement: str) -> str:
        query = ProcedureQuery(arrangement=arrangement, reading_kind="static_pressure", station="coil_inlet")
        (view,) = procedure_list(RULESET, query).items
        assert view.id == "static_pressure_coil_inlet"
        (where,) = view.where
        assert where.location == "coil_inlet"
        return where.text

    texts = {arrangement: told(arrangement) for arrangement in ARRANGEMENTS}
    assert "between furnace and coil case" in texts["furnace_with_cased_coil"]
    assert "below the drain pan" in texts["air_handler_with_internal_coil"]
    assert texts["custom"] == RULESET.access["coil_inlet"].where
    assert len(set(texts.values())) == len(texts)


@pytest.mark.parametrize("position", ["upflow", "downflow", "horizontal"])
def test_the_port_is_told_for_the_way_the_air_goes(position: Any) -> None:
    query = ProcedureQuery(
        arrangement="furnace_with_cased_coil", position=position, reading_kind="static_pressure", station="coil_inlet"
    )
    (view,) = procedure_list(RULESET, query).items
    assert [note.text for note in view.where[0].on_equipment] == [RULESET.access["coil_inlet"].by_position[position]]


def listed(**query: Any) -> set[str]:
    return {view.id for view in procedure_list(RULESET, ProcedureQuery(**query)).items}


@pytest.mark.parametrize(
    ("stated", "there", "gone"),
    [
        ({}, set(RULESET.procedures), set()),
        ({"heating": "gas"}, {"gas_meter"}, {"electric_heater_power", "water_coil", "water_temperatures"}),
        (
            {"heating": "electric"},
            {"electric_heater_power", "electric_heater_current"},
            {"gas_meter", "water_coil", "pressure_difference_heat_exchanger", "static_pressure_heat_exchanger_outlet"},
        ),
        ({"heating": "hydronic"}, {"water_coil", "water_temperatures"}, {"gas_meter", "electric_heater_voltage"}),
        (
            {"heating": "heat_pump", "backup_heating": "electric"},
            {"electric_heater_power"},
            {"gas_meter", "water_coil"},
        ),
        ({"blower_kind": "permanent_split_capacitor"}, {"run_capacitor"}, {"rotational_speed"}),
        ({"blower_kind": "belt_driven"}, {"rotational_speed"}, {"run_capacitor"}),
        ({"arrangement": "belt_driven_unit"}, {"rotational_speed"}, {"run_capacitor"}),
        (
            {"arrangement": "ducted_metric_unit"},
            {"static_pressure_supply_plenum", "pressure_difference_filter"},
            {"pressure_difference_heat_exchanger", "static_pressure_heat_exchanger_outlet"},
        ),
        ({"zone_dampers": "no"}, {"pressure_difference_coil"}, {"pressure_difference_zone_damper"}),
        ({"accessory": "no"}, {"pressure_difference_zone_damper"}, {"pressure_difference_accessory"}),
        (
            {"arrangement": "furnace_with_cased_coil", "coil": "no"},
            {"static_pressure_supply_plenum", "static_pressure_heat_exchanger_outlet"},
            {"pressure_difference_coil", "static_pressure_coil_inlet", "static_pressure_coil_outlet"},
        ),
        (
            {"heating": "heat_pump", "combustion_appliances": "no"},
            {"carbon_monoxide_indoors"},
            {"spillage_look", "draft_reading", "flue_carbon_monoxide", "zone_pressure_combustion_zone"},
        ),
        # A gas furnace is a fuel-burning appliance itself.
        ({"heating": "gas", "combustion_appliances": "no"}, {"spillage_look", "flue_carbon_monoxide"}, set()),
    ],
)
def test_only_what_the_equipment_can_have(stated: dict[str, Any], there: set[str], gone: set[str]) -> None:
    found = listed(**stated)
    assert there <= found
    assert not gone & found


def test_another_way_of_a_reading_gives_the_same() -> None:
    hood = RULESET.procedures["airflow_by_hood"]
    assert gives(RULESET, hood) == RULESET.procedures["airflow_reading"].gives
    assert {"airflow_reading", "airflow_by_hood"} <= listed(quantity="airflow_measured")


def test_a_technique_comes_first_and_the_reading_says_when_it_is_settled() -> None:
    procedure = RULESET.procedures["dry_bulb_supply"]
    whole, technique = guidance(RULESET, procedure), RULESET.techniques["air_thermometer"]
    assert whole.steps == [*technique.steps, *procedure.steps]
    assert whole.settled_when == procedure.settled_when != technique.settled_when


# Cautions -------------------------------------------------------------------------------------------------------

WORDS_TO_CAUTIONS = {
    r"\bdrill about\b": "drilling_test_holes",
    r"\bclamp (around|closes)|terminals\b.*\bread": "live_electrical_measurement",
    r"\btest fan\b": "pressure_test_hazards",
    r"\bburner on for five minutes\b|\blight the burner\b": "combustion_spillage",
    r"\bsheave\b": "belts_and_sheaves",
    r"\bpilots? (relit|is relit)|relight them\b": "relighting_pilots",
}
"""What a procedure says and the caution that must then go with it."""
NOTHING_MADE = re.compile(r"nothing is (drilled|opened)", re.IGNORECASE)


def whole_text(procedure: Procedure) -> str:
    whole = guidance(RULESET, procedure)
    return " ".join([procedure.where, *whole.probe, *whole.isolate_first, *whole.steps, *whole.close_up]).lower()


@pytest.mark.parametrize("procedure", RULESET.procedures.values(), ids=lambda procedure: procedure.id)
def test_what_a_procedure_asks_for_brings_its_caution(procedure: Procedure) -> None:
    text = whole_text(procedure)
    named = cautions(RULESET, procedure, Equipped(), locations(RULESET, procedure, Equipped()))
    for pattern, caution in WORDS_TO_CAUTIONS.items():
        if caution == "drilling_test_holes" and NOTHING_MADE.search(text):
            continue
        if caution == "relighting_pilots" and procedure.technique == "pressure_between_spaces":
            continue  # it says who relights, and its burners are off for minutes
        if re.search(pattern, text):
            assert caution in named, (caution, pattern)


def at(procedure: str, station: str, **stated: Any) -> set[str]:
    query = ProcedureQuery(station=station, **stated)
    (view,) = [view for view in procedure_list(RULESET, query).items if view.id == procedure]
    return {caution.code for caution in view.cautions}


def test_what_lies_behind_the_wall_depends_on_the_arrangement() -> None:
    furnace, handler = "furnace_with_cased_coil", "air_handler_with_internal_coil"
    inlet = "static_pressure_coil_inlet"
    assert {"drilling_near_coil", "drilling_near_heat_exchanger"} <= at(inlet, "coil_inlet", arrangement=furnace)
    assert "drilling_near_heat_exchanger" not in at(inlet, "coil_inlet", arrangement=handler)
    blower = "static_pressure_blower_inlet"
    assert "drilling_near_coil" in at(blower, "blower_inlet", arrangement=handler)
    assert "drilling_near_coil" not in at(blower, "blower_inlet", arrangement=furnace)
    assert {"turning_blower", "boards_and_wiring"} <= at(blower, "blower_inlet", arrangement=furnace)
    assert "belts_and_sheaves" in at(blower, "blower_inlet", arrangement="belt_driven_unit")


EVERY = {"energised_and_moving_parts"}
GAS = {"combustion_spillage", "gas_smell", "gas_burner_adjustment", "limits_never_bypassed"}
BROUGHT: list[tuple[dict[str, Any], set[str], set[str]]] = [
    (
        {"arrangement": "furnace_with_cased_coil", "heating": "gas", "blower_kind": "constant_torque"},
        {*EVERY, *GAS, "capacitor_charge", "refrigerant"},
        {"hot_water", "roof_and_outdoor_cabinet", "belts_and_sheaves"},
    ),
    (
        {"arrangement": "air_handler_with_internal_coil", "heating": "heat_pump", "backup_heating": "electric"},
        {*EVERY, "limits_never_bypassed", "hot_surfaces", "refrigerant"},
        {"combustion_spillage", "gas_smell", "gas_burner_adjustment", "hot_water"},
    ),
    (
        {"arrangement": "packaged_unit", "heating": "gas"},
        {*EVERY, *GAS, "roof_and_outdoor_cabinet", "refrigerant"},
        {"hot_water"},
    ),
    (
        {"arrangement": "ducted_metric_unit", "heating": "heat_pump", "accessory": "no"},
        {*EVERY, "refrigerant"},
        {*GAS, "hot_surfaces", "roof_and_outdoor_cabinet", "high_voltage_air_cleaner", "ultraviolet_lamp"},
    ),
    (
        {"arrangement": "belt_driven_unit", "heating": "gas"},
        {*EVERY, *GAS, "belts_and_sheaves", "roof_and_outdoor_cabinet"},
        {"capacitor_charge"},
    ),
    (
        {"arrangement": "air_handler_with_internal_coil", "heating": "hydronic", "coil": "no"},
        {*EVERY, "hot_water"},
        {*GAS, "refrigerant"},
    ),
    ({"accessory": "yes"}, {"high_voltage_air_cleaner", "ultraviolet_lamp"}, set()),
    # What is not stated may be there.
    ({}, {*EVERY, *GAS, "capacitor_charge", "refrigerant", "hot_water", "belts_and_sheaves"}, set()),
]


@pytest.mark.parametrize(("stated", "there", "absent"), BROUGHT)
def test_equipment_brings_its_cautions(stated: dict[str, Any], there: set[str], absent: set[str]) -> None:
    found = set(cautions_of_equipment(RULESET, equipped(RULESET, EquipmentQuery(**stated))))
    assert there <= found
    assert not absent & found
    assert {view.code for view in procedure_list(RULESET, ProcedureQuery(**stated)).cautions} == found


def test_the_list_of_cautions_is_whole() -> None:
    """The hazards of the work, as the trade and the rules for it know them; each says what it rests on."""
    assert {
        "energised_and_moving_parts", "turning_blower", "live_electrical_measurement", "capacitor_charge",
        "belts_and_sheaves", "boards_and_wiring", "drilling_test_holes", "drilling_near_coil",
        "drilling_near_heat_exchanger", "refrigerant", "old_insulation", "attic_heat", "attic_and_ladder",
        "crawl_space", "roof_and_outdoor_cabinet", "combustion_spillage", "combustion_products", "gas_smell",
        "gas_burner_adjustment", "relighting_pilots", "limits_never_bypassed", "pressure_test_hazards",
        "combustion_air_after_sealing", "hot_surfaces", "hot_water", "high_voltage_air_cleaner", "ultraviolet_lamp",
        "cleaning_coil_or_wheel", "data_is_advisory",
    } <= set(RULESET.cautions)  # fmt: skip
    assert all(entry.text and entry.rests_on and entry.sources for entry in RULESET.cautions.values())


def test_a_caution_from_memory_says_so_where_it_is_shown() -> None:
    shown = procedure_list(RULESET, ProcedureQuery()).items
    told = {caution.code: caution.checked for view in shown for caution in view.cautions}
    assert told["energised_and_moving_parts"] == "read"
    assert told["belts_and_sheaves"] == "remembered"
    assert told["drilling_test_holes"] == "practice"
