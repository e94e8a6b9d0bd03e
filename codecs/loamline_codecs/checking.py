"""Everything that a codec must stand before it reads a probe's messages: each check a verdict with its counts.

Golden cases, the way back from figures to bytes, and both executors side by side on truncated, extended, bit-flipped
and random payloads. No I/O: golden files are looked at by `loamline_codecs.golden`.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from loamline_codecs.agreement import differences
from loamline_codecs.codec_set import CodecSet
from loamline_codecs.columnar import SMALLEST_PARTITION
from loamline_codecs.declaration import Codec, Message, Quantity, Refusal
from loamline_codecs.dissect import Dissection, dissect
from loamline_codecs.golden import FEWEST_CASES, Examined, lossy
from loamline_codecs.lengths import length_in_words
from loamline_codecs.walkable import is_greedy

Uplink = tuple[int, bytes]
Verdict = Literal["ok", "failed", "note"]
#: How many checks `check_codec` makes at most.
MOST_CHECKS = 9
#: Every so many-th random payload is of any length instead of a golden case's.
_STRAY = 8
#: Random payloads are up to so long where no golden case tells a length: LoRaWAN carries up to 242 bytes, at the
#: slowest data rates 51 (LoRaWAN Regional Parameters, from memory).
_LONGEST = 51


@dataclass(frozen=True)
class Check:
    """One check's outcome: `told` is a line with counts, `details` are sentences on what failed or is worth noting."""

    name: str
    verdict: Verdict
    told: str
    details: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cases:
    """A codec's golden cases: where they lie, as it is told, and whether there must be any."""

    folder: str
    examined: tuple[Examined, ...]
    required: bool = True


def check_codec(codecs: CodecSet, codec: Codec, cases: Cases, *, payloads: int, seed: int) -> Iterator[Check]:
    """Yield every check of one codec of `codecs`, quick ones first; `payloads` random ones are tried, by `seed`."""
    yield Check("declaration", "ok", f"{match_in_words(codec)}, {length_in_words(codec)}; digest {codec.digest}")
    yield _golden(cases)
    own = list(dict.fromkeys(uplink for uplink in _uplinks(cases) if _is_read(codecs, codec, uplink)))
    if own:
        yield _round_trip(codecs, own)
        shorter = [(fport, payload[:length]) for fport, payload in own for length in range(len(payload))]
        yield _refused(codecs, codec, "truncation", "truncated payloads", shorter)
        longer = [(fport, payload + more) for fport, payload in own for more in (b"\x00", b"\xff")]
        yield _refused(codecs, codec, "trailing byte", "payloads with a byte more", longer)
        yield _flips(codecs, own)
    yield _random(codecs, codec, own, payloads, seed)
    if own:
        taken = [found for uplink in own if isinstance(found := dissect(codecs, *uplink), Dissection)]
        yield _quantities(codec, [found.message for found in taken])
        yield _sentinels(codec, taken)


def match_in_words(codec: Codec) -> str:
    """Return which messages a codec reads, for instance "FPort 10, byte 0 = 0x20..0x2F"."""
    low, high = codec.match.first_bytes[0], codec.match.first_bytes[-1]
    return f"FPort {codec.match.fport}, byte 0 = 0x{low:02X}" + ("" if low == high else f"..0x{high:02X}")


def _golden(cases: Cases) -> Check:
    count = len(cases.examined)
    if not count:
        return Check(
            "golden cases",
            "failed" if cases.required else "note",
            f"not checked: no golden cases at {cases.folder}",
        )
    problems = [f"{case.label}: {case.problem}" for case in cases.examined if case.problem]
    told = f"{count - len(problems)} of {count} hold"
    if count < FEWEST_CASES:
        problems.append(f"{cases.folder}: expected at least {FEWEST_CASES} cases, got {count}")
    return _outcome("golden cases", told, problems)


def _round_trip(codecs: CodecSet, own: Sequence[Uplink]) -> Check:
    problems = [f"payload {payload.hex()}: {told}" for fport, payload in own if (told := lossy(codecs, fport, payload))]
    return _outcome("round trip", f"{len(own) - len(problems)} of {len(own)} come back from their figures", problems)


def _refused(codecs: CodecSet, codec: Codec, name: str, what: str, uplinks: Iterable[Uplink]) -> Check:
    """Check that both executors refuse payloads alike; one that takes what it finds may read them, alike too."""
    tried = list(dict.fromkeys(uplinks))
    read = [payload for fport, payload in tried if isinstance(codecs.parse(fport, payload), Message)]
    problems = _disagreements(codecs, tried)
    alike = f"; {len(problems)} differences between the executors" if problems else " by both executors alike"
    told = f"{len(tried) - len(read)} of {len(tried)} {what} refused{alike}"
    if not read:
        return _outcome(name, told, problems)
    if is_greedy(codec.layout):
        note = "the layout takes as many bytes as come, so that only the radio's own check guards a message's length"
        return Check(name, "failed" if problems else "note", told, (*problems, note))
    problems += [f"payload {payload.hex() or 'of 0 bytes'}: expected to be refused, got read" for payload in read]
    return Check(name, "failed", told, tuple(problems))


