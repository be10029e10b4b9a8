"""Instruments as a technician carries them: what they show of a true value.

Numbers here are in the instrument's own unit. Accuracy is a share of the reading or a floor, whichever is larger.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from tests.visits.house import CFM, INCH

UNITS: dict[str, tuple[float, float]] = {
    "[in_i'H2O]": (INCH, 0.0),
    "Pa": (1.0, 0.0),
    "hPa": (100.0, 0.0),
    "[in_i'Hg]": (3386.389, 0.0),
    "[degF]": (5 / 9, 459.67 * 5 / 9),
    "Cel": (1.0, 273.15),
    "[cft_i]/min": (CFM, 0.0),
    "m3/h": (1 / 3600, 0.0),
    "%": (0.01, 0.0),
    "W": (1.0, 0.0),
    "V": (1.0, 0.0),
    "A": (1.0, 0.0),
}
"""UCUM code -> SI value of one unit, and SI value of its zero. 3386.389 Pa: NIST SP 811, table B.8."""

DIFFERENCE_UNITS = {"[degF]": "[degR]", "Cel": "K"}


@dataclass(frozen=True)
class Instrument:
    """`zero_offset` and `scale_error` are hidden; `share`, `floor` and `resolution` are what its maker states."""

    id: str
    kind: str
    unit: str
    resolution: float
    share: float = 0.0
    floor: float = 0.0
    zero_offset: float = 0.0
    scale_error: float = 0.0
    zero_checked: bool = False

    def to_unit(self, value: float) -> float:
        """An SI value in this instrument's unit."""
        size, zero = UNITS[self.unit]
        return (value - zero) / size

    def show(self, value: float, noise: float = 0.0) -> float:
        """What it shows for a true SI value, `noise` being a share of its floor."""
        true = self.to_unit(value)
        return self.rounded(true * (1.0 + self.scale_error) + self.zero_offset + noise * self.floor)

    def rounded(self, value: float) -> float:
        digits = max(0, math.ceil(-math.log10(self.resolution) - 1e-9))
        return round(round(value / self.resolution) * self.resolution, digits) + 0.0

    def perturbed(self, seed: int) -> Instrument:
        """The same instrument with a zero and a scale error drawn inside its accuracy.

        Nine tenths of the accuracy go to the two together and the rest to the noise of single readings, so that no
        reading leaves it. Python's own generator is used because its sequence is guaranteed across versions.
        """
        draw = random.Random(f"{seed}/{self.id}")
        return replace(
            self,
            zero_offset=self.floor * draw.uniform(-0.45, 0.45),
            scale_error=self.share * draw.uniform(-0.45, 0.45),
        )

    def stated(self) -> dict[str, object]:
        """As the request describes it."""
        accuracy: dict[str, object] = {
            "share_of_reading": self.share,
            "floor": self.floor,
            "resolution": self.resolution,
            "unit": DIFFERENCE_UNITS.get(self.unit, self.unit),
        }
        stated: dict[str, object] = {"id": self.id, "kind": self.kind, "accuracy": accuracy}
        if self.zero_checked:
            stated["zero_check"] = {"corrected": True}
        return stated


Kit = dict[str, Instrument]
"""What is measured (`pressure`, `temperature`, ...) -> the instrument it is measured with."""


def kit(units: str) -> Kit:
    """Invented instruments of the usual field accuracy, in inch-pound (`ip`) or SI (`si`) units."""
    ip = units == "ip"
    return {
        "pressure": Instrument(
            "gauge-1", "manometer", "[in_i'H2O]" if ip else "Pa", 0.001 if ip else 0.1,
            share=0.01, floor=0.002 if ip else 0.5, zero_checked=True,
        ),
        "temperature": Instrument(
            "thermometer-1", "thermometer", "[degF]" if ip else "Cel", 0.1, floor=0.5 if ip else 0.3
        ),
        "humidity": Instrument("hygrometer-1", "hygrometer", "%", 0.1, floor=2.0),
        "barometer": Instrument(
            "barometer-1", "barometer", "[in_i'Hg]" if ip else "hPa", 0.01 if ip else 0.1, floor=0.03 if ip else 1.0
        ),
        "airflow": Instrument("flow-grid-1", "flow_grid", "[cft_i]/min" if ip else "m3/h", 1.0, share=0.07),
        "power": Instrument("power-meter-1", "power_meter", "W", 1.0, share=0.02, floor=2.0),
        "voltage": Instrument("voltmeter-1", "voltmeter", "V", 0.1, share=0.01, floor=0.3),
        "current": Instrument("clamp-1", "clamp_meter", "A", 0.1 if ip else 0.01, share=0.02, floor=0.1),
    }  # fmt: skip
