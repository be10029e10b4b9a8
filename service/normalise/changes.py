"""Changes of a projection in SI units; one that cannot be read keeps its place, with what is wrong."""

from __future__ import annotations

from typing import Any

from msgspec import UNSET, UnsetType

from service.model.projection import (
    AddDuct,
    Change,
    CleanCoil,
    EnlargeDuct,
    FixDuctLeakage,
    OpenDampers,
    OtherAir,
    PlannedChange,
    ReplaceFilter,
    SpeedSetting,
)
from service.model.units import UnitTable
from service.model.visit import DuctRun, PressureDropRating, SetAside
from service.physics.air import STANDARD_AIR_DENSITY
from service.wire import request as wire


def plan(request: wire.ProjectionRequest, units: UnitTable) -> tuple[PlannedChange, ...]:
    """The changes by their place in the request. Never raises for a request that decoded."""
    planned = []
    for index, entry in enumerate(request.changes):
        reader = _Reader(units, f"#/changes/{index}")
        change = reader.change(entry)
        planned.append(
            PlannedChange(
                index,
                str(entry.__struct_config__.tag),
                None if reader.asides else change,
                tuple(reader.asides),
            )
        )
    return tuple(planned)


class _Reader:
    """Reads one change."""

    def __init__(self, units: UnitTable, pointer: str) -> None:
        self.units = units
        self.pointer = pointer
        self.asides: list[SetAside] = []

    def change(self, entry: wire.AnyChange) -> Change | None:
        match entry:
            case wire.ReplaceFilterChange():
                return self._filter(entry)
            case wire.CleanCoilChange():
                return CleanCoil(_number(entry.pressure_drop_factor))
            case wire.AddDuctChange():
                return self._add(entry)
            case wire.EnlargeDuctChange():
                return EnlargeDuct(entry.duct_run, self._positive("length", entry.diameter, "diameter"))
            case wire.OpenDampersChange():
                return OpenDampers(entry.side, _number(entry.pressure_drop_factor))
            case wire.SpeedSettingChange():
                return self._speed(entry)
            case wire.FixDuctLeakageChange():
                if entry.leakage_airflow is UNSET:
                    return FixDuctLeakage(entry.side)
                return FixDuctLeakage(
                    entry.side, self._positive("volume_flow", entry.leakage_airflow, "leakage_airflow")
                )
            case wire.OtherAirChange():
                return self._air(entry)

    def _filter(self, entry: wire.ReplaceFilterChange) -> ReplaceFilter | None:
        rating = self._rating(entry.rated, "rated")
        if (entry.width is UNSET) != (entry.height is UNSET):
            self._aside("", "half_a_size", "A face needs width and height.", "Give both, or neither.")
            return None
        if rating is not None:
            return ReplaceFilter(rating)
        if entry.width is UNSET:
            return ReplaceFilter()
        width = self._positive("length", entry.width, "width")
        height = self._positive("length", entry.height, "height")
        return ReplaceFilter(None, width * height * entry.count)

    def _add(self, entry: wire.AddDuctChange) -> AddDuct:
        fittings = 0.0
        if entry.fittings_equivalent_length is not UNSET:
            fittings = self._si("length", entry.fittings_equivalent_length, "fittings_equivalent_length")
            if fittings < 0.0:
                self._aside("fittings_equivalent_length", "negative", "This must not be below zero.", "Correct it.")
        run = DuctRun(
            name="added duct",
            side=entry.side,
            material=entry.material,
            length=self._positive("length", entry.length, "length"),
            diameter=self._positive("length", entry.diameter, "diameter"),
            fittings_equivalent_length=fittings,
            compression=entry.compression,
        )
        return AddDuct(run, self._rating(entry.opening, "opening"))

    def _speed(self, entry: wire.SpeedSettingChange) -> SpeedSetting | None:
        if (entry.setting is UNSET) == (entry.speed_factor is UNSET):
            self._aside("", "one_of_two", "A speed is a setting or a factor.", "Give setting or speed_factor.")
            return None
        return SpeedSetting(None if entry.setting is UNSET else entry.setting, _number(entry.speed_factor))

    def _air(self, entry: wire.OtherAirChange) -> OtherAir | None:
        if (entry.elevation is UNSET) == (entry.air_density is UNSET):
            self._aside("", "one_of_two", "Other air is a density or an elevation.", "Give elevation or air_density.")
            return None
        if entry.elevation is UNSET:
            return OtherAir(self._positive("density", entry.air_density, "air_density"))
        return OtherAir(None, self._si("length", entry.elevation, "elevation"))

    def _rating(self, entry: wire.PressureDrop | UnsetType, name: str) -> PressureDropRating | None:
        if entry is UNSET:
            return None
        density = STANDARD_AIR_DENSITY
        if entry.air_density is not UNSET:
            density = self._positive("density", entry.air_density, f"{name}/air_density")
        return PressureDropRating(
            self._positive("gauge_pressure", entry.pressure_drop, f"{name}/pressure_drop"),
            self._positive("volume_flow", entry.airflow, f"{name}/airflow"),
            density,
        )

    def _si(self, dimension: str, measure: Any, name: str) -> float:
        if self.units.accepts(dimension, measure.unit):
            return self.units.to_si(dimension, measure.value, measure.unit)
        self._aside(f"{name}/unit", "unknown_unit", f"Not a unit of {dimension}.", "Use one of /v1/vocabulary/units.")
        return 1.0

    def _positive(self, dimension: str, measure: Any, name: str) -> float:
        value = self._si(dimension, measure, name)
        if value <= 0.0:
            self._aside(name, "not_positive", "This must be above zero.", "Correct it.")
        return value

    def _aside(self, name: str, code: str, detail: str, remedy: str) -> None:
        self.asides.append(SetAside(f"{self.pointer}/{name}".rstrip("/"), code, detail, remedy))


def _number(value: float | UnsetType) -> float | None:
    return None if value is UNSET else value
