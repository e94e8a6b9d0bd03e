"""What raw values mean, in JavaScript: bounds, physical figures, fault codes, samples.

A figure is (raw * a + b) / c with whole numbers, as `Quantity.ratio` has them: one division of exact numbers, so that
it is the very double that Python gives.
"""

from __future__ import annotations

from loamline_codecs.declaration import Codec, DeclarationError, Quantity, SampleGroup
from loamline_codecs.quantities import FLAGS
from loamline_codecs.script.names import comment, literal, member, text
from loamline_codecs.script.shape import ABSENT, EXACT, Shape, describe, either

_FIRMWARE = ("firmware_major", "firmware_minor")


class Meaning:
    """Writes the functions that turn a codec's raw values, of which `shape` is known, into figures."""

    def __init__(self, codec: Codec, shape: Shape) -> None:
        self._codec = codec
        self._shape = shape

    # Raw values --------------------------------------------------------------------------------------

    def _raw(self, owner: str, shape: Shape, path: str, user: str) -> tuple[str, Shape]:
        """Return the expression for the raw value at `path`, and what it may be; null where its section is absent."""
        code, found, direct = owner, shape, True
        for name in path.split("."):
            if found.kinds or found.items is not None or (found.fields is None and not found.optional):
                self._fail(user, "a field of a section", f"{path!r} in {describe(found)}")
            direct = direct and not found.optional
            absent = found.optional
            found = (found.fields or {}).get(name, ABSENT)
            if absent or found.missing:
                found = either(found, ABSENT)
            code = member(code, name)
        if not direct or found.missing:
            names = ", ".join(text(name) for name in path.split("."))
            return f"fieldAt({owner}, [{names}])", found
        return code, found

    def _number(self, owner: str, shape: Shape, path: str, user: str) -> tuple[str, Shape]:
        code, found = self._raw(owner, shape, path, user)
        if found.fields is not None or found.items is not None:
            self._fail(user, "a number", f"{path!r}, which is {describe(found)}")
        return code, found

    def _fail(self, user: str, expected: str, got: str) -> None:
        raise DeclarationError(f"codec {self._codec.name}: {user}: expected in a script {expected}, got {got}")

    # Bounds ------------------------------------------------------------------------------------------

    def bounds(self) -> list[str]:
        """Return the statements that refuse a payload whose fields leave their bounds."""
        lines = []
        for bound in self._codec.bounds:
            raw, shape = self._number("payload", self._shape, bound.field, f"field {bound.field}")
            if not shape.kinds:
                continue
            inside = f"{bound.low} <= {raw} && {raw} <= {bound.high}"
            outside = f"!({inside})" if "float" in shape.kinds else f"{raw} < {bound.low} || {raw} > {bound.high}"
            if shape.optional:
                outside = f"{raw} !== null && ({outside})"
            told = f'"expected {bound.low} to {bound.high}, got " + {_as_number(raw, shape)}'
            lines += [f"if ({outside}) {{", f"  refuse(reader, {text(bound.field)}, {told});", "}"]
        return lines

    # Figures -----------------------------------------------------------------------------------------

    def _figure(self, quantity: Quantity, raw: str, shape: Shape) -> str:
        """Return the physical figure of a raw value that is a number and no fault code."""
        a, b, c = quantity.ratio
        floats = "float" in shape.kinds
        if not floats and max(max(-shape.low, shape.high) * abs(a) + abs(b), c) >= EXACT:
            self._fail(quantity.name, "figures of whole numbers under 2^53", f"({raw} * {a} + {b}) / {c}")
        code = _as_number(raw, shape)
        if a != 1:
            code = f"{code} * {_factor(a, floats=floats)}"
        if b or a < 0 or floats:  # adding 0 makes no zero with a sign, as in Python
            code = f"{code} {'-' if b < 0 else '+'} {_factor(abs(b), floats=floats)}"
        if c == 1:
            return code
        return f"({code}) / {c}" if " " in code else f"{code} / {c}"

    def _assigned(self, quantity: Quantity, target: str, raw: str, shape: Shape, faults: str) -> list[str]:
        """Return the statements that set `target` to a quantity's figure and tell its fault; both from `raw`."""
        if not shape.kinds:
            return [f"{target} = null;"]
        code = self._read_as(quantity, raw, shape)
        fault_codes = dict(quantity.sentinels)
        limits = quantity.valid
        if limits and "float" not in shape.kinds and limits[0] <= shape.low and shape.high <= limits[1]:
            limits = None
        note = f" // {comment(quantity.unit)}" if quantity.unit not in ("1", "{count}") else ""
        if not fault_codes and limits is None and not shape.optional:
            return [f"{target} = {code};{note}"]
        lines = []
        if " " in raw or "(" in raw or fault_codes or limits:
            lines, again = [f"raw = {raw};"], "raw"
            code = self._read_as(quantity, again, shape)
        else:
            again = raw
        nothing = [f"{again} === null"] if shape.optional else []
        number = _as_number(again, shape)
        nothing += [f"{number} === {fault}" for fault in fault_codes]
        there = "raw !== null && " if shape.optional and "flag" in shape.kinds else ""  # since Number(null) is 0
        lines.append(f"{target} = {' || '.join(nothing)} ? null : {code};{note}" if nothing else f"{target} = {code};")
        about = f"{quantity.name}: " if faults == "warnings" else ""
        tests = [(f"{there}{number} === {fault}", text(about + told)) for fault, told in fault_codes.items()]
        if limits:
            low, high = limits
            outside = f"{again} < {low} || {again} > {high}"
            if "float" in shape.kinds:
                outside = f"!({low} <= {again} && {again} <= {high})"
            if shape.optional:
                outside = f"{again} !== null && {outside}" if outside[0] == "!" else f"{again} !== null && ({outside})"
            told = f"{quantity.name}: expected raw {low} to {high}, got "
            tests.append((outside, f"{text(told)} + {number}"))
        for index, (test, told) in enumerate(tests):
            head = f"if ({test}) {{" if index == 0 else f"}} else if ({test}) {{"
            lines += [head, f"  {faults}.push({told});"]
        return [*lines, "}"] if tests else lines

    def _read_as(self, quantity: Quantity, raw: str, shape: Shape) -> str:
        """Return a number as a figure, true or false, or the name of a code."""
        figure = self._figure(quantity, raw, shape)
        if quantity.name in FLAGS:
            same = shape.kinds == {"flag"} and quantity.ratio == (1, 0, 1)
            return raw if same else f"{_grouped(figure)} !== 0"
        if quantity.labels:
            if "float" in shape.kinds:
                self._fail(quantity.name, "a whole number to name codes by", "a float")
            otherwise = figure if quantity.ratio[2] == 1 else f"towardsZero({figure})"
            return f"labelOf({labels_variable(quantity)}, {_as_number(raw, shape)}, {otherwise})"
        return figure

    def uplink(self) -> list[str]:
        """Return the statements that fill `data` with the quantities of the message as a whole."""
        quantities = {quantity.name: quantity for quantity in self._codec.quantities}
        lines = self._firmware(quantities) if set(_FIRMWARE) <= set(quantities) else []
        for quantity in quantities.values():
            if lines and quantity.name in _FIRMWARE and set(_FIRMWARE) <= set(quantities):
                continue
            raw, shape = self._number("payload", self._shape, quantity.field, quantity.name)
            lines += self._assigned(quantity, f"data.{quantity.name}", raw, shape, "warnings")
        return lines

    def _firmware(self, quantities: dict[str, Quantity]) -> list[str]:
        parts, lines = [], ["var firmware = {};"]
        for name in _FIRMWARE:
            raw, shape = self._number("payload", self._shape, quantities[name].field, name)
            if "float" in shape.kinds or quantities[name].ratio[2] != 1:
                self._fail(name, "a whole number", "one that may have decimals")
            parts.append((quantities[name], raw, shape))
            lines += self._assigned(quantities[name], f"firmware.{name[9:]}", raw, shape, "warnings")
        if any(quantity.sentinels or quantity.valid or shape.optional for quantity, _, shape in parts):
            told = 'firmware.major + "." + firmware.minor'
            lines.append(f"data.firmware = firmware.major === null || firmware.minor === null ? null : {told};")
            return lines
        major, minor = (_grouped(self._figure(*part)) for part in parts)
        return [f'data.firmware = {major} + "." + {minor};']

    def samples(self) -> list[str]:
        """Return the statements that fill `samples`."""
        lines: list[str] = []
        for group in self._codec.samples:
            lines += ["", *(self._repeated(group) if group.repeat is not None else self._single(group))]
        return lines[1:]

    def _single(self, group: SampleGroup) -> list[str]:
        return self._sample(group, "payload", self._shape, str(group.depth_index or 0), "0")

    def _repeated(self, group: SampleGroup) -> list[str]:
        code, shape = self._raw("payload", self._shape, str(group.repeat), "repeat")
        if shape.items is None or shape.kinds or shape.fields is not None:
            self._fail("repeat", "a list", f"{group.repeat!r}, which is {describe(shape)}")
        items = shape.items or ABSENT
        step, lines = "0", []
        if group.age_interval:
            raw, interval = self._number("payload", self._shape, group.age_interval, "age_interval")
            if "float" in interval.kinds:
                self._fail("age_interval", "a whole number", "a float")
            step = f"k * {raw}"  # null and false count as 0
        listed = f"({code} || [])" if shape.optional else code
        depth = "k" if group.depth_index is None else str(group.depth_index)
        inside = self._sample(group, "element", items, depth, step)
        lines += [f"elements = {listed};", "for (k = 0; k < elements.length; k += 1) {", "  element = elements[k];"]
        return [*lines, *(f"  {line}" for line in inside), "}"]

    def _sample(self, group: SampleGroup, owner: str, shape: Shape, depth: str, age: str) -> list[str]:
        lines = [f"sample = {{ depth_index: {depth}, age_minutes: {age} }};", "faults = [];"]
        for quantity in group.quantities:
            raw, found = self._number(owner, shape, quantity.field, quantity.name)
            lines += self._assigned(quantity, f"sample.{quantity.name}", raw, found, "faults")
        return [*lines, "keepSample(samples, sample, faults, warnings);"]


def labels_variable(quantity: Quantity) -> str:
    """Return the name of the table that holds a code's labels."""
    return f"{quantity.name.upper()}_LABELS"


def _as_number(raw: str, shape: Shape) -> str:
    return f"Number({raw})" if "flag" in shape.kinds else raw


def _factor(value: int, *, floats: bool) -> str:
    return literal(float(value)) if floats and abs(value) >= EXACT else str(value)


def _grouped(code: str) -> str:
    return f"({code})" if " " in code else code
