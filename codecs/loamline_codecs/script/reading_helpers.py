"""JavaScript functions that read bits and bytes: numbers of any width and byte order, floats, swapped regions."""

from __future__ import annotations

#: Name -> the function in ECMAScript 5.1, in the order in which a script has them.
READING: dict[str, str] = {
    "readerOf": """\
// A place in the payload, in bits. Past its end a payload reads as zeros for a while, so that a
// refusal can say how long it should have been.
function readerOf(bytes, spareBytes) {
  return { payload: bytes, bytes: bytes, bit: 0, end: 8 * (bytes.length + spareBytes) };
}""",
    "take": """\
// Moves on by some bits and returns where they begin.
function take(reader, field, bits) {
  var first = reader.bit;
  if (first + bits > reader.end) {
    refuse(reader, field, "expected " + bits + " more bits, got " + (reader.end - first));
  }
  reader.bit = first + bits;
  return first;
}""",
    "bitsAt": """\
// The bits from `first` to before `end` as a whole number, the most significant first.
function bitsAt(bytes, first, end) {
  var value = 0;
  var octet, count;
  while (first < end) {
    octet = first < 8 * bytes.length ? bytes[Math.floor(first / 8)] : 0;
    count = Math.min(8 - (first % 8), end - first);
    value = value * (1 << count) + ((octet >> (8 - (first % 8) - count)) & ((1 << count) - 1));
    first += count;
  }
  return value;
}""",
    "readUnsigned": """\
function readUnsigned(reader, field, bits) {
  var first = take(reader, field, bits);
  return bitsAt(reader.bytes, first, first + bits);
}""",
    "readUnsignedLittle": """\
// The least significant byte first.
function readUnsignedLittle(reader, field, bits) {
  var first = take(reader, field, bits);
  var value = 0;
  var place;
  for (place = first + bits - 8; place >= first; place -= 8) {
    value = value * 256 + bitsAt(reader.bytes, place, place + 8);
  }
  return value;
}""",
    "signed": """\
// Two's complement of so many bits.
function signed(value, bits) {
  var half = Math.pow(2, bits - 1);
  return value < half ? value : value - 2 * half;
}""",
    "readFlag": """\
function readFlag(reader, field, bits) {
  return readUnsigned(reader, field, bits) !== 0;
}""",
    "readSized": """\
// A whole number whose width or byte order the payload decides.
function readSized(reader, field, bits, isLittle, isSigned) {
  var value;
  if (bits <= 0) {
    refuse(reader, field, "expected a length of at least 1, got " + bits + " bits");
  }
  if (isLittle && bits % 8 !== 0) {
    refuse(reader, field, "expected whole bytes to swap, got " + bits + " bits");
  }
  value = isLittle ? readUnsignedLittle(reader, field, bits) : readUnsigned(reader, field, bits);
  return isSigned ? signed(value, bits) : value;
}""",
    "readFloat": """\
// IEEE 754 binary32 or binary64.
function readFloat(reader, field, bits, isLittle) {
  var first = take(reader, field, bits);
  var octets = [];
  var exponentBits = bits === 32 ? 8 : 11;
  var mantissaBits = bits - 1 - exponentBits;
  var bias = Math.pow(2, exponentBits - 1) - 1;
  var place, sign, exponent, mantissa, value;
  for (place = first; place < first + bits; place += 8) {
    octets.push(bitsAt(reader.bytes, place, place + 8));
  }
  if (isLittle) {
    octets.reverse();
  }
  sign = octets[0] >= 128 ? -1 : 1;
  exponent = bitsAt(octets, 1, 1 + exponentBits);
  mantissa = bitsAt(octets, 1 + exponentBits, bits);
  if (exponent === 2 * bias + 1) {
    return mantissa ? NaN : sign * Infinity;
  }
  value = exponent ? mantissa + Math.pow(2, mantissaBits) : mantissa;
  exponent = (exponent || 1) - bias - mantissaBits;
  // By halves and doubles, each of which is exact.
  for (; exponent > 0; exponent -= 1) {
    value *= 2;
  }
  for (; exponent < 0; exponent += 1) {
    value /= 2;
  }
  return sign * value;
}""",
    "skip": """\
// Filling up to `bits` since `start`; what was read inside must fit.
function skip(reader, field, start, bits) {
  if (bits < 0) {
    refuse(reader, field, "expected a length of 0 or more, got " + bits + " bits");
  }
  if (reader.bit - start > bits) {
    refuse(reader, field, "expected at most " + bits + " bits, got " + (reader.bit - start));
  }
  take(reader, field, start + bits - reader.bit);
}""",
    "swapped": """\
// A reader of the next bytes in the opposite order.
function swapped(reader, field, size) {
  var first = take(reader, field, 8 * size);
  var bytes = [];
  var place;
  for (place = first + 8 * (size - 1); place >= first; place -= 8) {
    bytes.push(bitsAt(reader.bytes, place, place + 8));
  }
  return { payload: reader.payload, bytes: bytes, bit: 0, end: 8 * size };
}""",
    "mirrored": """\
// A reader of the next bytes with the bits of each in the opposite order.
function mirrored(reader, field, size) {
  var first = take(reader, field, 8 * size);
  var bytes = [];
  var place, bit, octet;
  for (place = first; place < first + 8 * size; place += 8) {
    octet = 0;
    for (bit = 7; bit >= 0; bit -= 1) {
      octet = octet * 2 + bitsAt(reader.bytes, place + bit, place + bit + 1);
    }
    bytes.push(octet);
  }
  return { payload: reader.payload, bytes: bytes, bit: 0, end: 8 * size };
}""",
}
