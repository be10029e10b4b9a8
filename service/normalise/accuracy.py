"""Instrument accuracy as independent error sources.

A maker's accuracy, plus or minus a share of the reading or a floor, whichever is larger, is taken as a rectangular
distribution: its standard uncertainty is the limit over the square root of 3 (JCGM 100:2008, 4.3.7). Which error it
is, the maker does not say; floor and share are read as an offset and a scale error, each common to everything the
instrument reads, and the limit is split between them as they stand to each other. Taking the larger alone would let
the difference of two small readings of one gauge cancel all error but its resolution.
Resolution is independent from reading to reading: step over the square root of 12.
"""

from __future__ import annotations

import datetime
import math

import msgspec
from msgspec import UNSET, UnsetType

from service.model.ruleset import Instrument, Ruleset
from service.model.units import UnitTable
from service.model.visit import InstrumentUse, SetAside
from service.wire import request as wire

READING_DIMENSIONS = {
    "static_pressure": "gauge_pressure",
    "pressure_difference": "gauge_pressure",
    "dry_bulb_temperature": "temperature",
    "wet_bulb_temperature": "temperature",
    "dew_point_temperature": "temperature",
    "relative_humidity": "ratio",
    "airflow": "volume_flow",
    "electric_power": "electric_power",
    "voltage": "voltage",
    "current": "current",
    "station_pressure": "absolute_pressure",
    "velocity_traverse": "gauge_pressure",
    "velocity_points": "velocity",
    "register_airflow": "volume_flow",
    "rotational_speed": "rotational_speed",
    "capacitance": "capacitance",
    "water_flow": "volume_flow",
    "water_temperature": "temperature",
    "duct_leakage": "volume_flow",
    "envelope_leakage": "volume_flow",
    "zone_pressure": "gauge_pressure",
    "draft_pressure": "gauge_pressure",
    "carbon_monoxide": "concentration",
    "flue_carbon_monoxide": "concentration",
    "combustible_gas": "ratio",
    "ventilation_airflow": "volume_flow",
}
"""Reading kind -> dimension of its value."""
DAYS_OF_A_YEAR = 365.25
CLASS_OF_METHOD = {
    "flow_grid": "flow_grid",
    "flow_hood": "flow_hood",
    "powered_hood": "powered_hood",
    "traverse": "anemometer",
}
"""How an airflow was taken -> class of instrument whose usual accuracy holds for it."""


class Accuracy(msgspec.Struct, frozen=True):
    """Accuracy of the readings of one kind by one instrument, SI."""

    share: float
    floor: float
    resolution: float
    zero_unchecked: float
    scale_zero: float = 0.0

    def scale_error(self, value: float) -> float:
        """Largest scale error at this reading, signed as the reading counted from the zero of the scale it is on."""
        return self.share * (value - self.scale_zero)

    def limit(self, value: float) -> float:
        """Largest error the maker admits at this reading."""
        return max(abs(self.scale_error(value)), self.floor)


def error_dimension(kind: str) -> str:
    """Dimension of the errors of a reading kind: temperatures err by temperature differences."""
    dimension = READING_DIMENSIONS[kind]
    return "temperature_difference" if dimension == "temperature" else dimension


