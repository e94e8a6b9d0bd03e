"""Readers beside the daemon: how soon pages and API answer out of a year, and what that does to what is being stored.

`python -m tests.bench.reading_load --size full --store DIR` measures on a store of that folder, making it first where
there is none, and going on with it up to now where it is older.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from rich.console import Console

from loamline.core.columns import HOUR_US, instant
from loamline.edges.allocator import keep_freed_memory
from loamline.edges.api.auth import new_key
from loamline.edges.store.api_keys import add_key
from loamline.edges.store.connection import Store
from loamline_schemas.key_tables import Scope
from loamline_schemas.uplink import Reception, Uplink
from tests.bench.archive_registry import dev_eui
from tests.bench.loading import committed_at, daemon_on, processor_s, sent
from tests.bench.measure import Figure, every_core
from tests.bench.reading_clients import DAILY, FLEET, PROBE, RAW, Answer, Clients, Plan, look_once
from tests.bench.year_store import Tell, Year, lengthen, make_year, store_in, untold, year_in
from tests.support.daemon import until
from tests.support.mosquitto import Mosquitto, mosquitto_program

#: What is allowed: of each kind of question, ms at the 95th percentile; of a message, from publishing to the commit.
ALLOWED_MS = {FLEET: 300.0, PROBE: 300.0, RAW: 300.0, DAILY: 300.0}
ALLOWED_DELAY_MS = 1000.0
#: Seconds for the daemon to come up, and to work off what was sent.
_PATIENCE_S = 300.0


@dataclass(frozen=True)
class Size:
    """A store and a load: `pause_s` is what each client waits between two questions, on average."""

    probes: int
    hours: int
    clients: int
    uplinks_per_s: int
    seconds: float
    pause_s: float = 2.0


SIZES = {
    "quick": Size(300, 336, 5, 50, 5.0),
    "middle": Size(2_000, 8_760, 20, 300, 40.0),
    "full": Size(20_000, 8_760, 20, 300, 120.0),
}


def figures(*, quick: bool) -> Iterator[Figure]:
    """Yield how soon readers are answered, and how late a message is stored with and without them."""
    with tempfile.TemporaryDirectory() as folder:
        yield from measured(Path(folder), SIZES["quick" if quick else "middle"])


def measured(folder: Path, size: Size, tell: Tell = untold) -> Iterator[Figure]:
    """Measure on the store of a folder, which is made, or goes on, first. Yields nothing without mosquitto."""
    program = mosquitto_program()
    if program is None:
        return
    count = round(size.uplinks_per_s * size.seconds)
    ahead = -(-2 * count // size.probes) + 1
    year = _store(folder, size, datetime.now(UTC) - timedelta(hours=ahead), tell)
    keys = _keys(store_in(folder), size.clients)
    every_core()
    broker = Mosquitto(program, folder)
    broker.start()
    try:
        with daemon_on(store_in(folder), broker, "--serve-port", "0") as daemon:
            url = str(daemon.wait_for("serving what is stored", _PATIENCE_S)["api"]).removesuffix("/api/v1")
            probes = [dev_eui(number) for number in range(year.probes)]
            since = instant(year.start_us + (year.hours - size.hours) * HOUR_US)
            plan = Plan(url, keys, probes, since.isoformat(), size.seconds, size.pause_s)
            delays: list[np.ndarray] = []
            answers: list[Answer] = []
            cores: list[float] = []
            bodies = uplinks(year, 2 * count + size.uplinks_per_s)
            # What is needed for the first time is no part of it.
            _sent(broker, bodies[: size.uplinks_per_s], size)
            until(lambda: daemon.committed("read") >= size.uplinks_per_s, _PATIENCE_S)
            look_once(plan, _PATIENCE_S)
            done = size.uplinks_per_s
            for readers in (False, True):
                clients = Clients(plan) if readers else None
                spent_s, begun_s = processor_s(daemon.process.pid), time.monotonic()
                went = _sent(broker, bodies[done : done + count], size)
                done += count
                until(lambda enough=done: daemon.committed("read") >= enough, _PATIENCE_S)
                delays.append(1000 * (committed_at(daemon, done)[-count:] - went))
                answers += [] if clients is None else clients.answers()
                cores.append((processor_s(daemon.process.pid) - spent_s) / (time.monotonic() - begun_s))
    finally:
        broker.stop()
    yield from _figures(size, year, answers, delays, cores)


def _sent(broker: Mosquitto, bodies: Sequence[bytes], size: Size) -> np.ndarray:
    return sent(broker, bodies, size.uplinks_per_s)


def _figures(
    size: Size, year: Year, answers: Sequence[Answer], delays_ms: Sequence[np.ndarray], cores: Sequence[float]
) -> Iterator[Figure]:
    of = f"{year.probes} probes, {year.hours} hours each; {size.clients} clients, {size.uplinks_per_s} uplinks a second"
    for what, allowed_ms in ALLOWED_MS.items():
        mine = [answer for answer in answers if answer.what == what]
        good = [1000 * answer.seconds for answer in mine if answer.status == 200]
        if not mine:
            continue
        # What was refused was not answered.
        p95_ms = float(np.percentile([*good, *[1e6] * (len(mine) - len(good))], 95))
        octets = sum(answer.octets for answer in mine) // len(mine)
        detail = (
            f"{p95_ms:.0f} ms (p95), {np.median(good) if good else float('nan'):.0f} ms (median), "
            f"{len(mine) - len(good)} of {len(mine)} not answered, {octets // 1000} kB each; {of}"
        )
        yield Figure(f"{what}: {allowed_ms:g} ms to p95", 1, allowed_ms / p95_ms, detail, "of what is allowed")
    detail = (
        f"{_told_ms(delays_ms[1])} from publishing to the commit, without readers {_told_ms(delays_ms[0])}; the daemon "
        f"takes {cores[1]:.2f} of a core, without readers {cores[0]:.2f}; "
        f"{len(answers) / size.seconds:.1f} questions a second; {of}"
    )
    ratio = ALLOWED_DELAY_MS / float(delays_ms[1].max())
    name = f"stored beside readers: {ALLOWED_DELAY_MS:g} ms to the longest delay"
    yield Figure(name, 1, ratio, detail, "of what is allowed")


def _told_ms(delay_ms: np.ndarray) -> str:
    return f"{np.percentile(delay_ms, 99):.0f} ms (p99), {delay_ms.max():.0f} ms (longest)"


def _store(folder: Path, size: Size, end: datetime, tell: Tell) -> Year:
    """Return what the folder's store holds, up to an instant."""
    held = year_in(folder)
    if held is None:
        make_year(folder, Year.ending(size.probes, size.hours, end), tell)
    elif held.probes != size.probes:
        raise SystemExit(
            f"expected a store of {size.probes} probes in {folder}, got one of {held.probes}; name another folder"
        )
    else:
        lengthen(folder, held.hours_until(end), tell)
    made = year_in(folder)
    assert made is not None
    return made


