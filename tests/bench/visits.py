"""Three sizes of visit, from the simulated houses: a single reading, a standard visit, a full one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


FULL = ("house_sound_1600_m", "measured_well_heating_1600_m", "weather_fits_1600_m", "cooling_sound_1600_m")
"""Visits joined with the example into the full one: every kind of reading beside each other."""


def sized_visits() -> dict[str, bytes]:
    """`small`: one static pressure. `standard`: one state of the example visit. `full`: 60 readings of most kinds in
    nine states, a blower table of five settings. Only their size matters, so the full one is pieced together."""
    example: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "visit.json").read_text())
    first = example["states"][0]["id"]
    own = [reading for reading in example["readings"] if reading.get("state", first) == first]
    small = {"equipment": {"arrangement": example["equipment"]["arrangement"]}, "readings": [_stateless(own[0])]}
    standard = {**example, "states": example["states"][:1], "readings": own}
    sizes = {"small": small, "standard": standard, "full": _full(example)}
    return {name: json.dumps(visit).encode() for name, visit in sizes.items()}


def _full(example: dict[str, Any]) -> dict[str, Any]:
    full = json.loads(json.dumps(example))
    known = {instrument["id"] for instrument in full["instruments"]}
    for name in FULL:
        visit = json.loads((ROOT / "rules" / "cases" / "visits" / f"{name}.json").read_text())
        full["states"] += [{**state, "id": f"{name}.{state['id']}"} for state in visit["states"]]
        full["readings"] += [
            {**reading, "state": f"{name}.{reading['state']}"} if "state" in reading else reading
            for reading in visit["readings"]
        ]
        full["instruments"] += [entry for entry in visit["instruments"] if entry["id"] not in known]
        known |= {entry["id"] for entry in visit["instruments"]}
        full["site"] |= visit["site"]
        full |= {part: visit[part] for part in ("weather", "appliances") if part in visit}
    settings = full["equipment"]["blower"]["settings"]
    settings += [
        {**settings[0], "setting": f"{settings[0]['setting']} {again}"} for again in range(2, 7 - len(settings))
    ]
    assert len(full["readings"]) == 60
    assert len(settings) == 5
    return full


def _stateless(reading: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in reading.items() if name not in ("state", "instrument", "samples")}
