"""JavaScript functions for what is not reading: rules of a layout, Python's arithmetic, samples, refusals."""

from __future__ import annotations

#: Name -> the function in ECMAScript 5.1, in the order in which a script has them.
FIGURING: dict[str, str] = {
    "countOf": """\
function countOf(reader, field, count) {
  if (count < 0) {
    refuse(reader, field, "expected a count of 0 or more, got " + count);
  }
  return count;
}""",
    "constant": """\
function constant(reader, field, value, expected) {
  if (Number(value) !== expected || value === null) {
    refuse(reader, field, "expected " + expected + ", got " + value);
  }
  return value;
}""",
    "required": """\
// A value that a rule of the layout needs, and that may be in a section which isn't there.
function required(reader, field, value) {
  if (value === null || value === undefined) {
    refuse(reader, field, "expected a value to go by, got none");
  }
  return value;
}""",
    "itemAt": """\
function itemAt(reader, field, list, index) {
  var place = index < 0 ? list.length + index : index;
  if (place < 0 || place >= list.length) {
    refuse(reader, field, "expected more than " + list.length + " elements, asked for " + index);
  }
  return list[place];
}""",
    "total": """\
function total(list) {
  var sum = 0;
  var k;
  for (k = 0; k < list.length; k += 1) {
    sum += Number(list[k]);
  }
  return sum;
}""",
    "extreme": """\
// The greatest element where `sign` is 1, the least where it is -1.
function extreme(reader, field, list, sign) {
  var found, k;
  if (list.length === 0) {
    refuse(reader, field, "expected at least one element to compare, got none");
  }
  found = Number(list[0]);
  for (k = 1; k < list.length; k += 1) {
    found = sign * list[k] > sign * found ? Number(list[k]) : found;
  }
  return found;
}""",
    "bitAnd": """\
// JavaScript's & holds for 32 bits only: wider numbers are taken in two halves.
function bitAnd(a, b) {
  var half = 67108864;
  var highA = Math.floor(a / half);
  var highB = Math.floor(b / half);
  return (highA & highB) * half + ((a - highA * half) & (b - highB * half));
}""",
    "bitOr": """\
// JavaScript's | holds for 32 bits only: wider numbers are taken in two halves.
function bitOr(a, b) {
  var half = 67108864;
  var highA = Math.floor(a / half);
  var highB = Math.floor(b / half);
  return (highA | highB) * half + ((a - highA * half) | (b - highB * half));
}""",
    "bitXor": """\
// JavaScript's ^ holds for 32 bits only: wider numbers are taken in two halves.
function bitXor(a, b) {
  var half = 67108864;
  var highA = Math.floor(a / half);
  var highB = Math.floor(b / half);
  return (highA ^ highB) * half + ((a - highA * half) ^ (b - highB * half));
}""",
    "modulo": """\
// The remainder that has the divisor's sign.
function modulo(a, b) {
  var rest = a % b;
  return rest !== 0 && rest < 0 !== b < 0 ? rest + b : rest + 0;
}""",
    "floorDivide": """\
// Division of floats down to a whole number, by way of the exact remainder.
function floorDivide(a, b) {
  var rest = a % b;
  var whole = (a - rest) / b;
  var down;
  if (rest !== 0 && rest < 0 !== b < 0) {
    whole -= 1;
  }
  down = Math.floor(whole);
  return whole - down > 0.5 ? down + 1 : down;
}""",
    "power": """\
function power(base, exponent) {
  var value = 1;
  for (; exponent > 0; exponent -= 1) {
    value *= base;
  }
  return value;
}""",
    "fieldAt": """\
// The raw value at a path of the layout, null where its section is absent.
function fieldAt(value, names) {
  var k;
  for (k = 0; k < names.length; k += 1) {
    if (value === null || !Object.prototype.hasOwnProperty.call(value, names[k])) {
      return null;
    }
    value = value[names[k]];
  }
  return value;
}""",
    "labelOf": """\
// A code by its name, or as the number that it is where it has none.
function labelOf(labels, code, figure) {
  return Object.prototype.hasOwnProperty.call(labels, code) ? labels[code] : figure;
}""",
    "towardsZero": """\
function towardsZero(figure) {
  return figure < 0 ? Math.ceil(figure) : Math.floor(figure);
}""",
    "keepSample": """\
// Adds a sample, and its faults to the warnings with where and when.
function keepSample(samples, sample, faults, warnings) {
  var age = sample.age_minutes ? ", " + sample.age_minutes + " minutes older" : "";
  var k;
  if (faults.length > 0) {
    sample.faults = faults;
  }
  for (k = 0; k < faults.length; k += 1) {
    warnings.push("depth " + sample.depth_index + age + ": " + faults[k]);
  }
  samples.push(sample);
}""",
    "refuse": """\
// Ends the reading; decodeUplink returns the sentence among its errors.
function refuse(reader, field, what) {
  var where = field === "" ? "" : "field " + field + ": ";
  throw new Error("codec " + CODEC + ": " + where + what + "; payload " + hex(reader.payload));
}""",
    "hex": """\
function hex(bytes) {
  var digits = "";
  var k;
  for (k = 0; k < bytes.length; k += 1) {
    digits += (bytes[k] < 16 ? "0" : "") + bytes[k].toString(16);
  }
  return digits;
}""",
}