class Instruments:
    """The instruments of a visit: their stated accuracies, the defaults for those without, their zero checks."""

    def __init__(
        self, declared: list[wire.Instrument], ruleset: Ruleset, units: UnitTable, on: datetime.date | None = None
    ) -> None:
        self._on = on
        self._ruleset = ruleset
        self._units = units
        self.set_aside: list[SetAside] = []
        self.declared: dict[str, wire.Instrument] = {}
        self.uses: dict[str, InstrumentUse] = {}
        self._places: dict[str, int] = {}
        self._defaults = {kind: entry for entry in ruleset.instruments.values() for kind in entry.reading_kinds}
        for index, instrument in enumerate(declared):
            pointer = f"#/instruments/{index}"
            if instrument.id in self.declared:
                self._aside(
                    f"{pointer}/id", "id_taken", "Another instrument has this id.", "Give each an id of its own."
                )
                continue
            self.declared[instrument.id] = instrument
            self._places[instrument.id] = index
            self.uses[instrument.id] = self._use(instrument, pointer)

    def _aside(self, pointer: str, code: str, detail: str, remedy: str) -> None:
        self.set_aside.append(SetAside(pointer, code, detail, remedy))

    def _use(self, instrument: wire.Instrument, pointer: str) -> InstrumentUse:
        check = instrument.zero_check
        calibrated = None if instrument.calibrated_on is UNSET else instrument.calibrated_on
        if check is UNSET:
            return InstrumentUse(instrument.id, zero_checked=False, calibrated_on=calibrated)
        offset = None
        if check.offset_found is not UNSET:
            if self._units.accepts("gauge_pressure", check.offset_found.unit):
                offset = self._units.difference_to_si(
                    "gauge_pressure", check.offset_found.value, check.offset_found.unit
                )
            else:
                self._aside(
                    f"{pointer}/zero_check/offset_found/unit",
                    "unknown_unit",
                    "Not a unit of gauge pressure.",
                    "Use a unit of gauge_pressure from /v1/vocabulary/units.",
                )
        return InstrumentUse(instrument.id, True, offset, check.corrected, calibrated)

    def accuracy(self, reading: wire.AnyReading, kind: str, pointer: str, scale_zero: float) -> Accuracy:
        """Accuracy that holds for a reading: its own, its instrument's, or the default of the instrument's class.

        `scale_zero` is the SI value of zero in the reading's unit: a share of a reading in degC counts from 0 degC.
        """
        declared = None if reading.instrument is UNSET else self.declared.get(reading.instrument)
        method = reading.method if isinstance(reading, wire.AirflowReading) else None
        default = self._default(declared, kind, method)
        stated = self._stated(reading.accuracy, kind, f"{pointer}/accuracy")
        if stated is None and declared is not None:
            stated = self._stated(declared.accuracy, kind, f"#/instruments/{self._places[declared.id]}/accuracy")
        zero = self._si(default.zero_unchecked, default) if default else 0.0
        wider = self._widening(declared)
        if stated is not None:
            share, floor, resolution = stated
            return Accuracy(wider * share, wider * floor, resolution, zero, scale_zero)
        if default is None:
            return Accuracy(0.0, 0.0, 0.0, 0.0)
        floor, resolution = self._si(default.floor, default), self._si(default.resolution, default)
        return Accuracy(wider * default.share, wider * floor, resolution, zero, scale_zero)

    def _widening(self, declared: wire.Instrument | None) -> float:
        """By how much an accuracy is widened because the calibration is out of date; 1 where it is not."""
        if declared is None or declared.calibrated_on is UNSET or self._on is None:
            return 1.0
        assumptions = self._ruleset.assumptions
        years = (self._on - declared.calibrated_on).days / DAYS_OF_A_YEAR
        overdue = max(0.0, years - assumptions["calibration_interval"].value)
        return min(1.0 + assumptions["calibration_widening"].value * overdue, assumptions["calibration_widest"].value)

    def in_range(self, reading: wire.AnyReading, kind: str, value: float, pointer: str) -> bool:
        """Whether the reading lies within its instrument's stated range; sets it aside where it does not."""
        declared = None if reading.instrument is UNSET else self.declared.get(reading.instrument)
        if declared is None or declared.measuring_range is UNSET:
            return True
        stated, dimension = declared.measuring_range, READING_DIMENSIONS[kind]
        if not self._units.accepts(dimension, stated.unit):
            return True  # the range belongs to another kind of reading that the instrument takes
        low, high = (self._units.to_si(dimension, end, stated.unit) for end in (stated.low, stated.high))
        if low <= value <= high:
            return True
        self._aside(
            pointer,
            "beyond_measuring_range",
            "The reading lies beyond the measuring range stated for its instrument; there it shows anything.",
            "Read again with an instrument of a wider range, or correct the range or the unit.",
        )
        return False

    def of_series(self, series: wire.AnySeries, kind: str, scale_zero: float) -> Accuracy:
        """Accuracy that holds for a series of samples sent by itself: its own, or the usual one of its kind."""
        usual = self.usual(kind)
        stated = self._stated(series.accuracy, kind, "#/series/accuracy")
        if stated is None:
            return msgspec.structs.replace(usual, scale_zero=scale_zero)
        return Accuracy(*stated, 0.0, scale_zero)

    def usual(self, kind: str) -> Accuracy:
        """Accuracy of the class of instrument that usually takes readings of a kind."""
        default = self._defaults.get(kind)
        if default is None:
            return Accuracy(0.0, 0.0, 0.0, 0.0)
        return Accuracy(default.share, self._si(default.floor, default), self._si(default.resolution, default), 0.0)

    def _default(self, declared: wire.Instrument | None, kind: str, method: str | None) -> Instrument | None:
        """By the instrument's class, else by the method of an airflow reading, else by the kind of reading."""
        classes = self._ruleset.instruments
        dimension = error_dimension(kind)
        for name in (None if declared is None else declared.kind, CLASS_OF_METHOD.get(method or "")):
            own = None if name is None else classes.get(name)
            if own is not None and (kind in own.reading_kinds or own.dimension == dimension):
                return own
        return self._defaults.get(kind)

    def _si(self, number: float, default: Instrument) -> float:
        return self._units.difference_to_si(default.dimension, number, default.unit)

    def _stated(
        self, accuracy: wire.Accuracy | UnsetType, kind: str, pointer: str
    ) -> tuple[float, float, float] | None:
        if accuracy is UNSET:
            return None
        dimension = error_dimension(kind)
        if not self._units.accepts(dimension, accuracy.unit):
            fault = SetAside(
                f"{pointer}/unit",
                "unit_of_another_kind",
                f"An accuracy for {kind} readings must be in a unit of {dimension}; the usual accuracy was taken.",
                f"Use a unit of {dimension} from /v1/vocabulary/units.",
            )
            if fault not in self.set_aside:
                self.set_aside.append(fault)
            return None
        floor = self._units.difference_to_si(dimension, accuracy.floor, accuracy.unit)
        resolution = self._units.difference_to_si(dimension, accuracy.resolution, accuracy.unit)
        return accuracy.share_of_reading, floor, resolution


def error_terms(
    value: float, accuracy: Accuracy, instrument: str, reading: str, orientation: float, zero_unchecked: bool
) -> dict[str, float]:
    """Error terms of one reading. `orientation` is -1 where the hose was on the gauge's reference port."""
    terms: dict[str, float] = {}
    limit = accuracy.limit(value)
    if limit > 0.0:
        # Both parts at once, in the proportion the maker states them, together no more than the limit.
        scale = accuracy.scale_error(value)
        share = limit / math.hypot(scale, accuracy.floor) / math.sqrt(3.0)
        if scale != 0.0:
            terms[f"{instrument}.scale"] = share * scale
        if accuracy.floor > 0.0:
            terms[f"{instrument}.zero"] = share * orientation * accuracy.floor
    if zero_unchecked and accuracy.zero_unchecked > 0.0:
        terms[f"{instrument}.zero_unchecked"] = orientation * accuracy.zero_unchecked / math.sqrt(3.0)
    if accuracy.resolution > 0.0:
        terms[f"{reading}.resolution"] = accuracy.resolution / math.sqrt(12.0)
    return terms
