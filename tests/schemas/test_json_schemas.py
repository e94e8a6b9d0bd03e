"""The published JSON Schemas (draft 2020-12): sound, and at one with the models on what to take and what not."""

import json
import re

import pytest

from loamline_schemas.json_schemas import PUBLISHED, json_schema

#: Every key that these schemas use; a new one has to be taught to `faults` before it can be tested.
ANNOTATIONS = {"$schema", "title", "description", "default", "format", "writeOnly"}
CHECKED = {
    "$ref", "$defs", "type", "enum", "anyOf", "properties", "required", "additionalProperties", "items", "prefixItems",
    "minItems", "maxItems", "minLength", "maxLength", "pattern", "minimum", "maximum", "exclusiveMinimum",
    "exclusiveMaximum",
}  # fmt: skip

TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
    "integer": int,
    "number": (int, float),
}

EXAMPLES = {
    "uplink": {
        "dev_eui": "02000000000000AA",
        "dev_addr": None,
        "fport": 10,
        "fcnt": 70000,
        "payload_hex": "01073A05DCA025002A",
        "heard_at": "2026-05-01T10:00:00Z",
        "frequency_hz": 868100000,
        "spreading_factor": 9,
        "bandwidth_hz": 125000,
        "coding_rate": "4/5",
        "confirmed": False,
        "receptions": [{"gateway": "east", "rssi_dbm": -110.5, "snr_db": -3, "antenna": 0}],
    },
    "envelope-map": {
        "about": "an invented server",
        "uplink": {
            "list_at": "/all",
            "dev_eui": {"at": "/eui", "encoding": "base64"},
            "fport": {"constant": 10},
            "fcnt": {"at": "/n", "within": "message", "absent": [-1, "none"]},
            "payload": {"at": "/a~1b", "encoding": "hex"},
            "heard_at": {"at": "/t", "format": "unix_ms"},
            "spreading_factor": {"at": "/rate", "after": "SF"},
            "coding_rate": {"at": "/cr", "values": {"1": "4/5"}},
        },
        "reception": {"list_at": "", "gateway": {"at": "/id"}, "rssi_dbm": {"at": "/l", "factor": -1, "offset": 0.5}},
    },
    "site": {
        "site": "North Field",
        "customer": "a grower",
        "latitude_deg": 52.0,
        "longitude_deg": 5.5,
        "time_zone": "Europe/Amsterdam",
    },
    "probe": {
        "dev_eui": "02000000000000AA",
        "serial": "S-0001",
        "hardware": "B",
        "made_on": "2025-06-01",
        "air_count": 340,
        "water_count": 3340.5,
        "count_per_k": -2,
    },
    "placement": {
        "dev_eui": "02000000000000AA",
        "depth_index": 0,
        "site": "North Field",
        "label": "row 4",
        "depth_cm": 10,
        "texture": "loam",
        "valid_from": "2026-03-01T00:00:00Z",
        "valid_to": None,
    },
    "soil": {
        "site": "North Field",
        "top_cm": 0,
        "bottom_cm": 30,
        "valid_from": "2026-03-01T00:00:00Z",
        "sand_percent": 40,
        "clay_percent": 18.5,
    },
    "crop": {"site": "North Field", "crop": "barley", "valid_from": "2026-03-01T00:00:00Z", "root_depth_m": 1.1},
    "curves": {
        "curve": [
            {"id": "topp", "step": "soil", "kind": "topp1980", "domain": [1, 81], "valid_from": "2026-03-01T00:00:00Z"},
            {
                "id": "b-2025",
                "step": "transducer",
                "kind": "polynomial",
                "coefficients": [1, 18.0, 40],
                "domain": [0, 1],
                "for": "B",
                "valid_from": "2026-03-01T00:00:00Z",
            },
        ]
    },
    "limits": {
        "limits": {"spike_fail": 0.2},
        "texture": {
            "silt loam": {"vwc_suspect": [0.05, 0.5]},
            "clay": [{"stuck_counts": 2}, {"valid_from": "2026-03-01T00:00:00Z", "stuck_counts": 3}],
        },
        "probe": {"02000000000000AA": {"stuck_counts": 0}},
    },
    "settings": {"store": "soil.duckdb", "broker": {"host": "broker.example", "protocol": "5"}, "log_format": "json"},
}  # fmt: skip

WRONG = [
    ("uplink", {"dev_eui": "12"}, "$.dev_eui: pattern"),
    ("uplink", {"fcnt": 7.5}, "$.fcnt: type"),
    ("uplink", {"fport": 256}, "$.fport: maximum"),
    ("uplink", {"fport": True}, "$.fport: type"),
    ("uplink", {"soil": 1}, "$.soil: additionalProperties"),
    ("uplink", {"receptions": [{"rssi_dbm": -100}]}, "$.receptions[0].gateway: required"),
    ("uplink", {"receptions": [{"gateway": ""}]}, "$.receptions[0].gateway: minLength"),
    ("uplink", {"spreading_factor": "9"}, "$.spreading_factor: anyOf"),
    ("envelope-map", {"uplink": {"dev_eui": {}}}, "$.uplink.fport: required"),
    ("envelope-map", {"reception": {"gateway": {"at": "id"}}}, "$.reception: anyOf"),
    ("envelope-map", {"soil": 1}, "$.soil: additionalProperties"),
    ("site", {"latitude_deg": 91}, "$.latitude_deg: maximum"),
    ("probe", {"hardware": ""}, "$.hardware: minLength"),
    ("placement", {"depth_cm": 0}, "$.depth_cm: exclusiveMinimum"),
    ("curves", {"curve": [{"id": "x"}]}, "$.curve[0].step: required"),
    ("curves", {"curve": 1}, "$.curve: type"),
    ("soil", {"top_cm": -1}, "$.top_cm: minimum"),
    ("crop", {"crop": ""}, "$.crop: minLength"),
    ("crop", {"depletion_fraction": 1}, "$.depletion_fraction: anyOf"),
    ("limits", {"limits": {"spike_fail": 0}}, "$.limits: anyOf"),
    ("limits", {"site": {"here": {"vwc_fail": [0.1]}}}, "$.site.here: anyOf"),
    ("limits", {"texture": {"loam": [{"spike": 1}]}}, "$.texture.loam: anyOf"),
    ("settings", {"broker": {"topics": []}}, "$.broker.topics: minItems"),
    ("settings", {"log_format": "xml"}, "$.log_format: enum"),
]


