"""One codec as one plain script in ECMAScript 5.1: no modules, nothing that a small interpreter lacks."""

from __future__ import annotations

import dataclasses
import textwrap

from loamline_codecs.declaration import Codec, DeclarationError
from loamline_codecs.script.helpers import helpers_for
from loamline_codecs.script.meaning import Meaning, labels_variable
from loamline_codecs.script.names import comment, text
from loamline_codecs.script.statements import layout_statements
from loamline_codecs.walkable import WAY_OUT, fixed_size, is_greedy, require_walkable

_WIDTH = 100


def script(codec: Codec) -> str:
    """Return `codec` as a JavaScript decoder by the payload codec API, TS013-1.0.0.

    `decodeUplink(input)` takes `{bytes, fPort, recvTime}` and returns `{data, errors, warnings}`, `errors` without
    `data` where the payload is refused. Figures, refusals and faults are those of `scalar.parse`. The same codec
    gives the same text. Raises DeclarationError, naming codec and field, for what a script can't say exactly: whole
    numbers past 2^53, Python functions, nodes that the columnar executor can't read either.
    """
    _require_readable(codec)
    statements, payload, shape = layout_statements(codec)
    meaning = Meaning(codec, shape)
    bounds, uplink, samples = meaning.bounds(), meaning.uplink(), meaning.samples()
    parts = [
        _head(codec),
        _constants(codec),
        _ENTRY,
        _read_payload(codec, bounded=bool(bounds)),
        _function("readLayout(reader)", "The raw values, field by field.", [*statements, f"  return {payload};"]),
    ]
    if bounds:
        parts.append(_function("checkBounds(reader, payload)", "What the fields may hold.", _indented(bounds)))
    parts.append(
        _function(
            "figuresOf(payload, warnings)",
            "What the raw values mean: physical figures, each one division of whole numbers.",
            _indented(
                [
                    "var data = { codec: CODEC };",
                    *(["var raw;"] if any(line.startswith("raw =") for line in uplink) else []),
                    *uplink,
                    f"data.samples = {'samplesOf(payload, warnings)' if codec.samples else '[]'};",
                    "return data;",
                ]
            ),
        )
    )
    if samples:
        parts.append(_function("samplesOf(payload, warnings)", "One sample a depth and instant.", _samples(samples)))
    source = "\n\n".join(parts)
    return f"{source}\n\n{helpers_for(source)}\n"


def _require_readable(codec: Codec) -> None:
    """A script reads what the columns read, also of a codec that is read row by row and needn't keep to that."""
    try:
        require_walkable(dataclasses.replace(codec, row_by_row=False))
    except DeclarationError as problem:
        told = str(problem).removesuffix(f"; {WAY_OUT}")
        raise DeclarationError(f"{told}; no script can be written of such a layout") from None


_ENTRY = """\
// The payload codec API's entry: input.bytes is a list of bytes, input.fPort the FPort.
function decodeUplink(input) {
  var warnings = [];
  var data;
  try {
    data = figuresOf(readPayload(input), warnings);
  } catch (problem) {
    return { errors: [problem.message], warnings: [] };
  }
  return { data: data, errors: [], warnings: warnings };
}"""

_ESTIMATES = (
    "The figures are estimates, as good as the probe's sensors. A raw count of moisture is no water content: it takes "
    "the calibration curve of the probe's soil to make one."
)

_CONVENTIONS = (
    "Raw fields bear the declaration's names, figures have their units in theirs. Bytes count from 0, bits from the "
    "most significant of byte 0. A fault code gives null and a warning; a payload that can't be meant gives an error "
    "and no data."
)

_INPUT = """\
  var bytes = input === null || typeof input !== "object" ? null : input.bytes;
  var reader, payload, k;
  if (bytes === null || typeof bytes !== "object" || typeof bytes.length !== "number") {
    throw new Error("codec " + CODEC + ": expected input.bytes as a list of bytes, got " + bytes);
  }
  for (k = 0; k < bytes.length; k += 1) {
    if (typeof bytes[k] !== "number" || bytes[k] < 0 || bytes[k] > 255 || bytes[k] % 1 !== 0) {
      throw new Error("codec " + CODEC + ": expected bytes of 0 to 255, got " + bytes[k] + " as byte " + k);
    }
  }
  if (input.fPort !== FPORT) {
    throw new Error("expected FPort " + FPORT + ", got " + input.fPort);
  }
  if (bytes.length === 0) {
    throw new Error("expected a payload on FPort " + FPORT + ", got 0 bytes");
  }"""

