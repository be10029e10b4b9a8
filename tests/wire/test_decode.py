"""Bodies: strict, every fault at once, nothing echoed, hostile bytes refused cheaply."""

import copy
import json
import time
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.ruleset import load_ruleset, rules_folder
from service.wire.decode import RequestDecoder, accepted_units
from service.wire.faults import DEEPEST, FAULT_CODES, LONGEST_NAME, MOST_FAULTS, RequestRefused, pointer
from service.wire.request import (
    MEASURES,
    SERIES_DIMENSIONS,
    Accuracy,
    EvaluationRequest,
    LimitOverride,
    MeasuringRange,
    Pressure,
    TemperatureDifference,
)

EXAMPLE = Path(__file__).parents[2] / "openapi" / "examples" / "visit.json"


@pytest.fixture(scope="module")
def decoder() -> RequestDecoder:
    ruleset = load_ruleset(rules_folder())
    return RequestDecoder.for_rulesets({ruleset.release.version: ruleset})


def small(**changes: Any) -> dict[str, Any]:
    reading = {"kind": "static_pressure", "station": "supply_plenum", "value": {"value": 0.3, "unit": "Pa"}}
    return {"readings": [reading], "equipment": {"arrangement": "custom"}, **changes}


def instrument(**more: Any) -> dict[str, Any]:
    return {"id": "gauge", "kind": "manometer", **more}


def changed(path: str, value: object) -> dict[str, Any]:
    """The small visit with one place set, `readings.0.value.unit`."""
    visit = copy.deepcopy(small())
    *parents, last = [int(part) if part.isdigit() else part for part in path.split(".")]
    place: Any = visit
    for part in parents:
        place = place[part] if isinstance(place, list) else place.setdefault(part, {})
    place[last] = value
    return visit


def refusal(decoder: RequestDecoder, body: object) -> RequestRefused:
    encoded = body if isinstance(body, bytes) else json.dumps(body).encode()
    with pytest.raises(RequestRefused) as refused:
        decoder.decode(encoded)
    return refused.value


def faults(decoder: RequestDecoder, body: object) -> dict[str, str]:
    return {str(fault.pointer): fault.code for fault in refusal(decoder, body).faults}


def test_the_example_is_decoded_to_what_it_says(decoder: RequestDecoder) -> None:
    body = EXAMPLE.read_bytes()
    request = decoder.decode(body)
    assert len(request.readings) == len(json.loads(body)["readings"])
    assert request.equipment.arrangement == json.loads(body)["equipment"]["arrangement"]


