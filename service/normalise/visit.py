"""One request into one `Visit`: SI values with error terms, canonical stations, one state and area per reading.

What cannot be used is set aside with its pointer and a remedy; everything else is still judged.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import Any

from msgspec import UNSET, UnsetType

from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.units import UnitTable
from service.model.visit import (
    AMBIENT,
    BlowerPoint,
    BlowerTable,
    Equipment,
    LimitOverride,
    Noted,
    PressureDropRating,
    Reading,
    SetAside,
    State,
    Visit,
    Work,
)
from service.normalise.accuracy import READING_DIMENSIONS, Instruments, error_terms
from service.normalise.history import with_earlier
from service.normalise.house import COUNTED, HouseReadings
from service.normalise.path import OUTLET, AirPath
from service.normalise.steadiness import settle
from service.physics.air import STANDARD_AIR_DENSITY
from service.wire import request as wire

STATELESS_KINDS = frozenset(
    {
        "station_pressure",
        "duct_leakage",
        "envelope_leakage",
        "ventilation_airflow",
        "spillage",
        "draft_pressure",
        "flue_carbon_monoxide",
        "capacitance",
    }
)
"""Kinds that belong to the whole house and hold in every state unless they name one."""
YEARS = (1970, 2200)
"""Years the record can hold; a visit dated outside them is taken as undated."""


def normalise(request: wire.EvaluationRequest, ruleset: Ruleset, units: UnitTable) -> Visit:
    """The visit behind a request, with the earlier visits it brings. Never raises for a request that decoded."""
    visit = _Normaliser(request, ruleset, units).visit()
    if not request.earlier_visits:
        return visit
    return with_earlier(visit, [_Normaliser(entry, ruleset, units).visit() for entry in request.earlier_visits])


def _method(entry: wire.AnyReading) -> str | None:
    """How a flow was taken, on which basis a flue gas was read, which way a fan moves air and whether always."""
    if isinstance(entry, wire.AirflowReading):
        return entry.method
    if isinstance(entry, wire.FlueCarbonMonoxideReading):
        return entry.basis
    if isinstance(entry, wire.VentilationAirflowReading):
        return f"{entry.direction}.{entry.duty}"
    return None


class _Normaliser:
    def __init__(self, request: wire.EvaluationRequest | wire.EarlierVisit, ruleset: Ruleset, units: UnitTable) -> None:
        self.request = request
        self.ruleset = ruleset
        self.units = units
        self.set_aside: list[SetAside] = []
        self.path = AirPath(request.equipment, ruleset)
        self.instruments = Instruments(
            request.instruments, ruleset, units, None if request.visited_at is UNSET else request.visited_at.date()
        )
        self.states = self._states()
        self.house = HouseReadings(self, request.appliances)

    def visit(self) -> Visit:
        request = self.request
        numbers = [
            reading
            for index, entry in enumerate(request.readings)
            if (reading := self._reading(index, entry)) is not None
        ]
        readings = (*numbers, *self.house.spillages)
        equipment = self._equipment()
        site = request.site
        elevation = None
        if site is not UNSET and site.elevation is not UNSET:
            metres = self.si("length", site.elevation, "#/site/elevation")
            elevation = None if metres is None else Measured(metres)
        visited_at = None
        if request.visited_at is not UNSET:
            if YEARS[0] <= request.visited_at.year <= YEARS[1]:
                visited_at = request.visited_at
            else:
                self.aside(
                    "#/visited_at",
                    "date_implausible",
                    "The visit is dated outside the years the record holds; it was judged as undated.",
                    f"Give a date from {YEARS[0]} to {YEARS[1]}.",
                )
        overrides = tuple(
            override
            for index, entry in enumerate(request.limit_overrides)
            if (override := self._override(index, entry)) is not None
        )
        used = {reading.instrument for reading in readings}
        return Visit(
            equipment=equipment,
            states=tuple(self.states.values()),
            readings=readings,
            traverses=tuple(self.house.traverses),
            leakage_tests=tuple(self.house.leakage_tests),
            gas_clocks=tuple(self.house.gas_clocks),
            appliances=self.house.appliances,
            noted=tuple(self._noted()),
            weather=self.house.weather(request.weather, visited_at),
            site=self.house.site(request.site),
            energy=self.house.energy(request.energy_use),
            instruments=tuple(use for key, use in self.instruments.uses.items() if key in used),
            elevation=elevation,
            visited_at=visited_at,
            site_reference=None if site is UNSET or site.reference is UNSET else site.reference,
            job_reference=None if request.job_reference is UNSET else request.job_reference,
            overrides=overrides,
            work=self._work(visited_at),
            set_aside=(*self.path.set_aside, *self.instruments.set_aside, *self.set_aside),
        )

    # States ----------------------------------------------------------------------------------------------------

    def _states(self) -> dict[str, State]:
        states: dict[str, State] = {}
        for index, entry in enumerate(self.request.states):
            if entry.id in states:
                self.aside(
                    f"#/states/{index}/id", "id_taken", "Another state has this id.", "Give each an id of its own."
                )
                continue
            states[entry.id] = State(
                id=entry.id,
                mode=None if entry.mode is UNSET else entry.mode,
                speed_setting=None if entry.speed_setting is UNSET else entry.speed_setting,
                blower=entry.blower,
                exhaust_fans=None if entry.exhaust_fans is UNSET else entry.exhaust_fans,
                interior_doors=None if entry.interior_doors is UNSET else entry.interior_doors,
                coil_surface=None if entry.coil_surface is UNSET else entry.coil_surface,
                zones_calling=tuple(entry.zones_calling),
                label=None if entry.label is UNSET else entry.label,
            )
        if not states:
            named = [reading.state for reading in self.request.readings if reading.state is not UNSET]
            for name in named:
                states.setdefault(name, State(id=name))
        if not states:
            states["unspecified"] = State(id="unspecified", invented=True)
        return states

    def state_of(self, entry: wire.AnyReading, kind: str, location: str | None, pointer: str) -> str | UnsetType | None:
        """State id, None where the reading holds in every state, UNSET where it cannot be placed."""
        if entry.state is not UNSET:
            if entry.state in self.states:
                return entry.state
            self.aside(
                f"{pointer}/state",
                "unknown_state",
                "The reading names an operating state that the visit does not declare.",
                f"Declare it under states, or use one of: {', '.join(self.states)}.",
            )
            return UNSET
        if kind in STATELESS_KINDS or (location in self.ruleset.places and kind != "zone_pressure"):
            return None
        if len(self.states) == 1:
            return next(iter(self.states))
        self.aside(
            f"{pointer}/state",
            "state_missing",
            "The visit has several operating states and this reading does not say in which it was taken.",
            f"Name one of: {', '.join(self.states)}.",
        )
        return UNSET

    def _noted(self) -> Iterator[Noted]:
        """What was noted, in its state; set aside where it names a state that the visit has not."""
        for index, entry in enumerate(self.request.noted):
            state = None if entry.state is UNSET else entry.state
            if state is not None and state not in self.states:
                self.aside(
                    f"#/noted/{index}/state",
                    "unknown_state",
                    "The note names an operating state that the visit does not declare.",
                    f"Declare it under states, or use one of: {', '.join(self.states)}.",
                )
                continue
            yield Noted(entry.what, state, None if entry.area is UNSET else entry.area)

    # Readings --------------------------------------------------------------------------------------------------

    def _reading(self, index: int, entry: wire.AnyReading) -> Reading | None:
        pointer, key = f"#/readings/{index}", f"reading.{index}"
        if isinstance(entry, COUNTED):
            self.house.take(entry, key, pointer)
            return None
        kind = str(entry.__struct_config__.tag)
        dimension = READING_DIMENSIONS[kind]
        value = self.si(dimension, entry.value, f"{pointer}/value")
        located = self._located(entry, pointer)
        if value is None or located is None:
            return None
        location, low = located
        state = self.state_of(entry, kind, location, pointer)
        if isinstance(state, UnsetType):
            return None
        accuracy = self.instruments.accuracy(entry, kind, pointer, self.units.to_si(dimension, 0.0, entry.value.unit))
        orientation = -1.0 if isinstance(entry, wire.StaticPressureReading) and entry.probe_port == "reference" else 1.0
        instrument = self.source_of(entry, key, pointer)
        use = None if entry.instrument is UNSET else self.instruments.uses.get(entry.instrument)
        steadiness = None
        repeatability: dict[str, float] = {}
        if entry.samples is not UNSET:
            stated = value
            series = [self.units.to_si(dimension, sample, entry.value.unit) for sample in entry.samples.values]
            settled = settle(series, entry.samples.interval_seconds, dimension, accuracy, self.ruleset.assumptions, key)
            value, steadiness, repeatability = settled.value, settled.steadiness, settled.terms
            slack = max(accuracy.limit(stated), accuracy.resolution)
            if not min(series) - slack <= stated <= max(series) + slack:
                self.aside(
                    f"{pointer}/value",
                    "value_not_of_series",
                    "The value lies outside its own samples; the mean of the samples was taken instead.",
                    "Send the mean of the samples as the value, in the same unit.",
                )
        if not self.instruments.in_range(entry, kind, value, f"{pointer}/value"):
            return None
        gauge = dimension == "gauge_pressure"
        if gauge and use is not None and use.zero_offset is not None and not use.offset_corrected:
            value -= orientation * use.zero_offset
        unchecked = gauge and (use is None or not use.zero_checked)
        terms = error_terms(value, accuracy, instrument, key, orientation, unchecked)
        if isinstance(entry, wire.AirflowReading) and entry.method == "other" and accuracy.limit(value) == 0.0:
            terms[f"{key}.method"] = value * self.ruleset.assumptions["default_airflow_share"].uncertainty
        terms.update(repeatability)
        return Reading(
            key=key,
            pointer=pointer,
            kind=kind,
            measured=Measured(value, terms),
            location=location,
            low=low,
            state=state,
            area=None if entry.area is UNSET else entry.area,
            basis=entry.basis if isinstance(entry, wire.AirflowReading | wire.RegisterAirflowReading) else None,
            method=_method(entry),
            instrument=None if use is None else use.id,
            taken_at=None if entry.taken_at is UNSET else entry.taken_at,
            note=None if entry.note is UNSET else entry.note,
            steadiness=steadiness,
            orientation=orientation,
            **self._of_house(entry, pointer),
        )

    def source_of(self, entry: wire.AnyReading, key: str, pointer: str) -> str:
        """Name of the error source that readings of one instrument share: a reading alone, where none is declared."""
        if entry.instrument is UNSET:
            return key
        if entry.instrument in self.instruments.uses:
            return f"instrument.{entry.instrument}"
        self.aside(
            f"{pointer}/instrument",
            "unknown_instrument",
            "The reading names an instrument that the visit does not declare; its accuracy was assumed.",
            "Declare it under instruments.",
        )
        return key

    def _of_house(self, entry: wire.AnyReading, pointer: str) -> dict[str, Any]:
        """Room, side and design flow of a register; room of a zone pressure; height of a barometer."""
        if isinstance(entry, wire.RegisterAirflowReading):
            design = None
            if entry.design_airflow is not UNSET:
                flow = self.si("volume_flow", entry.design_airflow, f"{pointer}/design_airflow")
                if flow is not None and flow > 0.0:
                    design = Measured(flow)
                elif flow is not None:
                    self.aside(
                        f"{pointer}/design_airflow", "not_positive", "A design flow must be above zero.", "Correct it."
                    )
            return {"room": entry.room, "side": entry.side, "design": design}
        if isinstance(entry, wire.ZonePressureReading):
            return {} if entry.room is UNSET else {"room": entry.room}
        if isinstance(entry, wire.StationPressureReading) and entry.height is not UNSET:
            height = self.si("length", entry.height, f"{pointer}/height")
            return {} if height is None else {"height": Measured(height)}
        return {}

    def _located(self, entry: wire.AnyReading, pointer: str) -> tuple[str | None, str | None] | None:
        """Canonical location and low-side station; None where a name means nothing on this air path."""
        if isinstance(entry, wire.StaticPressureReading):
            station = self.station_of(entry.station, f"{pointer}/station")
            return None if station is None else (station, None)
        if isinstance(entry, wire.PressureDifferenceReading):
            high = self.station_of(entry.input_station, f"{pointer}/input_station")
            low = self.station_of(entry.reference_station, f"{pointer}/reference_station")
            if high is None or low is None:
                return None
            if high == low:
                self.aside(
                    pointer,
                    "same_station",
                    "Both ends of the pressure difference are the same station.",
                    "Name two different stations.",
                )
                return None
            return high, low
        if isinstance(entry, wire.ElectricPowerReading | wire.VoltageReading | wire.CurrentReading):
            return entry.component, None
        if isinstance(entry, wire.StationPressureReading):
            if entry.place is UNSET:
                return None, None
            return (entry.place, None) if self._place(entry.place, f"{pointer}/place") else None
        if isinstance(entry, wire.ZonePressureReading):
            zone = self._place(entry.zone, f"{pointer}/zone")
            reference = self._place(entry.reference, f"{pointer}/reference")
            if zone and reference and entry.zone == entry.reference and entry.room is UNSET:
                self.aside(pointer, "same_zone", "A zone has no pressure against itself.", "Name two zones.")
                return None
            return (entry.zone, entry.reference) if zone and reference else None
        if isinstance(entry, wire.DraftPressureReading | wire.FlueCarbonMonoxideReading):
            known = self.house.known_appliance(entry.appliance, f"{pointer}/appliance")
            return (entry.appliance, None) if known else None
        if isinstance(entry, wire.WaterTemperatureReading):
            return f"water.{entry.location}", None
        if isinstance(entry, wire.RotationalSpeedReading | wire.CapacitanceReading):
            return "blower", None
        if isinstance(entry, wire.WaterFlowReading):
            return "water", None
        if isinstance(entry, wire.VentilationAirflowReading):
            return entry.fan, None
        if isinstance(entry, wire.RegisterAirflowReading):
            return entry.room, None
        assert not isinstance(entry, COUNTED)
        if entry.location in self.ruleset.places:
            return entry.location, None
        station = self.path.station(entry.location)
        if station is None:
            self._unknown_location(entry.location, f"{pointer}/location")
            return None
        if station == OUTLET:
            self.aside(
                f"{pointer}/location",
                "open_end",
                "This is where the air path ends; air there is mixing with the room's.",
                "Name a station between two elements, such as supply_register; add to the air path what follows.",
            )
            return None
        return station, None

    def station_of(self, name: str, pointer: str) -> str | None:
        station = self.path.station(name)
        if station is None:
            self._unknown_location(name, pointer)
        elif station in (AMBIENT, OUTLET):
            self.aside(
                pointer,
                "open_end",
                "This is the open end of the air path, where static pressure is the reference itself.",
                "Name a station between two elements; add to the air path what is missing of it.",
            )
            return None
        return station

    def _place(self, name: str, pointer: str) -> bool:
        if name in self.ruleset.places:
            return True
        places = ", ".join(self.ruleset.places)
        self.aside(pointer, "unknown_location", "There is no such place.", f"Places are: {places}.")
        return False

    def _unknown_location(self, name: str, pointer: str) -> None:
        self.aside(pointer, "unknown_location", "The air path has no such station or place.", self.path.remedy(name))

    # Equipment -------------------------------------------------------------------------------------------------

    def _equipment(self) -> Equipment:
        equipment = self.request.equipment
        ratings = self._ratings(equipment)
        blower = equipment.blower
        filter_, coil = equipment.filter, equipment.coil
        return Equipment(
            arrangement=equipment.arrangement,
            path=self.path.elements,
            inside=self.path.inside,
            boundary_assumed=self.path.boundary_assumed,
            reference=None if equipment.reference is UNSET else equipment.reference,
            label=None if equipment.label is UNSET else equipment.label,
            blower_kind=None if blower is UNSET or blower.kind is UNSET else blower.kind,
            filter_kind=None if filter_ is UNSET or filter_.kind is UNSET else filter_.kind,
            tables=() if blower is UNSET else self._tables(blower),
            ratings=ratings,
            filter_rating=None if filter_ is UNSET else self._drop(filter_.rated, "#/equipment/filter/rated"),
            coil_rating_wet=None if coil is UNSET else self._drop(coil.rated_wet, "#/equipment/coil/rated_wet"),
            coil_rating_dry=None if coil is UNSET else self._drop(coil.rated_dry, "#/equipment/coil/rated_dry"),
            performance=self.house.performance(equipment.cooling_performance),
            performance_is_gross=equipment.cooling_performance is not UNSET
            and equipment.cooling_performance.capacity_is == "gross",
            duct_runs=self.house.duct_runs(equipment.duct_runs),
            input_is_derated=equipment.gas_heat is not UNSET and equipment.gas_heat.input_is_derated,
            station_names=self.path.station_names(),
            zones=tuple(equipment.zones),
        )

    def _ratings(self, equipment: wire.Equipment) -> dict[str, Measured]:
        ratings: dict[str, Measured] = {}

        def rate(name: str, dimension: str, measure: object, pointer: str, tolerance: str | None = None) -> None:
            if measure is UNSET:
                return
            value = self.si(dimension, measure, pointer)
            if value is None:
                return
            if value <= 0.0:
                self.aside(
                    pointer, "rating_not_positive", "A rating must be above zero; it was left out.", "Correct it."
                )
                return
            share = 0.0 if tolerance is None else self.ruleset.assumptions[tolerance].uncertainty
            ratings[name] = Measured(value, {f"rating.{name}": value * share} if share else {})

        base = "#/equipment"
        rate(
            "maximum_external_static_pressure",
            "gauge_pressure",
            equipment.rated_maximum_external_static_pressure,
            f"{base}/rated_maximum_external_static_pressure",
        )
        rate(
            "nominal_cooling_capacity",
            "heat_rate",
            equipment.nominal_cooling_capacity,
            f"{base}/nominal_cooling_capacity",
        )
        rate("design_airflow", "volume_flow", equipment.design_airflow, f"{base}/design_airflow")
        gas = equipment.gas_heat
        if gas is not UNSET:
            rate("gas_input", "heat_rate", gas.input, f"{base}/gas_heat/input", "tolerance_gas_input")
            rate(
                "steady_state_efficiency",
                "ratio",
                gas.steady_state_efficiency,
                f"{base}/gas_heat/steady_state_efficiency",
                "tolerance_steady_state_efficiency",
            )
            low, high = gas.temperature_rise_minimum, gas.temperature_rise_maximum
            rate("temperature_rise_minimum", "temperature_difference", low, f"{base}/gas_heat/temperature_rise_minimum")
            rate(
                "temperature_rise_maximum", "temperature_difference", high, f"{base}/gas_heat/temperature_rise_maximum"
            )
            if (
                "temperature_rise_minimum" in ratings
                and "temperature_rise_maximum" in ratings
                and ratings["temperature_rise_minimum"].value >= ratings["temperature_rise_maximum"].value
            ):
                del ratings["temperature_rise_minimum"], ratings["temperature_rise_maximum"]
                self.aside(
                    f"{base}/gas_heat",
                    "range_reversed",
                    "The least rated temperature rise is not below the greatest; the range was left out.",
                    "Read both ends off the rating plate again.",
                )
            limit = gas.outlet_air_maximum
            rate("outlet_air_maximum", "temperature", limit, f"{base}/gas_heat/outlet_air_maximum")
            if "steady_state_efficiency" in ratings and ratings["steady_state_efficiency"].value > 1.0:
                del ratings["steady_state_efficiency"]
                self.aside(
                    f"{base}/gas_heat/steady_state_efficiency",
                    "efficiency_above_one",
                    "An efficiency above 100 % is not possible; it was left out.",
                    "Give it as a share (0.80) with unit 1, or as a percentage (80) with unit %.",
                )
        heat = equipment.electric_heat
        if heat is not UNSET:
            ratings["electric_heat_phases"] = Measured(float(heat.phases))
            rate("electric_heat_power", "electric_power", heat.rated_power, f"{base}/electric_heat/rated_power")
        blower = equipment.blower
        if blower is not UNSET:
            ratings["blower_phases"] = Measured(float(blower.phases))
            rate("blower_table_speed", "rotational_speed", blower.table_speed, f"{base}/blower/table_speed")
            rate("run_capacitance", "capacitance", blower.run_capacitance, f"{base}/blower/run_capacitance")
            if blower.power_factor is not UNSET:
                if blower.power_factor > 0.0:
                    ratings["blower_power_factor"] = Measured(blower.power_factor)
                else:
                    self.aside(
                        f"{base}/blower/power_factor",
                        "rating_not_positive",
                        "A power factor must be above zero; it was left out.",
                        "Give it as a share, such as 0.82.",
                    )
        filter_ = equipment.filter
        if filter_ is not UNSET and filter_.width is not UNSET and filter_.height is not UNSET:
            width = self.si("length", filter_.width, f"{base}/filter/width")
            height = self.si("length", filter_.height, f"{base}/filter/height")
            if width is not None and height is not None:
                if width > 0.0 and height > 0.0:
                    ratings["filter_face_area"] = Measured(width * height * filter_.count)
                else:
                    self.aside(
                        f"{base}/filter",
                        "size_not_positive",
                        "A filter's sides must be above zero.",
                        "Correct its size.",
                    )
        return ratings

    def _drop(self, drop: wire.PressureDrop | UnsetType, pointer: str) -> PressureDropRating | None:
        if drop is UNSET:
            return None
        pressure = self.si("gauge_pressure", drop.pressure_drop, f"{pointer}/pressure_drop")
        flow = self.si("volume_flow", drop.airflow, f"{pointer}/airflow")
        density: float | None = STANDARD_AIR_DENSITY
        if drop.air_density is not UNSET:
            density = self.si("density", drop.air_density, f"{pointer}/air_density")
        if pressure is None or flow is None or density is None:
            return None
        if min(pressure, flow, density) <= 0.0:
            self.aside(
                pointer,
                "rating_not_positive",
                "A rated pressure drop needs positive numbers; it was left out.",
                "Correct it.",
            )
            return None
        return PressureDropRating(pressure, flow, density)

    def _tables(self, blower: wire.Blower) -> tuple[BlowerTable, ...]:
        density: float | None = STANDARD_AIR_DENSITY
        if blower.table_air_density is not UNSET:
            density = self.si("density", blower.table_air_density, "#/equipment/blower/table_air_density")
        if density is None or density <= 0.0:
            if density is not None:
                self.aside(
                    "#/equipment/blower/table_air_density",
                    "rating_not_positive",
                    "The density of the blower table must be above zero; the table was left out.",
                    "Correct it, or leave it out for standard air.",
                )
            return ()
        tables: dict[str, BlowerTable] = {}
        for index, setting in enumerate(blower.settings):
            pointer = f"#/equipment/blower/settings/{index}"
            if setting.setting in tables:
                self.aside(
                    f"{pointer}/setting", "setting_taken", "Another table has this setting.", "Name each setting once."
                )
                continue
            points = self._points(setting, pointer)
            if points is not None:
                tables[setting.setting] = BlowerTable(setting.setting, points, density)
        return tuple(tables.values())

    def _points(self, setting: wire.BlowerSetting, pointer: str) -> tuple[BlowerPoint, ...] | None:
        points: list[BlowerPoint] = []
        for row, entry in enumerate(setting.rows):
            at = f"{pointer}/rows/{row}"
            pressure = self.si("gauge_pressure", entry.external_static_pressure, f"{at}/external_static_pressure")
            flow = self.si("volume_flow", entry.airflow, f"{at}/airflow")
            power = None if entry.power is UNSET else self.si("electric_power", entry.power, f"{at}/power")
            if pressure is None or flow is None:
                return None
            points.append(BlowerPoint(pressure, flow, power))
        points.sort(key=lambda point: point.external_static_pressure)
        pressures = [point.external_static_pressure for point in points]
        powers = [point.power for point in points]
        if len(points) < 2 or len(set(pressures)) < len(pressures):
            detail = "A blower table needs at least two rows at different external static pressures."
        elif pressures[0] < 0.0 or any(point.airflow < 0.0 for point in points):
            detail = "A blower table has a negative pressure or airflow."
        elif any(power is not None and power <= 0.0 for power in powers):
            detail = "A blower table has a power that is not above zero."
        else:
            if any(power is None for power in powers):
                points = [BlowerPoint(p.external_static_pressure, p.airflow) for p in points]
            return tuple(points)
        self.aside(
            pointer, "table_unusable", f"{detail} This setting was left out.", "Copy the rows from the sheet again."
        )
        return None

    # Work ------------------------------------------------------------------------------------------------------

    def _work(self, visited_at: datetime.datetime | None) -> tuple[Work, ...]:
        """Work done before the readings; a day after the visit is left out, the work itself still counts."""
        work: list[Work] = []
        for index, entry in enumerate(self.request.work_done):
            day = None if entry.done_on is UNSET else entry.done_on
            if day is not None and visited_at is not None and day > visited_at.date():
                self.aside(
                    f"#/work_done/{index}/done_on",
                    "work_after_visit",
                    "This work is dated after the visit that states it; it was taken as undated.",
                    "State work with the first visit whose readings were taken after it.",
                )
                day = None
            work.append(Work(entry.kind, day))
        return tuple(work)

    # Odds and ends ---------------------------------------------------------------------------------------------

    def _override(self, index: int, entry: wire.LimitOverride) -> LimitOverride | None:
        pointer = f"#/limit_overrides/{index}"
        criterion = self.ruleset.criteria.get(entry.criterion)
        if criterion is None:
            self.aside(
                f"{pointer}/criterion",
                "unknown_criterion",
                "The ruleset has no such criterion.",
                "See the criteria of the rules under /v1/rulesets.",
            )
            return None
        dimension = self.ruleset.quantities[criterion.quantity].dimension
        if not self.units.accepts(dimension, entry.unit):
            self.aside(
                f"{pointer}/unit",
                "unit_of_another_kind",
                f"The limit must be in a unit of {dimension}.",
                f"Use a unit of {dimension} from /v1/vocabulary/units.",
            )
            return None
        lower = None if entry.lower is UNSET else self.units.to_si(dimension, entry.lower, entry.unit)
        upper = None if entry.upper is UNSET else self.units.to_si(dimension, entry.upper, entry.unit)
        if (lower is None and upper is None) or (lower is not None and upper is not None and lower >= upper):
            self.aside(
                pointer, "no_range", "A limit needs a lower or an upper end, the lower below the upper.", "Correct it."
            )
            return None
        return LimitOverride(entry.criterion, entry.reason, lower, upper)

    def si(self, dimension: str, measure: object, pointer: str) -> float | None:
        scale = self.units.scales[dimension].get(measure.unit)  # type: ignore[attr-defined]
        if scale is not None:
            return measure.value * scale.factor + scale.offset  # type: ignore[attr-defined, no-any-return]
        self.aside(
            f"{pointer}/unit",
            "unknown_unit",
            f"Not a unit of {dimension}.",
            f"Use a unit of {dimension} from /v1/vocabulary/units.",
        )
        return None

    def aside(self, pointer: str, code: str, detail: str, remedy: str) -> None:
        self.set_aside.append(SetAside(pointer, code, detail, remedy))
