"""What the sample series of a context say: which readings had not settled, why, and how long they would take."""

from __future__ import annotations

from service.derive.worksheet import Worksheet
from service.model.quantity import Measured


def derive_steadiness(sheet: Worksheet) -> None:
    """Tokens of the series, and for each that had not settled the seconds that it would take."""
    for reading in sheet.readings:
        series = reading.steadiness
        if series is None:
            continue
        if series.left_out:
            sheet.see("reading.samples_left_out", reading.state)
        if series.settled:
            continue
        sheet.see(f"reading.{series.verdict}", reading.state)
        if series.dominated_by == "gusts":
            sheet.see("reading.gusty", reading.state)
        if series.further_seconds is not None:
            sheet.record(
                "further_sampling_time",
                Measured(series.further_seconds),
                "dying away of the drift" if series.verdict == "drifting" else "averaging until the mean is known",
                (reading.key,),
                subject=reading.key,
            )
        elif series.verdict == "drifting":
            sheet.see("reading.moving_steadily", reading.state)
