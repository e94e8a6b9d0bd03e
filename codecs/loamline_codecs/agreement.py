"""Whether both executors say the same: a whole batch beside its payloads one by one.

The scalar parser is the reference. A difference is a sentence with row, payload, column and what each said, so
that it can be tried again alone with `loamline codec dissect`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loamline_codecs.batch import Decoded
from loamline_codecs.codec_set import CodecSet
from loamline_codecs.declaration import Message, Refusal
from loamline_codecs.quantities import SAMPLE_QUANTITIES, UPLINK_QUANTITIES

#: How many hex digits of a payload a sentence shows: more than any LoRa packet holds.
_SHOWN_DIGITS = 600


def differences(codecs: CodecSet, fports: Sequence[int], payloads: Sequence[bytes]) -> list[str]:
    """Return where `codecs.decode` of n payloads differs from `codecs.parse` of each; empty where nowhere.

    Compares every column of `Decoded`, its type and its order, and every refusal word by word; NaN equals NaN. An
    exception from either executor is a difference too. A batch has to hold `columnar.SMALLEST_PARTITION` payloads of
    a codec and length for the columnar executor to read them at all.
    """
    try:
        expected = row_by_row(codecs, fports, payloads)
    except ScalarError as problem:
        return [str(problem)]
    try:
        got = decode(codecs, fports, payloads)
    except Exception as problem:  # noqa: BLE001 - decode must never raise, whatever it is
        what = f"expected to be decoded, got {type(problem).__name__}: {problem}"
        return [f"a batch of payloads of {_lengths(payloads)} bytes: {what}"]
    return compare(expected, got, payloads)


class ScalarError(Exception):
    """The scalar parser raised, which it never may; the message says at which payload, and what."""


def decode(codecs: CodecSet, fports: Sequence[int], payloads: Sequence[bytes]) -> Decoded:
    """Return the batch as the chain decodes it."""
    return codecs.decode(np.array(fports, np.uint8), pa.array(payloads, pa.binary())).in_payload_order()


def row_by_row(codecs: CodecSet, fports: Sequence[int], payloads: Sequence[bytes]) -> Decoded:
    """Return what a batch must say, put together from the scalar parser's answers; raises ScalarError."""
    uplinks = list(zip(fports, payloads, strict=True))
    # Equal payloads, as crowds of them are made of, are read once.
    answers = {uplink: _parsed(codecs, row, uplink) for uplink, row in _first_rows(uplinks).items()}
    read = [answers[uplink] for uplink in uplinks]
    messages = {row: message for row, message in enumerate(read) if isinstance(message, Message)}
    samples = [(row, sample) for row, message in messages.items() for sample in message.samples]
    index = {id(codec): place for place, codec in enumerate(codecs.codecs)}

    def uplink(name: str) -> list[float | None]:
        return [messages[row].uplink.get(name) if row in messages else None for row in range(len(read))]

    def column(of: Callable[[Any], Any], kind: Any) -> Any:
        return np.array([of(sample) for _, sample in samples], dtype=kind)

    def figures(name: str) -> Any:
        return column(lambda sample: sample.figures.get(name), np.float64)

    return Decoded(
        codec=np.array(
            [index[id(messages[row].codec)] if row in messages else -1 for row in range(len(read))], np.int16
        ),
        uplink={name: np.array(uplink(name), np.float64) for name in UPLINK_QUANTITIES},
        row=np.array([row for row, _ in samples], np.int64),
        depth_index=column(lambda sample: sample.depth_index, np.int16),
        age_minutes=column(lambda sample: sample.age_minutes, np.int32),
        figures={name: figures(name) for name in SAMPLE_QUANTITIES},
        moisture_fault=column(lambda sample: sample.moisture_fault, np.bool_),
        temperature_fault=column(lambda sample: sample.temperature_fault, np.bool_),
        out_of_range=column(lambda sample: sample.out_of_range, np.bool_),
        refusals={row: refusal for row, refusal in enumerate(read) if isinstance(refusal, Refusal)},
    )