_LENGTH = """\
  if (reader.bit !== 8 * bytes.length) {
    throw new Error(
      "codec " + CODEC + ": expected " + reader.bit / 8 + " bytes, got " + bytes.length +
        "; payload " + hex(bytes)
    );
  }"""


def _head(codec: Codec) -> str:
    first, last = codec.match.first_bytes[0], codec.match.first_bytes[-1]
    byte = f"0x{first:02X}" if first == last else f"0x{first:02X} to 0x{last:02X}"
    size = fixed_size(codec.layout)
    reads = f"Reads {codec.message} messages on FPort {codec.match.fport} whose byte 0 is {byte}"
    generated = (
        f"Generated by `loamline codec script {codec.name}` from the declaration with the digest {codec.digest}."
    )
    paragraphs = [
        f"Decoder of {codec.name} by the LoRa Alliance payload codec API, TS013-1.0.0.",
        f"{codec.description} {reads}{'.' if size is None else f'; {size} bytes.'}",
        f"{generated} Don't edit this file: change the declaration and generate it again.",
        _ESTIMATES,
        _CONVENTIONS,
    ]
    lines = []
    for paragraph in paragraphs:
        lines += ["", *textwrap.wrap(comment(paragraph), _WIDTH - 3, break_long_words=False, break_on_hyphens=False)]
    return "\n".join(["/*", *(f" * {line}".rstrip() for line in lines[1:]), " */"])


def _constants(codec: Codec) -> str:
    lines = [f"var CODEC = {text(codec.name)};", f"var FPORT = {codec.match.fport};"]
    for quantity in codec.quantities:
        if quantity.labels:
            labels = [f"  {text(str(raw))}: {text(label)}" for raw, label in quantity.labels.items()]
            lines += [f"var {labels_variable(quantity)} = {{", ",\n".join(labels), "};"]
    return "\n".join(lines)


def _read_payload(codec: Codec, *, bounded: bool) -> str:
    match = codec.match
    lines = [_INPUT]
    if match.leading_bits:
        spare = 8 - match.leading_bits
        leading = f"(bytes[0] >> {spare})" if spare else "bytes[0]"
        known = f"{match.value} in the first {match.leading_bits} bits ({codec.name}); got byte 0 = 0x"
        told = text(f"expected on FPort {match.fport} a payload version that is known: ")
        lines += [
            f"  if ({leading} !== {match.value}) {{",
            "    throw new Error(",
            f"      {told} +",
            f"        {text(known)} +",
            "        hex([bytes[0]]).toUpperCase()",
            "    );",
            "  }",
        ]
    lines += [
        f"  reader = readerOf(bytes, {0 if is_greedy(codec.layout) else 512});",
        "  payload = readLayout(reader);",
    ]
    lines.append(_LENGTH)
    if bounded:
        lines.append("  checkBounds(reader, payload);")
    lines.append("  return payload;")
    return _function("readPayload(input)", "The raw values of a message that is this codec's, whole.", lines)


def _samples(statements: list[str]) -> list[str]:
    loops = any(line.startswith("for (") for line in statements)
    raws = any(line.strip().startswith("raw =") for line in statements)
    names = ["sample", "faults", *(["raw"] if raws else []), *(["elements", "element", "k"] if loops else [])]
    return _indented(["var samples = [];", f"var {', '.join(names)};", *statements, "return samples;"])


def _function(signature: str, words: str, lines: list[str]) -> str:
    return "\n".join([f"// {words}", f"function {signature} {{", *lines, "}"])


def _indented(lines: list[str]) -> list[str]:
    return [f"  {line}" if line else "" for line in lines]
