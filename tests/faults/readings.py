"""Hidden faults of instruments, and mistakes between instrument and tablet. Everything is invented."""

from __future__ import annotations

from tests.faults.equipment import BOX, FURNACE, FURNACE_COOLING, FURNACE_HEATING
from tests.faults.hidden import HiddenFault, equipment_visit
from tests.visits.airflow_faults import (
    all_signs_turned,
    drifting,
    factor_on,
    stations_exchanged,
    swinging,
    unit_taken_for,
)
from tests.visits.instrument_faults import DIFFERENCES, read_again
from tests.visits.library import HOUSES, cooling, heating
from tests.visits.mistakes import (
    bulbs_swapped,
    celsius_typed_as_fahrenheit,
    pascals_typed_as_inches,
    power_in_wrong_unit,
    sea_level_barometer,
    sign_dropped,
    zero_offset_unnoticed,
)

_SEA = HOUSES["furnace_sea_level"]
_HIGH = HOUSES["furnace_1600_m"]
_PACKAGED = HOUSES["packaged_1600_m"]
_BAROMETER = (*FURNACE_COOLING, "barometer")

FAULTS: tuple[HiddenFault, ...] = (
    HiddenFault(
        "hoses_swapped_1600_m", "Hoses on the wrong ports throughout", "hoses_swapped",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)), mistakes=(all_signs_turned,),
    ),
    HiddenFault(
        "signs_dropped_sea_level", "Return pressures without their sign", "sign_lost",
        equipment_visit(_SEA, (cooling("high"), FURNACE_COOLING)), mistakes=(sign_dropped,),
    ),
    HiddenFault(
        "stations_exchanged_sea_level", "Pressures before and after the coil exchanged", "stations_mixed_up",
        equipment_visit(_SEA, (cooling("high"), FURNACE_COOLING)),
        mistakes=(stations_exchanged("heat_exchanger_outlet", "supply_plenum"),),
    ),
    HiddenFault(
        "pascals_as_inches_1600_m", "Pascals entered as inches of water", "pressure_unit_mixed_up",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)), mistakes=(pascals_typed_as_inches,),
    ),
    HiddenFault(
        "inches_as_pascals_sea_level", "Inches of water entered as pascals", "pressure_unit_mixed_up",
        equipment_visit(_SEA, (cooling("high"), FURNACE_COOLING)),
        mistakes=(unit_taken_for("static_pressure", None, "Pa"),),
    ),
    HiddenFault(
        "gauge_not_zeroed_1600_m", "Gauge not zeroed, differences read beside static pressures", "gauge_not_zeroed",
        equipment_visit(_HIGH, (cooling("high"), (*FURNACE_COOLING, *DIFFERENCES))),
        mistakes=(lambda request: zero_offset_unnoticed(request, 0.04),),
    ),
    HiddenFault(
        "gauges_disagree_1600_m", "Second gauge shows more at one station", "gauge_off",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)),
        mistakes=(read_again("static_pressure", "supply_plenum", 0.04),),
        also=("gauge_not_zeroed",), because="one station tells no zero from a scale",
    ),
    HiddenFault(
        "thermometers_disagree_sea_level", "Second thermometer shows more in the supply", "thermometer_off",
        equipment_visit(_SEA, (heating("high"), FURNACE_HEATING)),
        mistakes=(read_again("dry_bulb_temperature", "supply_plenum", 6.0),),
        also=("stream_not_mixed",), because="an unmixed stream shows two temperatures as well",
    ),
    HiddenFault(
        "sea_level_barometer_1600_m", "Sea-level pressure typed as the site's", "altimeter_setting_entered",
        equipment_visit(_HIGH, (cooling("high"), _BAROMETER)), mistakes=(sea_level_barometer,),
    ),
    HiddenFault(
        "supply_celsius_as_fahrenheit_1600_m", "Supply air in degC entered as degF", "temperature_unit_mixed_up",
        equipment_visit(_HIGH, (heating("high"), FURNACE_HEATING)),
        mistakes=(lambda request: celsius_typed_as_fahrenheit(request, "supply_plenum"),),
    ),
    HiddenFault(
        "return_bulbs_swapped_1600_m", "Wet and dry bulb of the return exchanged", "bulbs_swapped",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)),
        mistakes=(lambda request: bulbs_swapped(request, "return_plenum"),),
    ),
    HiddenFault(
        "power_in_kilowatts_1600_m", "Watts entered as kilowatts", "power_unit_mixed_up",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)),
        mistakes=(lambda request: power_in_wrong_unit(request, "kW"),),
    ),
    HiddenFault(
        "airflow_in_wrong_unit_1600_m", "Cubic feet a minute entered as cubic metres a second",
        "airflow_unit_mixed_up",
        equipment_visit(_PACKAGED, (cooling("high"), (*BOX, "airflow:filter_inlet", "dry_bulb:return_plenum"))),
        mistakes=(unit_taken_for("airflow", None, "m3/s"),),
    ),
    HiddenFault(
        "airflow_reading_short_1600_m", "Grid passes by part of the flow, other methods agree", "airflow_reading_off",
        equipment_visit(_HIGH, (heating("high"), FURNACE_HEATING)), mistakes=(factor_on("airflow", None, 0.6),),
    ),
    HiddenFault(
        "supply_air_still_warming_1600_m", "Supply air read while it still rose", "read_too_early",
        equipment_visit(_HIGH, (heating("high"), (*FURNACE, "airflow:filter_inlet", "dry_bulb:return_plenum",
                                                  "dry_bulb:supply_plenum"))),
        mistakes=(drifting("dry_bulb_temperature", "supply_plenum", 0.6),),
    ),
    HiddenFault(
        "supply_static_in_turbulence_1600_m", "Probe in the blower's wake", "probe_in_turbulence",
        equipment_visit(_HIGH, (cooling("high"), FURNACE_COOLING)),
        mistakes=(swinging("static_pressure", "supply_plenum", 0.08),),
        also=("wind_at_reference_port",), because="a gust at the open port swings the gauge as well",
    ),
)  # fmt: skip
