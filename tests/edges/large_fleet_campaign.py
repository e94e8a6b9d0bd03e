"""Replay equals live on a large fleet.

    uv run python -m tests.edges.large_fleet_campaign --probes 2000 --hours 2000 --seed 1

What a fleet sends comes in any order and in batches of any size through the writer; then everything is replayed from
the raw log with nothing changed. Nothing may be stale before, nothing may change by it, and `verify` has to find zero
differences. Exit 0 if so, 1 if not. The fleet comes a group of probes after the other, each shuffled as a whole: a
probe's uplinks come in any order, and memory does not grow with the fleet.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from loamline.app.replaying import Scope, plan_now, revision_of, steps
from loamline.edges.messages import Accepted
from loamline.edges.store.connection import Store
from loamline.edges.store.registry import latest_reference, save_state
from loamline.edges.store.revisions import Span, open_revision
from loamline.edges.store.verify import verify
from loamline.edges.store.writer import Writer
from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception, Uplink
from tests.support.large_store import START, dev_eui, fleet_registry

CODECS = builtin_codecs()
#: Uplinks that are shuffled as one, and the largest batch of them.
_GROUP_UPLINKS, _LARGEST_BATCH = 200_000, 20_000
#: Shares of uplinks that the radio loses, that come twice, that say something no codec reads, and that are statuses.
_LOST, _TWICE, _UNREADABLE, _STATUS = 0.02, 0.05, 0.002, 0.04
_KEPT_AT = datetime(2026, 1, 1, tzinfo=UTC)


@dataclass
class Summary:
    """What a campaign came to; `stale`, `changed` and `differences` must be 0."""

    probes: int
    hours: int
    seed: int
    sent: int = 0
    batches: int = 0
    stored: int = 0
    readings: int = 0
    statuses: int = 0
    set_aside: int = 0
    stale: int = 0
    changed: int = 0
    differences: int = 0

    @property
    def sound(self) -> bool:
        """Whether what stands is what a replay gives."""
        return self.readings > 0 and not (self.stale or self.changed or self.differences)


def campaign(probes: int, hours: int, seed: int, path: Path, tell: Callable[[str], None]) -> Summary:
    """Run one campaign with a new store at `path`; return what it came to."""
    summary, rng = Summary(probes, hours, seed), random.Random(seed)
    with Store.open(path, create=True) as store:
        known = replace(state := fleet_registry(probes), probes=state.probes[: probes - probes // 20])
        # Every twentieth probe is placed, but has no factory record; halfway a revised curve is loaded.
        save_state(store, known, "campaign")
        writer = Writer(store, CODECS)
        groups = list(_groups(probes, hours, rng))
        for index, group in enumerate(groups):
            if index == len(groups) // 2:
                save_state(store, replace(known, curves=fleet_registry(probes, slope=0.01).curves), "revised")
                writer.reload()
            _feed(writer, group, hours, rng, summary)
            tell(f"{index + 1}/{len(groups)} groups, {summary.sent} uplinks in {summary.batches} batches")
        # What came before the correction is stale; lifted, it is as what came after it.
        _replay_all(store, writer)
        summary.stale = plan_now(store, CODECS, Scope()).stale
        summary.changed = _replay_all(store, writer)
        tell("replayed, comparing")
        told = verify(store, CODECS)
        summary.stored, summary.readings, summary.statuses = told.deliveries, told.readings, told.statuses
        summary.set_aside, summary.differences = told.set_aside, told.differences
        for difference in told.first:
            tell(str(difference))
    return summary


def _groups(probes: int, hours: int, rng: random.Random) -> Iterator[list[int]]:
    numbers = list(range(probes))
    rng.shuffle(numbers)
    size = max(1, _GROUP_UPLINKS // hours)
    for first in range(0, probes, size):
        yield numbers[first : first + size]


def _feed(writer: Writer, group: Sequence[int], hours: int, rng: random.Random, summary: Summary) -> None:
    """Commit what a group of probes sends, shuffled, in batches from one uplink to the largest, small ones often."""
    sent = [(number, hour) for number in group for hour in range(hours) if rng.random() >= _LOST]
    sent += rng.sample(sent, round(_TWICE * len(sent)))
    rng.shuffle(sent)
    while sent:
        size = min(len(sent), round(_LARGEST_BATCH ** rng.uniform(0.4, 1)))
        batch, sent = sent[:size], sent[size:]
        writer.commit([Accepted(uplink(number, hour, summary.seed), b"") for number, hour in batch], _KEPT_AT)
        summary.sent += size
        summary.batches += 1


def _replay_all(store: Store, writer: Writer) -> int:
    """Recalculate every probe's whole history, whatever is stale of it; return how many readings changed."""
    spans = store.con.execute(
        "SELECT probe_id, epoch_us(min(told)), epoch_us(max(told)) FROM ("
        "SELECT probe_id, measured_at AS told FROM reading UNION ALL SELECT probe_id, heard_at FROM status"
        ") GROUP BY probe_id ORDER BY probe_id"
    ).fetchall()
    number = open_revision(
        store,
        reference_id=latest_reference(store),
        reason="everything again",
        asked_by="campaign",
        scope="{}",
        now=datetime.now(UTC),
        spans=[Span(*span) for span in spans],
    )
    for _ in steps(store, CODECS, number, writer):
        pass
    return revision_of(store, number).changed or 0


