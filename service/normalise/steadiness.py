"""A sample series into one settled value with the error terms of its scatter and drift, and what the series says.

A few samples that stand apart from all others (a slammed door, a stumble) are left out, and it is said; where many
do, nothing is left out, for then they are how the air behaves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import msgspec

from service.model.ruleset import Assumption, Ruleset
from service.model.units import UnitTable
from service.model.visit import Steadiness, SteadyReading
from service.normalise.accuracy import Accuracy, Instruments, error_terms
from service.physics import steady
from service.wire import request as wire

DRIVEN_BY_AIR = frozenset({"gauge_pressure", "absolute_pressure", "volume_flow", "velocity"})
"""Dimensions whose scatter is gusts of wind or turbulence."""
VERDICTS: dict[steady.Condition, Literal["settled", "drifting", "scattered"]] = {
    "steady": "settled",
    "drifting": "drifting",
    "scattered": "scattered",
}


class Settled(msgspec.Struct, frozen=True):
    """SI value of a series, the error terms that the series brings, and what it says."""

    value: float
    terms: dict[str, float]
    steadiness: Steadiness


def settle(
    series: Sequence[float],
    interval: float,
    dimension: str,
    accuracy: Accuracy,
    assumptions: Mapping[str, Assumption],
    key: str,
) -> Settled:
    """The settled value of a series in SI units; `key` names the reading in the error terms."""
    apart = steady.outliers(series, assumptions["steady_outlier"].value, accuracy.resolution)
    spikes = len(apart) <= assumptions["steady_outlier_share"].value * len(series)
    kept = _without(series, apart) if apart and spikes else series
    whole = steady.assess(series, interval)
    result = whole if kept is series else steady.assess(kept, interval)
    tolerance = assumptions["steady_tolerance"].value * max(accuracy.limit(result.mean), accuracy.resolution)
    condition = steady.condition(result, assumptions["steady_significance"].value, tolerance, tolerance)
    terms = {f"{key}.repeatability": result.standard_uncertainty}
    further: float | None = None
    if tolerance > 0.0:
        further = steady.further_seconds(result, condition, tolerance, tolerance)
    dominated_by: Literal["drift", "gusts", "scatter", "outliers"] | None = None
    if condition == "drifting":
        terms[f"{key}.drift"] = abs(result.drift) / 12**0.5
        dominated_by = "drift"
    elif condition == "scattered":
        air = dimension in DRIVEN_BY_AIR
        dominated_by = "outliers" if apart and not spikes and not air else "gusts" if air else "scatter"
    return Settled(
        result.mean,
        {source: term for source, term in terms.items() if term > 0.0},
        Steadiness(
            samples=result.count,
            effective_samples=result.effective_count,
            duration=interval * (result.count - 1),
            standard_deviation=result.standard_deviation,
            slope=result.slope,
            slope_probability=result.slope_p_value,
            settled=condition == "steady",
            verdict=VERDICTS[condition],
            mean=whole.mean,
            median=whole.median,
            drift=result.drift,
            left_out=len(apart) if spikes else 0,
            further_seconds=further,
            dominated_by=dominated_by,
        ),
    )


def _without(series: Sequence[float], apart: Sequence[int]) -> list[float]:
    """The series with samples replaced by their neighbours' line, so that its times stay equally spaced."""
    import numpy as np  # wanted only when samples are sent

    places = np.arange(len(series))
    rest = np.setdiff1d(places, np.asarray(apart))
    values = np.asarray(series, dtype=np.float64)
    return [float(value) for value in np.interp(places, rest, values[rest])]


def steady_reading(request: wire.SteadyReadingRequest, ruleset: Ruleset, units: UnitTable) -> SteadyReading:
    """What a series says, apart from any visit. Never raises for a request that decoded."""
    series = request.series
    kind = str(series.__struct_config__.tag)
    dimension = wire.SERIES_DIMENSIONS[type(series)]
    accuracy = Instruments([], ruleset, units).of_series(series, kind, units.to_si(dimension, 0.0, series.unit))
    values = [units.to_si(dimension, sample, series.unit) for sample in series.values]
    settled = settle(values, series.interval_seconds, dimension, accuracy, ruleset.assumptions, "series")
    errors = {**settled.terms, **error_terms(settled.value, accuracy, "instrument", "series", 1.0, False)}
    return SteadyReading(
        kind=kind,
        dimension=dimension,
        unit=series.unit,
        value=settled.value,
        uncertainty=sum(term * term for term in errors.values()) ** 0.5,
        tolerance=ruleset.assumptions["steady_tolerance"].value
        * max(accuracy.limit(settled.value), accuracy.resolution),
        steadiness=settled.steadiness,
    )