def faults(value, schema, root, where="$"):
    """Yield where and by which keyword `value` breaks `schema`: the part of draft 2020-12 that ours use."""
    if "$ref" in schema:
        yield from faults(value, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root, where)
    if "type" in schema and not (
        isinstance(value, TYPES[schema["type"]]) and (schema["type"] == "boolean" or not isinstance(value, bool))
    ):
        yield f"{where}: type"
        return
    if "enum" in schema and value not in schema["enum"]:
        yield f"{where}: enum"
    if "anyOf" in schema and all(any(faults(value, option, root, where)) for option in schema["anyOf"]):
        yield f"{where}: anyOf"
    if isinstance(value, dict):
        yield from _object_faults(value, schema, root, where)
    if isinstance(value, list):
        yield from _array_faults(value, schema, root, where)
    bounds = {
        "minLength": lambda least: isinstance(value, str) and len(value) < least,
        "maxLength": lambda most: isinstance(value, str) and len(value) > most,
        "pattern": lambda pattern: isinstance(value, str) and not re.search(pattern, value),
        "minItems": lambda least: isinstance(value, list) and len(value) < least,
        "maxItems": lambda most: isinstance(value, list) and len(value) > most,
        "minimum": lambda least: isinstance(value, int | float) and value < least,
        "maximum": lambda most: isinstance(value, int | float) and value > most,
        "exclusiveMinimum": lambda least: isinstance(value, int | float) and value <= least,
        "exclusiveMaximum": lambda most: isinstance(value, int | float) and value >= most,
    }
    yield from (f"{where}: {key}" for key, broken in bounds.items() if key in schema and broken(schema[key]))


def _object_faults(value, schema, root, where):
    yield from (f"{where}.{key}: required" for key in schema.get("required", ()) if key not in value)
    for key, inner in value.items():
        rule = schema.get("properties", {}).get(key, schema.get("additionalProperties", True))
        if rule is False:
            yield f"{where}.{key}: additionalProperties"
        elif rule is not True:
            yield from faults(inner, rule, root, f"{where}.{key}")


def _array_faults(value, schema, root, where):
    first = schema.get("prefixItems", [])
    for index, inner in enumerate(value):
        rule = first[index] if index < len(first) else schema.get("items", True)
        if rule is not True:
            yield from faults(inner, rule, root, f"{where}[{index}]")


def subschemas(schema):
    """Yield a schema and every schema inside it."""
    yield schema
    for key in ("properties", "$defs"):
        for inner in schema.get(key, {}).values():
            yield from subschemas(inner)
    for key in ("anyOf", "prefixItems"):
        for inner in schema.get(key, ()):
            yield from subschemas(inner)
    for key in ("items", "additionalProperties"):
        if isinstance(schema.get(key), dict):
            yield from subschemas(schema[key])


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_published_schema_is_sound_in_itself(name):
    schema = json_schema(name)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for part in subschemas(schema):
        assert set(part) <= ANNOTATIONS | CHECKED
        assert part.get("type", "object") in TYPES
        assert set(part.get("required", ())) <= set(part.get("properties", {}))
        re.compile(part.get("pattern", ""))
        if "$ref" in part:
            assert part["$ref"].removeprefix("#/$defs/") in schema["$defs"]


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_published_schema_is_plain_json_and_refuses_unknown_keys(name):
    schema = json_schema(name)
    assert json.loads(json.dumps(schema, allow_nan=False)) == schema
    assert schema["type"] == "object"
    assert schema["additionalProperties"] is False


@pytest.mark.parametrize("name", PUBLISHED)
def test_schema_and_model_take_the_same_example(name):
    assert list(faults(EXAMPLES[name], json_schema(name), json_schema(name))) == []
    PUBLISHED[name].model_validate_json(json.dumps(EXAMPLES[name]))


@pytest.mark.parametrize(("name", "change", "expected"), WRONG, ids=[fault for _, _, fault in WRONG])
def test_schema_and_model_refuse_the_same_mistake(name, change, expected):
    wrong = {**EXAMPLES[name], **change}
    assert expected in list(faults(wrong, json_schema(name), json_schema(name)))
    with pytest.raises(ValueError, match="validation error"):
        PUBLISHED[name].model_validate_json(json.dumps(wrong))


def test_an_unknown_name_is_told_with_the_known_ones():
    with pytest.raises(KeyError, match=r"expected one of uplink, site, probe, .*, got 'uplinks'"):
        json_schema("uplinks")