def uplink(number: int, hour: int, seed: int) -> Uplink:
    """Return what probe `number` sent in an hour: the same whenever it is asked for."""
    rng = random.Random(f"{seed} {number} {hour}")
    fport, payload = _message(number, hour, rng)
    gateways = ("gw-a", "gw-b")[: rng.choice([1, 1, 2])]
    return Uplink(
        dev_eui=dev_eui(number),
        dev_addr=f"{0x01020000 + number:08X}",
        fport=fport,
        fcnt=hour,
        payload_hex=payload.hex(),
        heard_at=START + timedelta(hours=hour, seconds=number % 3600),
        spreading_factor=9,
        receptions=tuple(Reception(gateway=name, rssi_dbm=-100 - 9 * rng.random(), snr_db=-2.0) for name in gateways),
    )


def _message(number: int, hour: int, rng: random.Random) -> tuple[int, bytes]:
    kind = rng.random()
    if kind < _UNREADABLE:
        return 10, bytes([0x7F, hour % 256])
    if kind < _UNREADABLE + _STATUS:
        return 11, _status(hour // 100, number % 5)
    # A drying soil that rain wets now and then, with spikes and faults; frost in some weeks.
    count: int | None = 1500 + (number * 37 + hour // 3 * 5) % 900 + (400 if kind > 0.995 else 0)
    if 0.99 < kind <= 0.993:
        count = None
    degc = 8.0 + (hour % 24) / 4 - (11 if hour // 168 % 5 == 2 else 0)
    return 10, _measurement(number % 3, hour % 64, count, degc)


@cache
def _status(hundreds: int, reset_cause: int) -> bytes:
    told = {
        "firmware_major": 2,
        "firmware_minor": 5,
        "reset_cause": reset_cause,
        "supply_rest_v": 3.6,
        "supply_transmit_v": 3.3,
        "hours_since_power_up": hundreds * 100,
        "transmissions": hundreds * 100,
    }
    return CODECS.by_name("status-v1").build(told, [])


@cache
def _measurement(kind: int, counter: int, count: int | None, degc: float) -> bytes:
    told: dict[str, Any] = {"supply_v": 3.6, "firmware": "2.5", "sample_counter": counter}
    newest = {"moisture_count": count, "soil_temperature_degc": degc}
    if kind == 0:
        return CODECS.by_name("measurement-v1").build(told, [newest])
    if kind == 1:
        older = {"moisture_count": None if count is None else count + counter % 2, "soil_temperature_degc": degc}
        return CODECS.by_name("measurement-v3").build({**told, "interval_minutes": 60}, [newest, older])
    depths = [
        {"permittivity": None if count is None else count / 100 + depth, "soil_temperature_degc": degc}
        for depth in range(2)
    ]
    return CODECS.by_name("measurement-v4").build(told, depths)


def main() -> int:
    """Run a campaign from the command line; print progress, then the summary as JSON."""
    parser = argparse.ArgumentParser(
        description="Feed a fleet in any order and batches of any size; replay it all; nothing may differ.",
        epilog="Example: uv run python -m tests.edges.large_fleet_campaign --probes 2000 --hours 2000 --seed 1",
    )
    parser.add_argument("--probes", type=int, default=2000)
    parser.add_argument("--hours", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    start = time.monotonic()

    def tell(line: str) -> None:
        sys.stderr.write(f"{time.monotonic() - start:6.0f} s  {line}\n")

    with tempfile.TemporaryDirectory() as folder:
        summary = campaign(told.probes, told.hours, told.seed, Path(folder) / "fleet.duckdb", tell)
    sys.stdout.write(json.dumps({**asdict(summary), "sound": summary.sound}, indent=2) + "\n")
    return 0 if summary.sound else 1


if __name__ == "__main__":
    sys.exit(main())
