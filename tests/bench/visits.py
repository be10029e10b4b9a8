"""Three sizes of visit, made by the simulated houses: a single reading, a standard visit, a full one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def sized_visits() -> dict[str, bytes]:
    """`small`: one static pressure. `standard`: one state of the example visit. `full`: all its states, three times."""
    example: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "visit.json").read_text())
    first = example["states"][0]["id"]
    own = [reading for reading in example["readings"] if reading.get("state", first) == first]
    small = {"equipment": {"arrangement": example["equipment"]["arrangement"]}, "readings": [_stateless(own[0])]}
    standard = {**example, "states": example["states"][:1], "readings": own}
    states: list[Any] = []
    readings: list[Any] = []
    for turn in ("1", "2", "3"):
        states += [{**state, "id": state["id"] + turn} for state in example["states"]]
        readings += [
            {**reading, "state": reading["state"] + turn} if "state" in reading else reading
            for reading in example["readings"]
        ]
    full = {**example, "states": states, "readings": readings}
    return {
        "small": json.dumps(small).encode(),
        "standard": json.dumps(standard).encode(),
        "full": json.dumps(full).encode(),
    }


def _stateless(reading: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in reading.items() if name not in ("state", "instrument")}
