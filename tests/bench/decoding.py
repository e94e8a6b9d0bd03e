"""Decoding: whole batches against construct, payload by payload."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
import pyarrow as pa

from loamline_codecs import CodecSet, builtin_codecs
from tests.bench.measure import Cost, Figure, by_turns
from tests.bench.payloads import Uplink, mixed_uplinks

#: Messages a batch; replay reads in such blocks.
BATCH = 122_880
#: Messages that a round of the slow way reads, in a short run and otherwise.
_SLOW_QUICK, _SLOW = 1_000, 4_000


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield how quick decoding is in batches, alone, and at any size."""
    uplinks = mixed_uplinks(BATCH)
    rounds, few = (3, _SLOW_QUICK) if quick else (15, _SLOW)
    batch, codecs = _columns(uplinks), builtin_codecs()
    layouts = [(codecs.codec_for(*uplink).layout, uplink[1]) for uplink in uplinks[:few]]  # type: ignore[union-attr]
    compiled = {name: layout.compile() for name, layout in {id(layout): layout for layout, _ in layouts}.items()}

    def parse() -> None:
        for layout, payload in layouts:
            layout.parse(payload)

    def parse_compiled() -> None:
        for layout, payload in layouts:
            compiled[id(layout)].parse(payload)

    for name, goal, slow in (("parse", 300, parse), ("compiled parse", 200, parse_compiled)):
        pair = by_turns(lambda: codecs.decode(*batch), BATCH, slow, few, rounds)
        detail = f"{pair.measured_s * 1e9:.0f} ns a message against {pair.other_s * 1e6:.1f} us"
        yield Figure(f"decode a batch of {BATCH}, against construct's {name}", goal, pair.ratio, detail)

    ones = [_columns([uplink]) for uplink in uplinks[:few]]
    pair = by_turns(lambda: [codecs.decode(*one) for one in ones], few, parse, few, rounds)
    detail = f"{pair.measured_s * 1e6:.1f} us against {pair.other_s * 1e6:.1f} us"
    yield Figure("decode a message alone, against construct's parse", 1, pair.ratio, detail)

    most = 5 * 10**5 if quick else 10**7
    blocks, rest = divmod(most, BATCH)
    last = _columns(uplinks[:rest])

    def many() -> None:
        for _ in range(blocks):
            codecs.decode(*batch)
        codecs.decode(*last)

    for least in (10**4, 10**5):
        small = _columns(uplinks[:least])
        times = 10**6 // least // 5
        pair = by_turns(partial(_repeatedly, codecs, small, times), times * least, many, most, 2 if quick else 3)
        detail = f"{pair.measured_s * 1e9:.0f} ns a message against {pair.other_s * 1e9:.0f} ns"
        costs = (
            Cost("decode a message", least, pair.measured_s * 1e6),
            Cost("decode a message", most, pair.other_s * 1e6),
        )
        yield Figure(f"decode {least:.0e} messages, against {most:.0e}", 0.8, pair.ratio, detail, costs=costs)


def _repeatedly(codecs: CodecSet, batch: tuple[Any, Any], times: int) -> None:
    for _ in range(times):
        codecs.decode(*batch)


def _columns(uplinks: list[Uplink]) -> tuple[Any, Any]:
    return np.array([port for port, _ in uplinks], np.uint8), pa.array([payload for _, payload in uplinks], pa.binary())
