"""Hidden faults of filter, coil, ducts, blower and heat. Everything is invented."""

from __future__ import annotations

from dataclasses import replace

from tests.faults.hidden import HiddenFault, equipment_visit, performance, run_capacitor, runs_of_duct, wheel_speed
from tests.visits.duct_faults import run
from tests.visits.heat_and_flow import (
    CROWDED,
    EVEN,
    gas_meter,
    heat_pump,
    not_derated,
    registers,
    three_lines,
    traverse,
)
from tests.visits.house import BTU_PER_HOUR, TON, Cooling, ElectricHeat, Faults, House
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.resistance_faults import _filter_of, _longer

FURNACE = ("static:return_plenum", "static:filter_outlet", "static:heat_exchanger_outlet", "static:supply_plenum")
INTERNAL_COIL = ("static:return_plenum", "static:filter_outlet", "static:coil_outlet", "static:supply_plenum")
BOX = ("static:return_plenum", "static:supply_plenum", "difference:filter_inlet>filter_outlet")
FLOW = ("airflow:filter_inlet", "power:blower")
RETURN_AIR = ("dry_bulb:return_plenum", "wet_bulb:return_plenum")
AIR = (*RETURN_AIR, "dry_bulb:supply_plenum", "wet_bulb:supply_plenum")
RISE = ("dry_bulb:return_plenum", "dry_bulb:supply_plenum")
FURNACE_COOLING = (*FURNACE, *FLOW, *AIR)
FURNACE_HEATING = (*FURNACE, *FLOW, *RISE)

_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
_PEAK = HOUSES["furnace_2200_m"]
_HELD = HOUSES["furnace_held_flow_1600_m"]
_TORQUE = HOUSES["furnace_held_torque_sea_level"]
_HANDLER = HOUSES["air_handler_1600_m"]
_HANDLER_SEA = HOUSES["air_handler_sea_level"]
_PACKAGED = HOUSES["packaged_1600_m"]
_PACKAGED_SEA = HOUSES["packaged_sea_level"]
_METRIC = HOUSES["ducted_metric_1600_m"]
_METRIC_HELD = HOUSES["ducted_metric_sea_level"]
_BELT = HOUSES["belt_driven_1600_m"]
_BELT_SEA = HOUSES["belt_driven_sea_level"]


def _settings(house: House, *, small: float) -> House:
    """The house with a cooling unit of this many tons."""
    return replace(house, id=f"{house.id}_small", cooling=Cooling(small * TON, small * TON * 0.95, 0.78))


