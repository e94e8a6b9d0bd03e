"""pydantic's findings as sentences: where, what was expected, what came."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

_EXPECTED = {
    "missing": "a value",
    "extra_forbidden": "no such field",
    "string_type": "text",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "dict_type": "an object",
    "model_type": "an object",
    "model_attributes_type": "an object",
    "tuple_type": "a list",
    "list_type": "a list",
    "timezone_aware": "a time with its offset, such as 2026-05-01T10:00:00Z",
    "datetime_from_date_parsing": "an RFC 3339 date-time such as 2026-05-01T10:00:00Z",
    "datetime_parsing": "an RFC 3339 date-time such as 2026-05-01T10:00:00Z",
    "date_from_datetime_parsing": "a date such as 2026-05-01",
    "date_parsing": "a date such as 2026-05-01",
    "json_invalid": "JSON",
}


def findings(problem: ValidationError) -> list[tuple[str, str, str]]:
    """Return (where, expected, got) of every error, in order; `where` is a dotted path, empty for the whole."""
    return [_finding(error) for error in problem.errors(include_url=False)]


def sentence(problem: ValidationError) -> str:
    """Return every error in one line: `fcnt: expected a whole number, got 1.5; ...`."""
    parts = []
    for where, expected, got in findings(problem):
        told = f"expected {expected}" + (f", got {got}" if got else "")
        parts.append(f"{where}: {told}" if where else told)
    return "; ".join(parts)


def _finding(error: Any) -> tuple[str, str, str]:
    where = ".".join(str(part) for part in error["loc"])
    kind = error["type"]
    if kind == "json_invalid":
        return "", "JSON", str(error["ctx"]["error"])
    got = "nothing" if kind == "missing" else _shown(error["input"])
    if kind == "value_error":
        # Our own validators say both halves themselves where the value alone would not tell.
        told = str(error["ctx"]["error"]).removeprefix("expected ")
        expected, _, own_got = told.partition(", got ")
        return where, expected, own_got or got
    return where, _EXPECTED.get(kind) or _from_message(error), got


def _from_message(error: Any) -> str:
    ctx = error.get("ctx", {})
    if error["type"] == "string_pattern_mismatch":
        return f"text of the form {ctx['pattern']}"
    if error["type"] in ("literal_error", "enum"):
        return f"one of {ctx['expected']}"
    message = str(error["msg"])
    for start in ("Input should be ", "String should have ", "Value should have ", "Tuple should have "):
        message = message.removeprefix(start)
    return message[0].lower() + message[1:]


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."
