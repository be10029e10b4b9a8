"""Readings that are not one number: traverses, leakage tests, clocked gas; and the house, weather and appliances."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Sequence
from typing import Protocol

import msgspec
from msgspec import UNSET, UnsetType

from service.model.quantity import Measured
from service.model.ruleset import Ruleset
from service.model.units import UnitTable
from service.model.visit import (
    Appliance,
    DuctRun,
    EnergyUse,
    GasClock,
    LeakageTest,
    PerformanceRow,
    Reading,
    SiteFacts,
    Traverse,
    Weather,
)
from service.normalise.accuracy import Accuracy, Instruments, error_terms
from service.normalise.weather import (
    WeatherFault,
    WeatherReport,
    observed_at,
    parse_metar,
    temperature_on_earth,
)
from service.physics import traverse
from service.physics.air import ALTIMETER_SETTING_RANGE
from service.wire import request as wire

COUNTED = (
    wire.VelocityTraverseReading
    | wire.GasMeterReading
    | wire.DuctLeakageReading
    | wire.EnvelopeLeakageReading
    | wire.SpillageReading
)
"""Readings that `HouseReadings.take` turns into records of their own."""

HECTOPASCAL = 100.0
NOTHING_REPORTED = WeatherReport(
    station=None,
    day=None,
    hour=None,
    minute=None,
    altimeter_setting=None,
    altimeter_step=None,
    sea_level_pressure=None,
    temperature=None,
    dew_point=None,
    temperature_step=None,
    wind_speed=None,
    wind_gust=None,
)

Si = Callable[[str, object, str], float | None]
Placed = Callable[[wire.AnyReading, str, str | None, str], str | UnsetType | None]


class Context(Protocol):
    """What the normaliser lends: unit conversion, states, stations, instruments, and the list of what is set aside."""

    ruleset: Ruleset
    units: UnitTable
    instruments: Instruments

    def si(self, dimension: str, measure: object, pointer: str) -> float | None:
        """SI value of a measure, or None with its unit set aside."""

    def state_of(self, entry: wire.AnyReading, kind: str, location: str | None, pointer: str) -> str | UnsetType | None:
        """State id, None for all, UNSET where it cannot be placed."""

    def station_of(self, name: str, pointer: str) -> str | None:
        """Canonical station, or None with the name set aside."""

    def aside(self, pointer: str, code: str, detail: str, remedy: str) -> None:
        """Set something aside."""

    def source_of(self, entry: wire.AnyReading, key: str, pointer: str) -> str:
        """Name of the error source: the declared instrument's, or the reading's own."""


class HouseReadings:
    """Collects the records of one visit."""

    def __init__(self, context: Context, appliances: Sequence[wire.Appliance]) -> None:
        self._context = context
        self.traverses: list[Traverse] = []
        self.leakage_tests: list[LeakageTest] = []
        self.gas_clocks: list[GasClock] = []
        self.spillages: list[Reading] = []
        self.appliances = self._appliances(appliances)

    def take(self, entry: COUNTED, key: str, pointer: str) -> None:
        """Keep the record behind a reading, or set it aside."""
        kind = str(entry.__struct_config__.tag)
        if entry.samples is not UNSET:
            self._context.aside(
                f"{pointer}/samples",
                "samples_unused",
                "A sample series belongs to a single number; this reading is not one.",
                "Send each number of this reading as settled already.",
            )
        state = self._context.state_of(entry, kind, None, pointer)
        if isinstance(state, UnsetType):
            return
        area = None if entry.area is UNSET else entry.area
        if isinstance(entry, wire.VelocityTraverseReading):
            self._traverse(entry, key, pointer, state, area)
        elif isinstance(entry, wire.GasMeterReading):
            self._gas(entry, key, pointer, state, area)
        elif isinstance(entry, wire.SpillageReading):
            if self.known_appliance(entry.appliance, f"{pointer}/appliance"):
                seconds = None if entry.seconds_after_lighting is UNSET else entry.seconds_after_lighting
                self.spillages.append(
                    Reading(
                        key=key,
                        pointer=pointer,
                        kind=kind,
                        measured=Measured(1.0 if entry.spills else 0.0),
                        location=entry.appliance,
                        state=state,
                        area=area,
                        seconds=seconds,
                    )
                )
        else:
            self._leakage(entry, key, pointer, state, area)

    def known_appliance(self, name: str, pointer: str) -> bool:
        """Whether the visit declares the appliance; sets the reading aside where it does not."""
        if any(appliance.id == name for appliance in self.appliances):
            return True
        known = ", ".join(appliance.id for appliance in self.appliances) or "none so far"
        self._context.aside(
            pointer,
            "unknown_appliance",
            "The reading names an appliance that the visit does not declare.",
            f"Declare it under appliances with its kind and venting; declared: {known}.",
        )
        return False

    def _appliances(self, declared: Sequence[wire.Appliance]) -> tuple[Appliance, ...]:
        taken: dict[str, Appliance] = {}
        for index, entry in enumerate(declared):
            if entry.id in taken:
                self._context.aside(
                    f"#/appliances/{index}/id",
                    "id_taken",
                    "Another appliance has this id.",
                    "Give each an id of its own.",
                )
                continue
            taken[entry.id] = Appliance(
                id=entry.id,
                kind=entry.kind,
                venting=entry.venting,
                zone=None if entry.zone is UNSET else entry.zone,
                vents_with=None if entry.vents_with is UNSET else entry.vents_with,
                vent_damper=entry.vent_damper,
            )
        return tuple(taken.values())

    # Traverse --------------------------------------------------------------------------------------------------

    def _traverse(
        self, entry: wire.VelocityTraverseReading, key: str, pointer: str, state: str | None, area: str | None
    ) -> None:
        context = self._context
        station = context.station_of(entry.location, f"{pointer}/location")
        if station is None:
            return
        if (entry.velocity_pressures is UNSET) == (entry.velocities is UNSET):
            context.aside(
                pointer,
                "one_series",
                "A traverse needs velocity pressures or velocities, and only one of them.",
                "Give velocity_pressures or velocities.",
            )
            return
        sides = self._sides(entry.duct, f"{pointer}/duct")
        if sides is None:
            return
        width, height, diameter = sides
        series: wire.PressureSeries | wire.VelocitySeries
        if entry.velocity_pressures is not UNSET:
            series, dimension, kind, name = entry.velocity_pressures, "gauge_pressure", "velocity_traverse", "pressures"
        else:
            assert not isinstance(entry.velocities, UnsetType)
            series, dimension, kind, name = entry.velocities, "velocity", "velocity_points", "velocities"
        if not context.units.accepts(dimension, series.unit):
            context.aside(
                f"{pointer}/{'velocity_pressures' if name == 'pressures' else name}/unit",
                "unknown_unit",
                f"Not a unit of {dimension}.",
                f"Use a unit of {dimension} from /v1/vocabulary/units.",
            )
            return
        values = tuple(context.units.to_si(dimension, value, series.unit) for value in series.values)
        accuracy = context.instruments.accuracy(entry, kind, pointer, 0.0)
        use = None if entry.instrument is UNSET else context.instruments.uses.get(entry.instrument)
        unchecked = dimension == "gauge_pressure" and (use is None or not use.zero_checked)
        zero = math.hypot(accuracy.floor, accuracy.zero_unchecked if unchecked else 0.0) / math.sqrt(3.0)
        if not self._enough(len(values), sides, pointer):
            return
        doubt = context.ruleset.assumptions["traverse_reverse_flow"].value * max(zero, accuracy.resolution)
        if min(values) < -doubt:
            context.aside(
                pointer,
                "air_turns_back",
                "A point of the traverse is below zero by more than its instrument's zero: there the air turns back.",
                "Turn the probe into the stream, or traverse where the duct runs straight.",
            )
            return
        self.traverses.append(
            Traverse(
                key=key,
                pointer=pointer,
                location=station,
                instrument=context.source_of(entry, key, pointer),
                zero=zero,
                scale=accuracy.share / math.sqrt(3.0),
                each=accuracy.resolution / math.sqrt(12.0),
                width=width,
                height=height,
                diameter=diameter,
                velocity_pressures=values if name == "pressures" else (),
                velocities=values if name != "pressures" else (),
                state=state,
                area=area,
            )
        )

    def _enough(self, count: int, sides: tuple[float | None, float | None, float | None], pointer: str) -> bool:
        """Whether a traverse has the points that the rule for its duct asks for; sets it aside where it has not."""
        width, height, diameter = sides
        if width is not None and height is not None:
            least = traverse.lines_for_side(width) * traverse.lines_for_side(height)
            enough, asked = count >= least, f"at least {least} points, line by line"
        elif diameter is not None:
            along = traverse.POINTS_PER_DIAMETER
            enough = any(count % each == 0 and count >= traverse.LEAST_DIAMETERS * each for each in along)
            asked = f"{traverse.LEAST_DIAMETERS} or more whole diameters of {', '.join(map(str, along))} points"
        if not enough:
            self._context.aside(
                pointer,
                "too_few_points",
                f"A traverse of this duct needs {asked}.",
                "Send a number for every point; their mean is not the duct's without those that are missing.",
            )
        return enough

    def _sides(
        self, duct: wire.RectangularDuct | wire.RoundDuct, pointer: str
    ) -> tuple[float | None, float | None, float | None] | None:
        if isinstance(duct, wire.RoundDuct):
            diameter = self._positive("length", duct.diameter, f"{pointer}/diameter")
            return None if diameter is None else (None, None, diameter)
        width = self._positive("length", duct.width, f"{pointer}/width")
        height = self._positive("length", duct.height, f"{pointer}/height")
        return None if width is None or height is None else (width, height, None)

    # Leakage and gas -------------------------------------------------------------------------------------------

    def _leakage(
        self,
        entry: wire.DuctLeakageReading | wire.EnvelopeLeakageReading,
        key: str,
        pointer: str,
        state: str | None,
        area: str | None,
    ) -> None:
        context = self._context
        source = context.source_of(entry, key, pointer)
        kind = str(entry.__struct_config__.tag)
        flow_accuracy = context.instruments.accuracy(entry, kind, pointer, 0.0)
        gauge_accuracy = context.instruments.usual("pressure_difference")
        points: list[tuple[Measured, Measured]] = []
        for place, point in enumerate(entry.points):
            at = f"{pointer}/points/{place}"
            pressure = context.si("gauge_pressure", point.pressure, f"{at}/pressure")
            flow = self._positive("volume_flow", point.airflow, f"{at}/airflow")
            if pressure is None or flow is None:
                continue
            if pressure == 0.0:
                context.aside(
                    f"{at}/pressure",
                    "zero_pressure",
                    "A test point needs a pressure difference.",
                    "Leave the point out.",
                )
                continue
            points.append(
                (
                    self._error(abs(pressure), gauge_accuracy, f"{source}.pressure", f"{key}.{place}.pressure"),
                    self._error(flow, flow_accuracy, source, f"{key}.{place}"),
                )
            )
        if not points:
            return
        duct = isinstance(entry, wire.DuctLeakageReading)
        self.leakage_tests.append(
            LeakageTest(
                key=key,
                pointer=pointer,
                subject="duct" if duct else "envelope",
                kind=entry.extent if isinstance(entry, wire.DuctLeakageReading) else entry.direction,
                points=tuple(points),
                state=state,
                area=area,
            )
        )

    def _gas(self, entry: wire.GasMeterReading, key: str, pointer: str, state: str | None, area: str | None) -> None:
        volume = self._positive("volume", entry.volume_per_revolution, f"{pointer}/volume_per_revolution")
        heating = self._positive("heating_value", entry.heating_value, f"{pointer}/heating_value")
        if volume is None or heating is None:
            return
        turns = volume * entry.revolutions
        assumptions = self._context.ruleset.assumptions
        meter = assumptions["tolerance_gas_meter"].uncertainty
        value = assumptions["tolerance_heating_value"].uncertainty
        hand = assumptions["stopwatch"].uncertainty
        self.gas_clocks.append(
            GasClock(
                key=key,
                pointer=pointer,
                volume=Measured(turns, {f"{key}.meter": turns * meter}),
                seconds=Measured(entry.seconds, {f"{key}.stopwatch": hand}),
                heating_value=Measured(heating, {"gas.heating_value": heating * value}),
                state=state,
                area=area,
            )
        )

    def _error(self, value: float, accuracy: Accuracy, source: str, key: str) -> Measured:
        return Measured(value, error_terms(value, accuracy, source, key, 1.0, False))

    def _positive(self, dimension: str, measure: object, pointer: str) -> float | None:
        value = self._context.si(dimension, measure, pointer)
        if value is None:
            return None
        if value <= 0.0:
            self._context.aside(pointer, "not_positive", "This must be above zero.", "Correct it.")
            return None
        return value

    # House, weather, energy, ducts, performance ----------------------------------------------------------------

    def site(self, site: wire.Site | UnsetType) -> SiteFacts:
        """The house's facts; what is not above zero is set aside."""
        if site is UNSET:
            return SiteFacts()

        def fact(dimension: str, measure: object, name: str) -> float | None:
            return None if measure is UNSET else self._positive(dimension, measure, f"#/site/{name}")

        return SiteFacts(
            floor_area=fact("area", site.floor_area, "floor_area"),
            volume=fact("volume", site.volume, "volume"),
            height=fact("length", site.height, "height"),
            storeys=None if site.storeys is UNSET else int(site.storeys),
            bedrooms=None if site.bedrooms is UNSET else int(site.bedrooms),
            weather_and_shielding_factor=None
            if site.weather_and_shielding_factor is UNSET
            else site.weather_and_shielding_factor,
        )

    def _report(self, text: str) -> WeatherReport | None:
        """The report read; what cannot be right in it is set aside, and all of it where it is no report."""
        report = parse_metar(text, self._context.ruleset.assumptions)
        faults = (report,) if isinstance(report, WeatherFault) else report.set_aside
        for fault in faults:
            self._context.aside("#/weather/metar", f"weather_{fault.code}", fault.detail, fault.remedy)
        return None if isinstance(report, WeatherFault) else report

    def weather(self, weather: wire.Weather | UnsetType, visited_at: datetime.datetime | None) -> Weather | None:
        """The observation: what the text says, with the fields given beside it in its place."""
        if weather is UNSET:
            return None
        report = None if weather.metar is UNSET else self._report(weather.metar)
        observed = None if weather.observed_at is UNSET else weather.observed_at
        if observed is None and report is not None and visited_at is not None:
            observed = observed_at(report, visited_at)
        age = None if observed is None or visited_at is None else abs((visited_at - observed).total_seconds())
        distance = None
        if weather.distance is not UNSET:
            distance = self._context.si("length", weather.distance, "#/weather/distance")
            if distance is not None and distance < 0.0:
                self._context.aside("#/weather/distance", "negative", "A distance is not negative.", "Correct it.")
                distance = None
        assumptions = self._context.ruleset.assumptions
        hours = assumptions["weather_age"].value if age is None else age / 3600.0
        kilometres = assumptions["weather_distance"].value if distance is None else distance / 1000.0

        def measured(name: str, what: str, value: float, step: float | None) -> Measured:
            """With what the report's own step, its age and its distance make doubtful; one air mass, one source."""
            terms = {
                f"weather.{name}": assumptions[f"weather_{what}"].uncertainty,
                f"weather.{name}.step": (step or 0.0) / math.sqrt(12.0),
                f"weather.{what}.age": math.sqrt(hours) * assumptions[f"weather_{what}_change"].uncertainty,
                f"weather.{what}.distance": kilometres * assumptions[f"weather_{what}_gradient"].uncertainty,
            }
            return Measured(value, {source: term for source, term in terms.items() if term > 0.0})

        def pick(
            name: str, dimension: str, measure: object, what: str, told: float | None, step: float | None
        ) -> Measured | None:
            """The field where it is given, else what the text says."""
            if measure is UNSET:
                return None if told is None else measured(name, what, told, step)
            value = self._context.si(dimension, measure, f"#/weather/{name}")
            return None if value is None else measured(name, what, value, None)

        r = report or NOTHING_REPORTED
        altimeter = r.altimeter_setting
        if altimeter is not None and r.altimeter_step == HECTOPASCAL:
            altimeter += 0.5 * HECTOPASCAL  # whole hectopascals are rounded down
        read = Weather(
            altimeter_setting=pick(
                "altimeter_setting", "absolute_pressure", weather.altimeter_setting, "pressure",
                altimeter, r.altimeter_step,
            ),
            sea_level_pressure=pick(
                "sea_level_pressure", "absolute_pressure", weather.sea_level_pressure, "pressure",
                r.sea_level_pressure, None,
            ),
            temperature=pick(
                "temperature", "temperature", weather.temperature, "temperature", r.temperature, r.temperature_step
            ),
            dew_point=pick(
                "dew_point", "temperature", weather.dew_point, "dew_point", r.dew_point, r.temperature_step
            ),
            wind_speed=pick("wind_speed", "velocity", weather.wind_speed, "wind", r.wind_speed, None),
            wind_gust=pick("wind_gust", "velocity", weather.wind_gust, "wind", r.wind_gust, None),
            observed_at=observed,
            distance=distance,
            age=age,
        )  # fmt: skip
        return self._credible(read)

    def _credible(self, read: Weather) -> Weather:
        """The observation without what cannot be true of any air on Earth."""
        changes: dict[str, None] = {}

        def refuse(name: str, code: str, detail: str, remedy: str) -> None:
            changes[name] = None
            self._context.aside(f"#/weather/{name}", code, detail, remedy)

        for name in ("altimeter_setting", "sea_level_pressure"):
            pressure = getattr(read, name)
            if pressure is not None and not ALTIMETER_SETTING_RANGE[0] <= pressure.value <= ALTIMETER_SETTING_RANGE[1]:
                refuse(
                    name,
                    "weather_out_of_range",
                    "No pressure reduced to sea level has this value; a station pressure is another number.",
                    "Give the report's altimeter setting or sea-level pressure, with its unit.",
                )
        for name in ("temperature", "dew_point"):
            degrees = getattr(read, name)
            if degrees is not None and not temperature_on_earth(degrees.value, self._context.ruleset.assumptions):
                refuse(name, "weather_out_of_range", "No outdoor air has this temperature.", "Check value and unit.")
        for name in ("wind_speed", "wind_gust"):
            wind = getattr(read, name)
            highest = self._context.ruleset.assumptions["weather_highest_wind"].value
            if wind is not None and not 0.0 <= wind.value <= highest:
                refuse(name, "weather_out_of_range", "No wind has this speed.", "Check value and unit.")
        if read.temperature is not None and read.dew_point is not None and not changes:
            doubt = read.dew_point.terms.get("weather.dew_point.step", 0.0)
            if read.dew_point.value > read.temperature.value + doubt:
                refuse(
                    "dew_point",
                    "weather_dew_point_above_temperature",
                    "A dew point cannot be above the temperature of the same air.",
                    "Compare both with the report as issued.",
                )
        return msgspec.structs.replace(read, **changes) if changes else read

    def energy(self, use: wire.EnergyUse | UnsetType) -> EnergyUse | None:
        """Hours and price, SI."""
        if use is UNSET:
            return None
        price = None if use.price_per_kilowatt_hour is UNSET else use.price_per_kilowatt_hour / 3.6e6
        currency = None if use.currency is UNSET else use.currency
        return EnergyUse(use.blower_hours_per_year * 3600.0, price, currency)

    def duct_runs(self, runs: Sequence[wire.DuctRun]) -> tuple[DuctRun, ...]:
        """Duct runs with a size that makes sense."""
        kept: list[DuctRun] = []
        for index, run in enumerate(runs):
            pointer = f"#/equipment/duct_runs/{index}"
            length = self._positive("length", run.length, f"{pointer}/length")

            def side(measure: object, name: str, pointer: str = pointer) -> float | None:
                return None if measure is UNSET else self._positive("length", measure, f"{pointer}/{name}")

            diameter, width, height = (
                side(run.diameter, "diameter"),
                side(run.width, "width"),
                side(run.height, "height"),
            )
            sized = diameter is not None if run.shape == "round" else width is not None and height is not None
            if length is None or not sized:
                self._context.aside(
                    pointer,
                    "duct_without_size",
                    "A round duct needs its diameter, a rectangular one its width and height.",
                    "Give the inside dimensions.",
                )
                continue
            fittings = 0.0
            if run.fittings_equivalent_length is not UNSET:
                fittings = self._context.si(
                    "length", run.fittings_equivalent_length, f"{pointer}/fittings_equivalent_length"
                ) or 0.0  # fmt: skip
            flow = None
            if run.design_airflow is not UNSET:
                flow = self._positive("volume_flow", run.design_airflow, f"{pointer}/design_airflow")
            kept.append(
                DuctRun(
                    run.name, run.side, run.material, length,
                    diameter if run.shape == "round" else None,
                    width if run.shape == "rectangular" else None,
                    height if run.shape == "rectangular" else None,
                    max(fittings, 0.0), run.compression, flow,
                )
            )  # fmt: skip
        return tuple(kept)

    def performance(self, table: wire.CoolingPerformance | UnsetType) -> tuple[PerformanceRow, ...]:
        """Rows of the cooling performance table."""
        if table is UNSET:
            return ()
        rows: list[PerformanceRow] = []
        for index, row in enumerate(table.rows):
            at = f"#/equipment/cooling_performance/rows/{index}"
            wet_bulb = self._context.si("temperature", row.return_wet_bulb, f"{at}/return_wet_bulb")
            outdoor = self._context.si("temperature", row.outdoor_temperature, f"{at}/outdoor_temperature")
            flow = self._positive("volume_flow", row.airflow, f"{at}/airflow")
            total = self._positive("heat_rate", row.total_capacity, f"{at}/total_capacity")
            sensible = None
            if row.sensible_capacity is not UNSET:
                sensible = self._positive("heat_rate", row.sensible_capacity, f"{at}/sensible_capacity")
            if wet_bulb is not None and outdoor is not None and flow is not None and total is not None:
                rows.append(PerformanceRow(wet_bulb, outdoor, flow, total, sensible))
        return tuple(rows)
