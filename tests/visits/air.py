"""Moist air for the simulated houses, from CoolProp's humid-air functions; nothing here comes from the service.

SI throughout: K, Pa, m3, kg, W, J. Specific values are per kilogram of dry air.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from CoolProp.CoolProp import HAPropsSI
from scipy.optimize import brentq

STANDARD_DENSITY = 0.075 * 0.45359237 / 0.3048**3
"""Standard air, 0.075 lb/ft3, in kg/m3."""

LIQUID_WATER_HEAT = 4186.0
"""Specific heat of liquid water near 10 degC, J/(kg K) (from memory; it moves total cooling by about 1 %)."""

EVAPORATION_HEAT = 2.47e6
"""Heat of evaporation of water near 12 degC, J/kg (from memory)."""

WETTEST_OFF_A_COIL = 0.95
"""Relative humidity that air leaving a wet coil does not exceed here (common practice, no source)."""


def standard_atmosphere(elevation: float) -> float:
    """Pressure in Pa of the US Standard Atmosphere 1976 at a geopotential height in m, 0 to 11 000 m.

    Source: US Standard Atmosphere, 1976: 288.15 K, 6.5 K/km, 28.9644 kg/kmol, 8314.32 J/(kmol K) (from memory).
    """
    lapse, base = 0.0065, 288.15
    exponent = 9.80665 * 28.9644 / (8314.32 * lapse)
    return float(101325.0 * (1.0 - lapse * elevation / base) ** exponent)


@dataclass(frozen=True)
class Air:
    """Moist air at a pressure (Pa), dry-bulb temperature (K) and humidity ratio (kg/kg)."""

    pressure: float
    temperature: float
    humidity_ratio: float

    @classmethod
    def from_relative_humidity(cls, pressure: float, temperature: float, relative_humidity: float) -> Air:
        return cls(pressure, temperature, HAPropsSI("W", "T", temperature, "P", pressure, "R", relative_humidity))

    @classmethod
    def from_enthalpy(cls, pressure: float, enthalpy: float, humidity_ratio: float) -> Air:
        temperature = HAPropsSI("T", "H", enthalpy, "P", pressure, "W", humidity_ratio)
        return cls(pressure, temperature, humidity_ratio)

    def _property(self, name: str) -> float:
        return HAPropsSI(name, "T", self.temperature, "P", self.pressure, "W", self.humidity_ratio)

    @cached_property
    def volume(self) -> float:
        """m3 per kg of dry air."""
        return self._property("Vda")

    @cached_property
    def enthalpy(self) -> float:
        """J per kg of dry air."""
        return self._property("H")

    @property
    def density(self) -> float:
        """kg of moist air per m3."""
        return (1.0 + self.humidity_ratio) / self.volume

    @property
    def wet_bulb(self) -> float:
        return self._property("B")

    @property
    def dew_point(self) -> float:
        return self._property("D")

    @property
    def relative_humidity(self) -> float:
        return self._property("R")

    def heated(self, heat: float, dry_air_flow: float) -> Air:
        """After `heat` W went into `dry_air_flow` kg/s at constant humidity ratio."""
        return Air.from_enthalpy(self.pressure, self.enthalpy + heat / dry_air_flow, self.humidity_ratio)

    def cooled(self, total: float, sensible_heat_ratio: float, dry_air_flow: float) -> Air:
        """After a coil took `total` W out of `dry_air_flow` kg/s.

        Water balance: the latent share condenses water and drains it as liquid at the leaving temperature. Air does
        not leave wetter than `WETTEST_OFF_A_COIL`; beyond that more water condenses at the same total.
        """
        condensed = (1.0 - sensible_heat_ratio) * total / (dry_air_flow * EVAPORATION_HEAT)

        def leaving(water: float) -> Air:
            humidity_ratio = self.humidity_ratio - water
            enthalpy = self.enthalpy - total / dry_air_flow
            for _ in range(3):
                air = Air.from_enthalpy(self.pressure, enthalpy, humidity_ratio)
                drained = water * LIQUID_WATER_HEAT * (air.temperature - 273.15)
                enthalpy = self.enthalpy - total / dry_air_flow - drained
            return Air.from_enthalpy(self.pressure, enthalpy, humidity_ratio)

        def excess(water: float) -> float:
            air = leaving(water)
            wettest = HAPropsSI("W", "T", air.temperature, "P", air.pressure, "R", WETTEST_OFF_A_COIL)
            return air.humidity_ratio - wettest

        if excess(condensed) > 0:
            condensed = brentq(excess, condensed, 0.9 * self.humidity_ratio, xtol=1e-10)
        return leaving(condensed)