def _flips(codecs: CodecSet, own: Sequence[Uplink]) -> Check:
    flipped = dict.fromkeys(
        (fport, (int.from_bytes(payload, "big") ^ 1 << bit).to_bytes(len(payload), "big"))
        for fport, payload in own
        for bit in range(8 * len(payload))
    )
    return _alike(codecs, "bit flips", "payloads with a flipped bit", list(flipped))


def _random(codecs: CodecSet, codec: Codec, own: Sequence[Uplink], count: int, seed: int) -> Check:
    uplinks = list(random_uplinks(codec, [payload for _, payload in own], count, seed))
    check = _alike(codecs, "random payloads", f"random payloads of seed {seed}", uplinks)
    if check.verdict == "ok" and uplinks and not any(_is_read(codecs, codec, uplink) for uplink in uplinks):
        return Check(check.name, "note", check.told, ("none of them was read: more golden cases would tell lengths",))
    return check


def random_uplinks(codec: Codec, golden: Sequence[bytes], count: int, seed: int) -> Iterator[Uplink]:
    """Yield `count` random messages that a codec is asked to read: of the golden cases' lengths, some of any."""
    draw = random.Random(seed)  # noqa: S311 - to be repeated, not to be secret
    heads = sorted({(payload[0], len(payload)) for payload in golden if payload})
    longest = 2 * max((length for _, length in heads), default=_LONGEST)
    for nth in range(count):
        # Half begin as a golden case does, so that most are read; the others with any byte that the match takes.
        first, length = draw.choice(heads) if heads else (0, 0)
        if not heads or nth % 2:
            first = draw.choice(codec.match.first_bytes)
        if not heads or nth % _STRAY == _STRAY - 1:
            length = draw.randint(1, longest)
        yield codec.match.fport, bytes([first]) + draw.randbytes(length - 1)


def _quantities(codec: Codec, messages: Sequence[Message]) -> Check:
    seen = {name for message in messages for name, figure in message.uplink.items() if figure is not None}
    for sample in (sample for message in messages for sample in message.samples):
        seen |= {name for name, figure in sample.figures.items() if figure is not None}
    declared = list(dict.fromkeys(quantity.name for quantity in _declared(codec)))
    missing = [f"{name}: expected a figure in a golden case, got none" for name in declared if name not in seen]
    return _outcome("quantities", f"{len(declared) - len(missing)} of {len(declared)} have a golden figure", missing)


def _sentinels(codec: Codec, taken: Sequence[Dissection]) -> Check:
    seen = {(leaf.quantity, leaf.raw) for found in taken for leaf in found.leaves}
    declared = {(quantity.name, raw): text for quantity in _declared(codec) for raw, text in quantity.sentinels.items()}
    missing = [
        f"{name}: raw {raw} ({text}) is in no golden case"
        for (name, raw), text in declared.items()
        if (name, raw) not in seen
    ]
    told = f"{len(declared) - len(missing)} of {len(declared)} are in a golden case" if declared else "none declared"
    return Check("fault codes", "note" if missing else "ok", told, tuple(missing))


def _alike(codecs: CodecSet, name: str, what: str, uplinks: Sequence[Uplink]) -> Check:
    read = sum(isinstance(codecs.parse(*uplink), Message) for uplink in uplinks)
    problems = _disagreements(codecs, uplinks)
    alike = f"; {len(problems)} differences between the executors" if problems else " by both executors alike"
    return _outcome(name, f"{len(uplinks)} {what}: {read} read and {len(uplinks) - read} refused{alike}", problems)


def _disagreements(codecs: CodecSet, uplinks: Sequence[Uplink]) -> list[str]:
    """Return each difference once, by payload instead of by row: in a crowd, and a few at a time as live traffic."""
    few = SMALLEST_PARTITION - 1
    batches = [crowded(codecs, uplinks), *(uplinks[start : start + few] for start in range(0, len(uplinks), few))]
    told = [
        sentence
        for batch in batches
        for sentence in differences(codecs, [fport for fport, _ in batch], [payload for _, payload in batch])
    ]
    return list(dict.fromkeys(re.sub(r"^row \d+, ", "", sentence) for sentence in told))


def crowded(codecs: CodecSet, uplinks: Iterable[Uplink]) -> list[Uplink]:
    """Return the messages, repeated so often that the columnar executor reads every partition of them."""
    partitions: dict[tuple[str, int], list[Uplink]] = {}
    for fport, payload in uplinks:
        codec = codecs.codec_for(fport, payload)
        name = "" if isinstance(codec, Refusal) else codec.name
        partitions.setdefault((name, len(payload)), []).append((fport, payload))
    crowd: list[Uplink] = []
    for (name, _), alike in partitions.items():
        crowd += alike * (-(-SMALLEST_PARTITION // len(alike)) if name else 1)
    return crowd


def _outcome(name: str, told: str, problems: Sequence[str]) -> Check:
    return Check(name, "failed" if problems else "ok", told, tuple(problems))


def _uplinks(cases: Cases) -> Iterator[Uplink]:
    return (case.uplink for case in cases.examined if case.uplink is not None)


def _is_read(codecs: CodecSet, codec: Codec, uplink: Uplink) -> bool:
    read = codecs.parse(*uplink)
    return isinstance(read, Message) and read.codec is codec


def _declared(codec: Codec) -> list[Quantity]:
    return [*codec.quantities, *(quantity for group in codec.samples for quantity in group.quantities)]
