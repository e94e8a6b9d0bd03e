"""Generated decoders run in a real node, many inputs a process."""

from __future__ import annotations

import dataclasses
import json
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loamline_codecs import Codec, Match, Message
from loamline_codecs.dissect import label_of
from loamline_codecs.quantities import FLAGS

#: Reads [{"source", "entry", "inputs"}] on stdin; writes what the script's function of that name gives for each input.
_HARNESS = """
var jobs = JSON.parse(require("fs").readFileSync(0, "utf8"));
var both = "\\nreturn { decodeUplink: decodeUplink, readLayout: readLayout };";
function plain(key, value) {
  if (Object.is(value, -0)) { return { float: "-0" }; }
  return typeof value === "number" && !isFinite(value) ? { float: String(value) } : value;
}
function answer(found, entry, input) {
  if (entry === "decodeUplink") { return found.decodeUplink(input); }
  var reader = { payload: input, bytes: input, bit: 0, end: 8 * input.length };
  try {
    var raw = found.readLayout(reader);
    return { raw: raw, whole: reader.bit === reader.end };
  } catch (problem) {
    return { refused: String(problem.message), fault: problem.constructor.name };
  }
}
process.stdout.write(JSON.stringify(jobs.map(function (job) {
  var found = new Function('"use strict";' + job.source + both)();
  return job.inputs.map(function (input) { return answer(found, job.entry, input); });
}), plain));
"""

#: A function that gives a script many inputs in one node process.
Ask = Callable[..., list[Any]]


def answers(folder: Path, jobs: list[dict[str, Any]]) -> list[list[Any]]:
    """Return what node gives for every input of every job; skips the test where there is no node."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("expected node on the path to run the generated decoders, found none: install Node.js 18 or later")
    (folder / "harness.js").write_text(_HARNESS)
    done = subprocess.run(
        [node, folder / "harness.js"], input=json.dumps(jobs), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return list(json.loads(done.stdout, object_hook=_float, parse_int=_double))


def _double(digits: str) -> float:
    """Return a number that JavaScript wrote without decimals: past 2^53 it stands for a double, not for its digits."""
    return int(digits) if abs(int(digits)) <= 1 << 53 else float(digits)


def _float(found: dict[str, Any]) -> Any:
    return float(found["float"].replace("Infinity", "inf")) if found.keys() == {"float"} else found


def uplink(port: int, payload: bytes) -> dict[str, Any]:
    """Return the payload codec API's input; names from memory of TS013-1.0.0."""
    return {"bytes": list(payload), "fPort": port, "recvTime": "2026-05-01T06:00:00Z"}


def data_of(message: Message) -> dict[str, Any]:
    """Return the `data` that a script must give for what the scalar parser read."""
    data: dict[str, Any] = {"codec": message.codec.name}
    if {"firmware_major", "firmware_minor"} <= set(message.uplink):
        data["firmware"] = message.firmware
    for quantity in message.codec.quantities:
        figure = message.uplink[quantity.name]
        if quantity.name in FLAGS:
            data[quantity.name] = None if figure is None else bool(figure)
        elif quantity.labels:
            data[quantity.name] = label_of(message, quantity.name)
        elif "firmware" not in data or quantity.name not in ("firmware_major", "firmware_minor"):
            data[quantity.name] = figure
    data["samples"] = [
        {
            "depth_index": sample.depth_index,
            "age_minutes": sample.age_minutes,
            **sample.figures,
            **({"faults": list(sample.faults)} if sample.faults else {}),
        }
        for sample in message.samples
    ]
    return data


def few_bits(length: int, chance: random.Random) -> bytes:
    """Return random bytes, small ones often, so that conditions go both ways and counts stay short."""
    return bytes(chance.choice((0, 1, 2, chance.randrange(256), chance.randrange(256))) for _ in range(length))


def codec_of(layout: Any, **more: Any) -> Codec:
    """Return a codec of a bare layout, on FPort 1, whatever byte 0 is."""
    return dataclasses.replace(Codec("tried", "", "measurement", Match(1, 0, 0), layout, ()), **more)
