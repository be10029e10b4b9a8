"""Hidden faults of house, ducts to outside, zones with burners, and garage. Everything is invented."""

from __future__ import annotations

from dataclasses import replace

from tests.faults.hidden import HiddenFault, house_visit
from tests.visits.house_air import (
    ALL,
    EXHAUSTING,
    FURNACE,
    RESTING,
    WATER_HEATER,
    Dwelling,
    Request,
    Running,
    _between,
    _reading,
    _test_of_zone,
)

TEST = Running("test")
_SOUND = Dwelling("house_sound_1600_m", elevation=1600.0, readings=ALL)
_STRONG_HOOD = (("bath fan", 30.0, True), ("range hood", 480.0, False))


def _draft(value: float, spills: bool, seconds: float = 300.0) -> tuple[Request, ...]:
    """Draft at the water heater and whether flue gas still comes out, with the exhaust fans on."""
    return (
        _reading("draft_pressure", value, "Pa", state="exhausting", appliance="water-heater-1"),
        {
            "kind": "spillage", "state": "exhausting", "appliance": "water-heater-1", "spills": spills,
            "seconds_after_lighting": seconds,
        },
    )  # fmt: skip


FAULTS: tuple[HiddenFault, ...] = (
    HiddenFault(
        "supply_leaks_outside_1600_m", "Supply ducts leak into the attic", "supply_ducts_leak_outside",
        house_visit(
            replace(_SOUND, supply_leak=235.0, return_leak=10.0, duct_total=340.0, duct_outside=270.0)
        ),
        named_as=("supply_ducts_leak",),
    ),
    HiddenFault(
        "return_leaks_outside_sea_level", "Return ducts leak in a hot attic", "return_ducts_leak_outside",
        house_visit(
            replace(
                _SOUND, elevation=0.0, supply_leak=10.0, return_leak=235.0, duct_total=330.0, duct_outside=280.0,
                attic=46.0, attic_in_return=0.22, outdoor=30.0, indoor=25.0,
            )
        ),
        named_as=("return_ducts_leak",),
    ),
    HiddenFault(
        "return_draws_attic_sea_level", "Return draws air of a hot attic, ducts not tested",
        "return_ducts_leak_outside",
        house_visit(
            replace(
                _SOUND, elevation=0.0, supply_leak=10.0, return_leak=200.0, attic=52.0, attic_in_return=0.24,
                outdoor=31.0, indoor=25.0, readings=("house", "flow"),
            )
        ),
        named_as=("return_ducts_leak",),
    ),
    HiddenFault(
        "return_draws_garage_1600_m", "Return draws air of the garage", "return_ducts_leak",
        house_visit(
            replace(
                _SOUND, garage_return_leak=110.0, attic=-2.0, attic_in_return=0.20, outdoor=-4.0, supply_leak=60.0,
                readings=("house", "garage", "flow", "ducts"),
            )
        ),
        also=("cabinet_leaks", "return_ducts_leak_outside"),
        because="return duct and cabinet leak the same air into the same stream",
    ),
    HiddenFault(
        "room_closed_off_1600_m", "Closed room without a way back for its air", "doors_cut_off_return",
        house_visit(replace(_SOUND, room_gap=0.010, room_supply=280.0, room_share=0.3)),
        named_as=("room_without_return_path",),
    ),
    HiddenFault(
        "hood_depressurises_sea_level", "Range hood pulls down the zone of a water heater",
        "exhaust_without_replacement",
        house_visit(
            replace(
                _SOUND, elevation=0.0, envelope=800.0, outdoor=19.0, exhausts=_STRONG_HOOD,
                readings=("house", "zone", "envelope", "fans"), states=(RESTING, EXHAUSTING),
                appliances=(WATER_HEATER,),
            )
        ),
        hazards=frozenset({"natural_draft_in_negative_zone"}),
    ),
    HiddenFault(
        "hood_depressurises_spilling_1600_m", "Range hood reverses the vent of a water heater",
        "exhaust_without_replacement",
        house_visit(
            replace(
                _SOUND, envelope=700.0, outdoor=15.0, exhausts=_STRONG_HOOD,
                readings=("house", "zone", "envelope", "fans"), states=(RESTING, EXHAUSTING),
                appliances=(WATER_HEATER,), extra=_draft(3.0, True),
            )
        ),
        hazards=frozenset({"natural_draft_in_negative_zone", "flue_gas_spills", "vent_draft_reversed"}),
    ),
    HiddenFault(
        "vent_blocked_sea_level", "Vent of a water heater blocked", "vent_blocked",
        house_visit(
            replace(
                _SOUND, elevation=0.0, outdoor=44.0, indoor=25.0, storey_height=18.0, envelope=2600.0,
                exhausts=(("bath fan", 15.0, True),),
                readings=("zone",), states=(RESTING, EXHAUSTING), appliances=(WATER_HEATER,), extra=_draft(2.5, True),
            )
        ),
        hazards=frozenset({"flue_gas_spills", "vent_draft_reversed"}),
    ),
    HiddenFault(
        "flame_bad_1600_m", "Furnace flame burns badly", "flame_burns_badly",
        house_visit(
            replace(
                _SOUND, outdoor=18.0, readings=(), states=(RESTING,), appliances=(FURNACE,),
                extra=(
                    _reading(
                        "flue_carbon_monoxide", 900.0, "[ppm]", state="resting", appliance="furnace-1",
                        basis="air_free",
                    ),
                ),
            )
        ),
        hazards=frozenset({"flue_carbon_monoxide_high"}),
    ),
    HiddenFault(
        "vehicle_in_garage_1600_m", "A vehicle ran in the attached garage", "vehicle_in_garage",
        house_visit(
            replace(
                _SOUND, garage_to_house=700.0, garage_to_outside=900.0, readings=("house", "garage"),
                supply_leak=120.0, extra=(_reading("carbon_monoxide", 160.0, "[ppm]", location="garage"),),
            )
        ),
        hazards=frozenset({"carbon_monoxide_beside_house"}),
    ),
    HiddenFault(
        "gas_leak_sea_level", "Gas leaks at a fitting", "gas_leak",
        house_visit(
            replace(
                _SOUND, elevation=0.0, readings=(), states=(RESTING,), appliances=(FURNACE,),
                extra=(_reading("combustible_gas", 30.0, "%", location="combustion_zone"),),
            )
        ),
        hazards=frozenset({"combustible_gas_leave_now"}),
    ),
    HiddenFault(
        "garage_joined_1600_m", "Garage and house joined by leaks", "garage_leaks_to_house",
        house_visit(
            replace(
                _SOUND, garage_to_house=700.0, garage_to_outside=900.0, readings=("envelope",), states=(TEST,),
                extra=(_test_of_zone("garage", 50.0, _between(700.0, 900.0, 0.65, 50.0))),
            )
        ),
    ),
    HiddenFault(
        "envelope_open_sea_level", "Large openings between house and attic", "envelope_openings",
        house_visit(
            replace(
                _SOUND, elevation=0.0, envelope=4800.0, readings=("envelope", "house"), states=(RESTING, TEST),
                extra=(_test_of_zone("attic", 50.0, _between(1900.0, 1500.0, 0.65, 50.0))),
            )
        ),
        also=("attic_leaks_to_house",), because="the attic's leaks are the large openings",
    ),
)  # fmt: skip