def compare(expected: Decoded, got: Decoded, payloads: Sequence[bytes]) -> list[str]:
    """Return how a decoded batch differs from what the scalar parser's answers make of it, as sentences."""
    told = [*_refusals(expected, got, payloads)]
    columns = dict(_columns(expected))
    others = dict(_columns(got))
    if columns.keys() != others.keys():
        told.append(f"columns: expected {', '.join(columns)}, got {', '.join(others)}")
    common = [name for name in columns if name in others]
    for name in common:
        if _of_a_message(name):
            told += _column(name, columns[name], others[name], None, payloads)
    if not np.array_equal(expected.row, got.row):
        return [*told, *_sample_counts(expected, got, payloads)]
    for name in common:
        if not _of_a_message(name):
            told += _column(name, columns[name], others[name], expected.row, payloads)
    return told


def _lengths(payloads: Sequence[bytes]) -> str:
    """Return the lengths in a batch, since no one payload can be blamed."""
    found = sorted({len(payload) for payload in payloads}) or [0]
    return str(found[0]) if len(found) == 1 else f"{found[0]} to {found[-1]}"


def _first_rows(uplinks: Sequence[tuple[int, bytes]]) -> dict[tuple[int, bytes], int]:
    first: dict[tuple[int, bytes], int] = {}
    for row, uplink in enumerate(uplinks):
        first.setdefault(uplink, row)
    return first


def _parsed(codecs: CodecSet, row: int, uplink: tuple[int, bytes]) -> Message | Refusal:
    try:
        return codecs.parse(*uplink)
    except Exception as problem:
        what = f"expected the scalar parser to read or refuse it, got {type(problem).__name__}: {problem}"
        raise ScalarError(f"{_where(row, uplink[1])}: {what}") from problem


def _columns(decoded: Decoded) -> Iterator[tuple[str, NDArray[Any]]]:
    for field in dataclasses.fields(decoded):
        value = getattr(decoded, field.name)
        if field.name == "refusals":
            continue
        if isinstance(value, dict):
            yield from ((f"{field.name}.{name}", column) for name, column in value.items())
        else:
            yield field.name, value


def _of_a_message(column: str) -> bool:
    return column == "codec" or column.startswith("uplink.")


def _refusals(expected: Decoded, got: Decoded, payloads: Sequence[bytes]) -> Iterator[str]:
    for row in sorted(expected.refusals.keys() | got.refusals.keys()):
        want, have = expected.refusals.get(row), got.refusals.get(row)
        if want != have:
            yield _sentence(row, payloads, "refusal", _refusal(want), _refusal(have))


def _refusal(refusal: Refusal | None) -> str:
    return "that it reads it" if refusal is None else f"{refusal.reason} ({refusal.codec}): {refusal.detail}"


def _column(
    name: str, want: NDArray[Any], have: NDArray[Any], rows: NDArray[np.int64] | None, payloads: Sequence[bytes]
) -> Iterator[str]:
    """Yield the places at which two columns differ; `rows` says in which payload each sample came."""
    if want.dtype != have.dtype or want.shape != have.shape:
        yield f"{name}: the scalar parser said {want.dtype}{want.shape}, the columnar executor {have.dtype}{have.shape}"
        return
    same = want == have
    if want.dtype.kind == "f":
        same |= np.isnan(want) & np.isnan(have)
    for place in np.flatnonzero(~same):
        row, nth = int(place), ""
        if rows is not None:
            row = int(rows[place])
            nth = f" of sample {place - np.searchsorted(rows, row)}"
        yield _sentence(row, payloads, f"{name}{nth}", want[place].item(), have[place].item())


def _sample_counts(expected: Decoded, got: Decoded, payloads: Sequence[bytes]) -> Iterator[str]:
    want = np.bincount(expected.row, minlength=len(payloads))
    have = np.bincount(got.row, minlength=len(payloads))
    if np.array_equal(want, have):
        yield "row: expected samples in payload order, got another order"
    for row in np.flatnonzero(want != have):
        yield _sentence(int(row), payloads, "samples", int(want[row]), int(have[row]))


def _sentence(row: int, payloads: Sequence[bytes], column: str, scalar: object, columnar: object) -> str:
    where = _where(row, payloads[row])
    return f"{where}: {column}: the scalar parser said {scalar}, the columnar executor {columnar}"


def _where(row: int, payload: bytes) -> str:
    digits = payload.hex()
    shown = digits if len(digits) <= _SHOWN_DIGITS else f"{digits[:_SHOWN_DIGITS]}... of {len(payload)} bytes"
    return f"row {row}, payload {shown or 'of 0 bytes'}"