FAULTY: list[tuple[str, object, str | dict[str, str]]] = [
    ("readings.0.value.value", "1", "wrong_type"),
    ("readings.0.value.value", True, "wrong_type"),
    ("readings.0.value.value", None, "wrong_type"),
    ("readings.0.value.value", [1], "wrong_type"),
    ("readings.0.value.value", 2e9, "out_of_range"),
    ("readings.0.value", 0.3, "wrong_type"),
    ("readings.0.value.unit", "furlong", "unknown_unit"),
    ("readings.0.value.unit", "degF", "unknown_unit"),
    ("readings.0.value.unit", 1, "wrong_type"),
    ("readings.0.station", "Supply", "pattern"),
    ("readings.0.station", "supply\n", "pattern"),
    ("readings.0.station", "", "too_short"),
    ("readings.0.station", "a" * 81, "too_long"),
    ("readings.0.note", "a\0b", "pattern"),
    ("readings.0.taken_at", "2026-07-14T15:30:00", "wrong_format"),
    ("readings.0.taken_at", "yesterday", "wrong_format"),
    ("readings.0.taken_at", 1_700_000_000, "wrong_type"),
    ("readings.0.taken_at", "1776-07-04T00:00:00Z", "out_of_range"),
    ("readings.0.samples", {"interval_seconds": 1, "values": [1, 2]}, {"values": "too_few"}),
    ("readings.0.probe_port", "output", "unknown_value"),
    ("readings.0.kind", "static_presure", "unknown_value"),
    ("readings.0.kind", 7, "wrong_type"),
    ("readings", [], "too_few"),
    ("readings", {}, "wrong_type"),
    ("readings", [0] * 501, "too_many"),
    ("equipment.filter.count", 2.5, "wrong_type"),
    ("equipment.filter.count", 13, "out_of_range"),
    ("equipment.blower.phases", 2, "unknown_value"),
    ("equipment.blower.phases", True, "wrong_type"),
    ("visited_at", "2026-02-30T00:00:00Z", "wrong_format"),
    ("instruments", [instrument(calibrated_on="2026-13-01")], {"0/calibrated_on": "wrong_format"}),
    ("instruments", [instrument(calibrated_on="2300-01-01")], {"0/calibrated_on": "out_of_range"}),
    ("instruments", [instrument(calibrated_on=3)], {"0/calibrated_on": "wrong_type"}),
    ("instruments", [instrument(zero_check={"corrected": 1})], {"0/zero_check/corrected": "wrong_type"}),
    ("ruleset", "999.0.0", "ruleset_not_installed"),
    ("ruleset", "one", "pattern"),
    ("units", "metric", "unknown_value"),
    ("reedings", [], "unknown_field"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value", "code"), FAULTY)
def test_each_kind_of_fault_names_its_place(
    decoder: RequestDecoder, path: str, value: object, code: str | dict[str, str]
) -> None:
    expected = code if isinstance(code, dict) else {"": code}
    place = "#/" + path.replace(".", "/")
    found = faults(decoder, changed(path, value))
    assert found == {f"{place}/{below}".rstrip("/"): what for below, what in expected.items()}


def test_missing_fields_are_named(decoder: RequestDecoder) -> None:
    assert faults(decoder, {}) == {"#/readings": "missing_field", "#/equipment": "missing_field"}
    assert faults(decoder, small(readings=[{}])) == {"#/readings/0/kind": "missing_field"}
    assert faults(decoder, small(readings=[{"kind": "airflow"}])) == {
        "#/readings/0/location": "missing_field",
        "#/readings/0/value": "missing_field",
        "#/readings/0/basis": "missing_field",
    }


def test_all_faults_come_at_once_with_what_is_accepted(decoder: RequestDecoder) -> None:
    visit = changed("readings.0.value.unit", "inches")
    visit["equipment"]["arangement"] = "custom"
    visit["ruleset"] = "0.0.0"
    found = {str(fault.pointer): fault for fault in refusal(decoder, visit).faults}
    assert set(found) == {"#/readings/0/value/unit", "#/equipment/arangement", "#/ruleset"}
    assert found["#/readings/0/value/unit"].accepted == list(decoder.units[Pressure])
    assert "did you mean arrangement?" in found["#/equipment/arangement"].detail
    assert found["#/ruleset"].accepted == list(decoder.rulesets)


@pytest.mark.parametrize("written", ["3", "3.0", "3e0", "0.3e1"])
def test_a_whole_number_may_be_written_in_any_way(decoder: RequestDecoder, written: str) -> None:
    body = json.dumps(changed("equipment.filter.count", 12345)).replace("12345", written).encode()
    filter_ = decoder.decode(body).equipment.filter
    assert filter_ is not msgspec.UNSET
    assert filter_.count == 3


def test_units_are_those_of_the_kind_of_number(decoder: RequestDecoder) -> None:
    ruleset = load_ruleset(rules_folder())
    units = accepted_units([ruleset])
    assert set(units) == {*MEASURES, *SERIES_DIMENSIONS, Accuracy, LimitOverride, MeasuringRange}
    for measure, dimension in (*MEASURES.items(), *SERIES_DIMENSIONS.items()):
        codes = [unit.code for unit in ruleset.dimensions[dimension].unit]
        assert list(units[measure][: len(codes)]) == codes
    assert set(units[Accuracy]) == {spelling for measure in MEASURES for spelling in units[measure]}
    assert "K" in units[TemperatureDifference]


def test_with_several_rulesets_only_what_all_know_is_accepted() -> None:
    newer = load_ruleset(rules_folder())
    pressure = newer.dimensions["gauge_pressure"]
    fewer = msgspec.structs.replace(pressure, unit=[unit for unit in pressure.unit if unit.code == "Pa"])
    older = msgspec.structs.replace(newer, dimensions={**newer.dimensions, "gauge_pressure": fewer})
    assert accepted_units([newer, older])[Pressure] == accepted_units([older])[Pressure] == ("Pa", "pascal")


HOSTILE = {
    "empty": b"",
    "blank": b" \n\t",
    "cut off": b'{"readings": [',
    "trailing comma": b'{"readings": [1,]}',
    "trailing text": json.dumps(small()).encode() + b"x",
    "two values": b"{}{}",
    "byte order mark": b"\xef\xbb\xbf" + json.dumps(small()).encode(),
    "UTF-16": json.dumps(small()).encode("utf-16"),
    "stray byte": b'{"note": "\xff"}',
    "overlong UTF-8": b'{"note": "\xc0\xaf"}',
    "encoded surrogate": b'{"note": "\xed\xa0\x80"}',
    "half a surrogate pair": b'{"note": "\\ud800"}',
    "half a pair as a name": b'{"\\udfff": 1}',
    "control character": b'{"note": "a\x01"}',
    "NaN": b'{"readings": [NaN]}',
    "infinity": b'{"readings": [-Infinity]}',
    "single quotes": b"{'readings': []}",
    "100 deep": b"[" * 100 + b"]" * 100,
    "100000 deep": b"[" * 100_000,
    "100000 deep objects": b'{"a":' * 50_000,
    "one deeper than accepted": b"[" * (DEEPEST + 1) + b"]" * (DEEPEST + 1),
    "quote never closed": b'"' + b'\\"' * 120_000,
    "many quotes": b'"' * 250_000,
    "gzip": b"\x1f\x8b\x08\x00\x00\x00\x00\x00",
}


@pytest.mark.parametrize("body", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_is_no_json_is_refused_as_such(decoder: RequestDecoder, body: bytes) -> None:
    refused = refusal(decoder, body)
    assert not refused.well_formed
    assert refused.faults[0].code in ("not_json", "too_deep", "impossible_text")


def test_well_formed_oddities_are_faults_at_their_place(decoder: RequestDecoder) -> None:
    for odd in (b"1e400", b"-1e400", b"9" * 5000, b"-" + b"9" * 5000):
        body = json.dumps(changed("readings.0.value.value", 12345)).encode().replace(b"12345", odd)
        assert faults(decoder, body) == {"#/readings/0/value/value": "out_of_range"}
    assert faults(decoder, b"null") == {"#": "wrong_type"}
    assert faults(decoder, b'"text"') == {"#": "wrong_type"}
    assert refusal(decoder, b"[" * DEEPEST + b"]" * DEEPEST).well_formed


def test_refusing_costs_little_whatever_is_sent(decoder: RequestDecoder) -> None:
    """No body within the accepted size may cost out of proportion: quadratic work here would take minutes."""
    bodies = [*HOSTILE.values(), json.dumps(small(readings=[{"x" * 60: 1}] * 500)).encode()]
    bodies.append(json.dumps({f"field_{index}": index for index in range(12_000)}).encode())
    began = time.process_time()
    for body in bodies:
        refusal(decoder, body[: 256 * 1024])
    assert time.process_time() - began < 10


def test_nothing_that_was_sent_comes_back_but_in_a_pointer(decoder: RequestDecoder) -> None:
    mark = "zz-echo"
    visit = small(job_reference=f"{mark} a", units=mark, ruleset=mark, visited_at=mark, note=mark)
    visit["readings"] = [{"kind": mark}, {"kind": "static_pressure", "station": f"{mark}!", "value": {"unit": mark}}]
    refused = refusal(decoder, visit)
    assert len(refused.faults) == 9
    assert mark not in msgspec.json.encode(refused.faults).decode()


def test_pointers_are_escaped_and_bounded(decoder: RequestDecoder) -> None:
    assert pointer(["a/b", "c~d", "e f", "ü", 0]) == "#/a~1b/c~0d/e%20f/%C3%BC/0"
    assert faults(decoder, small(**{"a/b~c d\n": 1})) == {"#/a~1b~0c%20d%0A": "unknown_field"}
    assert faults(decoder, small(**{"x" * (LONGEST_NAME + 1): 1})) == {"#": "unknown_field"}


def test_the_number_of_faults_told_is_bounded(decoder: RequestDecoder) -> None:
    refused = refusal(decoder, small(readings=[{"kind": "airflow"}] * 500))
    assert len(refused.faults) == MOST_FAULTS


def test_a_request_that_passed_is_decoded_from_its_kept_bytes_alone(decoder: RequestDecoder) -> None:
    body = EXAMPLE.read_bytes()
    assert msgspec.json.decode(body, type=EvaluationRequest) == decoder.decode(body)


def test_every_kind_of_fault_is_documented_and_met_here(decoder: RequestDecoder) -> None:
    met = {
        code for _, _, expected in FAULTY for code in (expected.values() if isinstance(expected, dict) else [expected])
    }
    met |= {fault.code for body in HOSTILE.values() for fault in refusal(decoder, body).faults}
    assert met | {"missing_field", "given_twice"} == set(FAULT_CODES)