FAULTS: tuple[HiddenFault, ...] = (
    # filter
    HiddenFault(
        "filter_loaded_psc_1600_m", "Loaded filter, blower of the kind that sags, 1600 m", "filter_loaded_with_dirt",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(filter_loading=7.9)),
    ),
    HiddenFault(
        "filter_loaded_two_states_sea_level", "Loaded filter, read in heating and cooling", "filter_loaded_with_dirt",
        equipment_visit(
            _SEA, (heating("high"), FURNACE_HEATING), (cooling("high"), FURNACE_COOLING),
            faults=Faults(filter_loading=7.0),
        ),
    ),
    HiddenFault(
        "filter_loaded_held_torque_si", "Loaded filter before a blower that holds torque, SI",
        "filter_loaded_with_dirt",
        equipment_visit(
            _HANDLER_SEA, (cooling("tap 3"), (*INTERNAL_COIL, *FLOW, *AIR)), faults=Faults(filter_loading=6.0),
            units="si",
        ),
    ),
    HiddenFault(
        "filter_loaded_masked_1600_m", "Loaded filter masked by a blower that holds the airflow",
        "filter_loaded_with_dirt",
        equipment_visit(_HELD, (cooling("high"), FURNACE_COOLING), faults=Faults(filter_loading=6.5)),
    ),
    HiddenFault(
        "filter_loaded_packaged_si", "Loaded filter inside a packaged unit, SI", "filter_loaded_inside_box",
        equipment_visit(
            _PACKAGED_SEA, (cooling("high"), (*BOX, *FLOW, *AIR)), faults=Faults(filter_loading=5.0), units="si",
            noted=("filter_dirty",),
        ),
        named_as=("filter_loaded_with_dirt",),
    ),
    HiddenFault(
        "filter_dense_sea_level", "Clean filter of a medium too dense, its face large enough", "filter_too_restrictive",
        equipment_visit(_filter_of(_SEA, 20, 32, 1, 0.38), (cooling("high"), FURNACE_COOLING)),
    ),
    HiddenFault(
        "filter_small_1600_m", "Clean filter with too little face", "filter_area_too_small",
        equipment_visit(_filter_of(_HIGH, 14, 20, 1, 0.42), (cooling("high"), FURNACE_COOLING)),
    ),
    HiddenFault(
        "filter_missing_1600_m", "No filter, coil matted behind the empty frame", "filter_missing_or_bypassed",
        equipment_visit(
            _HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(filter_loading=0.08, coil_fouling=2.8)
        ),
    ),
    # coil
    HiddenFault(
        "coil_fouled_sea_level_si", "Fouled coil above a furnace, SI", "coil_fouled",
        equipment_visit(_SEA, (cooling("high"), FURNACE_COOLING), faults=Faults(coil_fouling=4.0), units="si"),
    ),
    HiddenFault(
        "coil_fouled_inside_1600_m", "Fouled coil inside an air handler that holds the airflow", "coil_fouled",
        equipment_visit(
            _HANDLER, (cooling("tap 3"), (*INTERNAL_COIL, *FLOW, *AIR)), faults=Faults(coil_fouling=3.0),
            noted=("coil_dirty",),
        ),
    ),
    HiddenFault(
        "coil_fouled_heating_2200_m", "Fouled coil, found in heating at 2200 m", "coil_fouled",
        equipment_visit(_PEAK, (heating("high"), FURNACE_HEATING), faults=Faults(coil_fouling=4.5)),
    ),
    # return
    HiddenFault(
        "return_small_2200_m_si", "Return duct too small, measured up, SI", "return_ducts_or_grilles_too_small",
        equipment_visit(
            _PEAK, (cooling("high"), FURNACE_COOLING), faults=Faults(return_undersized=7.0), units="si",
            extras=(runs_of_duct(run("return trunk", "return", 11.0, 25.0, 40.0, 1250.0)),),
        ),
        named_as=("duct_run_undersized",),
    ),
    HiddenFault(
        "return_restricted_1600_m", "Return restricted, ducts not measured up", "return_ducts_or_grilles_too_small",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(return_undersized=7.0)),
        also=("return_path_blocked",), because="a small return and a blocked one give the same pressures",
    ),
    HiddenFault(
        "return_small_packaged_sea_level", "Return of a packaged unit too small", "return_ducts_or_grilles_too_small",
        equipment_visit(_PACKAGED_SEA, (cooling("high"), (*BOX, *FLOW, *AIR)), faults=Faults(return_undersized=4.0)),
        also=("return_path_blocked",), because="a small return and a blocked one give the same pressures",
    ),
    HiddenFault(
        "return_apart_sea_level", "Return duct apart before the place it was read at", "return_duct_apart",
        equipment_visit(_SEA, (cooling("high"), FURNACE_COOLING), faults=Faults(return_disconnected=0.06)),
    ),
    # supply
    HiddenFault(
        "supply_small_sea_level", "Supply trunk too small, measured up", "supply_ducts_or_registers_too_small",
        equipment_visit(
            _SEA, (cooling("high"), FURNACE_COOLING), faults=Faults(supply_restricted=6.5),
            extras=(runs_of_duct(run("supply trunk", "supply", (8.0, 16.0), 30.0, 40.0, 1200.0)),),
        ),
        named_as=("duct_run_undersized",),
    ),
    HiddenFault(
        "supply_restricted_1600_m_si", "Supply restricted, ducts not measured up, SI",
        "supply_ducts_or_registers_too_small",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(supply_restricted=6.5), units="si"),
        also=("registers_or_dampers_closed", "flexible_duct_kinked"),
        because="small ducts, closed registers and kinked ducts give the same pressures in the plenum",
    ),
    HiddenFault(
        "zone_damper_stuck_sea_level", "Zone damper stuck", "zone_damper_closed",
        equipment_visit(
            _longer(_SEA, "zone_damper", "supply_duct", 0.45, 2.0),
            (
                cooling("high"),
                (*FURNACE[:3], "static:before.zone_damper", "static:after.zone_damper", *FLOW, *AIR),
            ),
        ),
    ),
    HiddenFault(
        "accessory_dirty_1600_m", "Accessory after the coil dirty", "accessory_restrictive",
        equipment_visit(
            _longer(_HIGH, "accessory", "supply_duct", 0.55, 1.9),
            (cooling("high"), (*FURNACE, "static:coil_outlet", *FLOW, *AIR)),
        ),
    ),
    HiddenFault(
        "supply_apart_1600_m", "Supply duct apart near the equipment", "supply_duct_apart",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(supply_disconnected=0.05)),
    ),
    HiddenFault(
        "supply_leaks_by_registers_1600_m", "Supply ducts lose air before the registers", "air_lost_before_registers",
        equipment_visit(
            _HIGH, (cooling("high"), FURNACE_COOLING), extras=(registers(0.62, EVEN),),
        ),
        also=("registers_not_counted", "hood_reads_low"),
        because="air lost, a register forgotten and a hood that reads low give the same sum",
    ),
    # blower
    HiddenFault(
        "setting_low_1600_m", "Wired to a lower setting than stated", "setting_lower_than_stated",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(wired_setting="low")),
    ),
    HiddenFault(
        "setting_high_sea_level", "Wired to a higher setting than stated", "setting_higher_than_stated",
        equipment_visit(_SEA, (cooling("low"), FURNACE_COOLING), faults=Faults(wired_setting="high")),
    ),
    HiddenFault(
        "setting_high_held_torque", "Higher setting than stated, blower that holds torque",
        "setting_higher_than_stated",
        equipment_visit(_TORQUE, (cooling("low"), FURNACE_COOLING), faults=Faults(wired_setting="high")),
    ),
    HiddenFault(
        "wheel_dirty_held_torque_sea_level", "Dirty wheel at its full speed", "dirty_blower_wheel",
        equipment_visit(
            _HANDLER_SEA, (cooling("tap 3"), (*INTERNAL_COIL, *FLOW, *AIR)), faults=Faults(wheel_dirt=0.72),
            extras=(wheel_speed(1050.0),),
        ),
    ),
    HiddenFault(
        "capacitor_weak_1600_m", "Weak run capacitor: slow, and its work dear", "run_capacitor_weak",
        equipment_visit(
            _HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(blower_speed=0.74, motor_loss=1.9),
            extras=(wheel_speed(1075.0), run_capacitor(10.0, 6.3)),
        ),
    ),
    HiddenFault(
        "belt_slips_1600_m", "Belt slips", "belt_slips_by_its_speed",
        equipment_visit(
            _BELT, (cooling("sheave as set"), (*BOX, *FLOW, *AIR)), faults=Faults(blower_speed=0.75),
            extras=(wheel_speed(900.0),),
        ),
        named_as=("belt_slipping",), also=("sheave_set_slower", "sheave_set_low"),
        because="a slipping belt and a sheave set for less turn the wheel equally slow",
    ),
    HiddenFault(
        "bearing_drags_sea_level", "Dragging bearing: slow and costly", "bearing_or_wheel_drags",
        equipment_visit(
            _TORQUE, (cooling("high"), FURNACE_COOLING), faults=Faults(blower_speed=0.75, motor_loss=3.4),
        ),
    ),
    HiddenFault(
        "speed_low_sea_level", "Blower on a low setting, as stated", "speed_setting_low",
        equipment_visit(
            replace(_SEA, id="low_as_stated", cooling=Cooling(3.5 * TON, 3.3 * TON, 0.75)),
            (cooling("low"), FURNACE_COOLING),
        ),
    ),
    HiddenFault(
        "speed_high_1600_m", "Blower faster than the cooling unit needs", "blower_speed_too_high",
        equipment_visit(_settings(_HIGH, small=2.0), (cooling("high"), FURNACE_COOLING), omit=("design_airflow",)),
    ),
    # heat
    HiddenFault(
        "over_fired_clocked_sea_level", "Burner over its rating, gas clocked", "gas_manifold_pressure_high",
        equipment_visit(
            _SEA, (heating("high"), FURNACE_HEATING), faults=Faults(gas_input=1.35), extras=(gas_meter,)
        ),
        named_as=("heat_input_above_rating",),
    ),
    HiddenFault(
        "over_fired_1600_m", "Burner over its rating, not clocked", "heat_input_above_rating",
        equipment_visit(_HIGH, (heating("high"), FURNACE_HEATING), faults=Faults(gas_input=1.6)),
    ),
    HiddenFault(
        "under_fired_1600_m_si", "Burner under its rating, not clocked, SI", "heat_input_below_rating",
        equipment_visit(_HIGH, (heating("high"), FURNACE_HEATING), faults=Faults(gas_input=0.5), units="si"),
        also=("furnace_not_in_full_stage",), because="a low stage and a low pressure give the same heat",
    ),
    HiddenFault(
        "under_fired_clocked_1600_m", "Burner under its rating, gas clocked", "gas_manifold_pressure_low",
        equipment_visit(
            _HIGH, (heating("high"), FURNACE_HEATING), faults=Faults(gas_input=0.62), extras=(gas_meter,)
        ),
        also=("gas_furnace_in_low_stage", "gas_orifices_for_higher_elevation", "heat_input_below_rating",
              "furnace_not_in_full_stage"),
        because="low pressure, a low stage and small orifices let equally little gas through",
    ),
    HiddenFault(
        "not_derated_1600_m", "Input not lowered for the elevation, gas clocked", "gas_derating_not_done",
        equipment_visit(_HIGH, (heating("high"), FURNACE_HEATING), extras=(gas_meter, not_derated)),
        also=("rating_was_for_elevation_already",),
        because="a rating already lowered, not said to be, looks the same",
    ),
    HiddenFault(
        "air_much_for_heat_1600_m", "Far more air than the small furnace wants", "too_much_air_for_the_heat",
        equipment_visit(
            replace(_HIGH, id="small_furnace", gas=replace(_HIGH.gas, input=30000 * BTU_PER_HOUR)),
            (heating("high"), FURNACE_HEATING),
        ),
    ),
    HiddenFault(
        "element_out_1600_m", "One of three elements of an electric heater open", "heater_element_or_stage_out",
        equipment_visit(
            replace(_HANDLER, id="handler_three_phase", electric=ElectricHeat(9600.0, 240.0, 3)),
            (heating("tap 3"), (*INTERNAL_COIL, *FLOW, *RISE, "voltage:electric_heater")),
            faults=Faults(electric_heat=0.667), extras=(three_lines(1),),
        ),
    ),
    HiddenFault(
        "heat_pump_weak_1600_m", "Heat pump short of heat with its airflow proven", "heat_pump_refrigerant_side",
        equipment_visit(
            replace(_HANDLER, id="heat_pump", electric=ElectricHeat(3600.0, 240.0)),
            (heating("tap 3"), (*INTERNAL_COIL, *FLOW, "humidity:return_plenum", *RISE)), extras=(heat_pump,),
        ),
        also=("heat_pump_in_defrost_or_low_stage",), because="a low stage gives as little heat as a weak circuit",
    ),
    # cooling
    HiddenFault(
        "refrigerant_short_1600_m", "Refrigerant side short of capacity, airflow proven",
        "refrigerant_side_short_of_capacity",
        equipment_visit(
            _HIGH, (cooling("high"), FURNACE_COOLING), faults=Faults(cooling_capacity=0.55),
            extras=(performance(90.0),),
        ),
        also=("outdoor_unit_short_of_air",), because="both leave the coil short; pressures of the refrigerant tell",
    ),
    HiddenFault(
        "refrigerant_short_handler_sea_level", "Air handler short of capacity, airflow proven",
        "refrigerant_side_short_of_capacity",
        equipment_visit(
            _HANDLER_SEA, (cooling("tap 3"), (*INTERNAL_COIL, *FLOW, *AIR)), faults=Faults(cooling_capacity=0.5),
            extras=(performance(95.0, "gross"),),
        ),
        also=("outdoor_unit_short_of_air",), because="both leave the coil short; pressures of the refrigerant tell",
    ),
    # methods
    HiddenFault(
        "traverse_of_a_branch_sea_level", "Traverse behind a branch, two thirds of the flow", "traverse_of_one_branch",
        equipment_visit(
            _SEA, (cooling("high"), FURNACE_COOLING),
            extras=(traverse(16, 14, "return_plenum", pressure_factor=0.45),),
        ),
    ),
    HiddenFault(
        "traverse_behind_bend_1600_m", "Traverse behind a bend", "traverse_near_a_disturbance",
        equipment_visit(
            _HIGH, (cooling("high"), FURNACE_COOLING), extras=(traverse(16, 14, "return_plenum", shares=CROWDED),),
        ),
    ),
)  # fmt: skip