def _keys(path: Path, clients: int) -> list[str]:
    """Return fresh keys, one a client, in place of those of earlier runs."""
    made = [new_key() for _ in range(clients)]
    with Store.open(path) as store:
        store.con.execute("DELETE FROM api_key")
        for key in made:
            add_key(
                store,
                key_id=key.key_id,
                digest=key.digest,
                customer=None,
                scopes=(Scope.OPERATOR,),
                note="bench",
                now=datetime.now(UTC),
            )
    return [key.text for key in made]


def uplinks(year: Year, count: int) -> list[bytes]:
    """Return so many uplinks that follow on what a store holds, as canonical messages, in order of time."""
    # Some are lost on the way, in an archive as in the field.
    hours = -(-count * 11 // (10 * year.probes)) + 1
    rows = year.archive.tile(range(year.hours, year.hours + hours), range(year.probes)).slice(0, count)
    assert rows.num_rows == count
    return [
        Uplink(
            dev_eui=dev_eui(row["probe_id"] - 1),
            dev_addr=f"{row['dev_addr']:08X}",
            fport=row["fport"],
            fcnt=row["fcnt"],
            payload_hex=row["payload"].hex(),
            heard_at=row["heard_at"],
            frequency_hz=row["frequency_hz"],
            spreading_factor=row["spreading_factor"],
            bandwidth_hz=row["bandwidth_hz"],
            coding_rate=row["coding_rate"],
            network=row["network"],
            receptions=tuple(
                Reception(gateway=told["gateway"], rssi_dbm=told["rssi_dbm"], snr_db=told["snr_db"])
                for told in row["receptions"]
            ),
        )
        .model_dump_json(exclude_none=True)
        .encode()
        for row in rows.to_pylist()
    ]


def main() -> int:
    """Measure one size; return 1 where a goal is missed."""
    arguments = argparse.ArgumentParser(prog="python -m tests.bench.reading_load", description=__doc__.splitlines()[0])
    arguments.add_argument("--size", choices=[*SIZES], default="quick", help="probes, hours, clients, uplinks a second")
    arguments.add_argument(
        "--store", metavar="DIR", type=Path, help="folder of a store to use and keep; made if absent"
    )
    arguments.add_argument("--make-only", action="store_true", help="make the store, or go on with it, and no more")
    arguments.add_argument("--seconds", type=float, help="how long to measure, with and without readers each")
    arguments.add_argument("--pause", type=float, help="seconds between two questions of a client, on average")
    arguments.add_argument("--json", action="store_true", help="print JSON, an object a figure")
    given = arguments.parse_args()
    size = SIZES[given.size]
    told = asdict(size) | {"seconds": given.seconds or size.seconds}
    size = Size(**told | ({} if given.pause is None else {"pause_s": given.pause}))
    keep_freed_memory()
    with tempfile.TemporaryDirectory() as spare:
        folder = given.store or Path(spare)
        if given.make_only:
            _store(folder, size, datetime.now(UTC), _Progress())
            return 0
        found = []
        for figure in measured(folder, size, _Progress()):
            found.append(figure)
            if not given.json:
                verdict = "met" if figure.met else "MISSED"
                Console(width=160).print(f"{verdict:6} {figure.ratio:6.2f}  {figure.name}\n        {figure.detail}")
    if given.json:
        sys.stdout.write(json.dumps([{**asdict(one), "met": one.met} for one in found], indent=2) + "\n")
    return 0 if found and all(figure.met for figure in found) else 1


class _Progress:
    """Tells on standard error how far a store is, every ten seconds."""

    def __init__(self) -> None:
        self._begun_s = self._told_s = time.monotonic()

    def __call__(self, word: str, done: int, total: int) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s > 10 or done == total:
            self._told_s = now_s
            sys.stderr.write(f"{now_s - self._begun_s:.0f} s: {done} of {total} {word}\n")


if __name__ == "__main__":
    sys.exit(main())
