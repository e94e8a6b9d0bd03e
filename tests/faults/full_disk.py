"""A small file system that runs full and gets room again: what was answered with 200 is there.

    uv run python -m tests.faults.full_disk --rounds 40 --seed 1

A daemon stores what is posted to it on a tmpfs of a few megabytes, in which ballast leaves little room. Posts go on
until one is answered with 503; then, as the seed wills, the daemon is killed, asked to leave, or left alone, the
ballast is taken away, and the sender sends again until it is answered. Mounting takes root, or a user namespace
(`unshare`); where neither works, `--limit` has the operating system refuse files beyond a size instead.
"""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import httpx

from tests.faults.campaign import finish, parser, tell
from tests.faults.truth import compare
from tests.support.daemon import Daemon
from tests.support.mosquitto import free_port
from tests.support.uplinks import fleet, registered_store

_SIZE_MB = 48
_UPLINKS_A_POST = 40
_MOST_POSTS = 400
_PATIENCE_S = 60.0
_WITHOUT_RESERVE = "[watch]\nreserve_mb = 0\n"


@dataclass
class Summary:
    """What a campaign came to; `lost` and what follows it, bar `readings`, must be 0, and `full` as many as rounds."""

    seed: int
    means: str
    rounds: int = 0
    full: int = 0
    events: dict[str, int] = field(default_factory=dict)
    answered: int = 0
    refused: int = 0
    sent: int = 0
    stored: int = 0
    readings: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    wrong_readings: int = 0
    differences: int = 0

    @property
    def sound(self) -> bool:
        """Whether the disk was full in each round, and nothing that was answered is lost or wrong."""
        wrong = self.lost + self.doubled + self.unasked + self.wrong_readings + self.differences
        return wrong == 0 and self.full == self.rounds


def can_mount() -> bool:
    """Return whether this process may mount a file system."""
    return os.geteuid() == 0 and shutil.which("mount") is not None


@contextmanager
def small_filesystem(folder: Path, size_mb: int = _SIZE_MB) -> Iterator[Path]:
    """Yield a folder on a tmpfs of its own. Raises CalledProcessError where mounting is refused."""
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(folder)], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def campaign(rounds: int, seed: int, folder: Path, *, limit: bool, tell: Callable[[str], None]) -> Summary:
    """Fill it `rounds` times. `limit`: by a limit on the size of files instead of a file system."""
    summary = Summary(seed, "a limit on files" if limit else f"tmpfs of {_SIZE_MB} MB")
    if limit:
        inside = folder / "small"
        inside.mkdir()
        return _rounds(summary, rounds, inside, folder, limit=True, tell=tell)
    with small_filesystem(folder / "small") as inside:
        return _rounds(summary, rounds, inside, folder, limit=False, tell=tell)


def _rounds(
    summary: Summary, rounds: int, inside: Path, folder: Path, *, limit: bool, tell: Callable[[str], None]
) -> Summary:
    rng, store, port = random.Random(summary.seed), inside / "s.duckdb", free_port()
    config = folder / "small.toml"
    # The reserve that a daemon keeps free would be larger than this disk.
    config.write_text(_WITHOUT_RESERVE)
    registered_store(store).close()
    flags = ("--webhook-port", str(port), "--batch-milliseconds", "5", "--config", str(config))
    uplinks, answered, events = fleet(summary.seed), [], Counter[str]()
    pending: list[dict[str, Any]] = []
    daemon = Daemon(None, store, *flags)
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30) as client:
            for _ in range(rounds):
                daemon.wait_for("listening")
                release = _limited(daemon, store, rng) if limit else _filled(inside, rng)
                summary.rounds += 1
                for _ in range(_MOST_POSTS):
                    pending = pending or list(islice(uplinks, _UPLINKS_A_POST))
                    if not _posted(client, pending):
                        summary.full += 1
                        summary.refused += 1
                        break
                    answered, pending = answered + pending, []
                event = rng.choice(["killed while full", "asked to leave while full", "left alone"])
                events[event] += 1
                if event == "killed while full":
                    daemon.kill()
                elif event == "asked to leave while full":
                    daemon.terminate()
                release()
                if event != "left alone":
                    daemon = Daemon(None, store, *flags)
                    daemon.wait_for("listening")
                until_s = time.monotonic() + _PATIENCE_S
                while pending and not _posted(client, pending):
                    assert time.monotonic() < until_s, f"expected to be answered again: {daemon.events()[-5:]}"
                    time.sleep(0.05)
                answered, pending = answered + pending, []
                tell(f"{summary.rounds} rounds, {len(answered)} uplinks answered")
        assert daemon.terminate() == 0
    finally:
        daemon.process.kill()
        daemon.process.wait()
    summary.events, summary.answered = dict(events), len(answered)
    copied = folder / "s.duckdb"
    for found in inside.glob("s.duckdb*"):
        if not found.name.endswith(".socket"):
            shutil.copy(found, folder / found.name)
    for name, count in asdict(compare(answered, copied)).items():
        setattr(summary, name, count)
    return summary


def _posted(client: httpx.Client, uplinks: list[dict[str, Any]]) -> bool:
    """Return whether they were answered with 200."""
    try:
        answer = client.post("/uplinks", content=json.dumps(uplinks).encode())
    except httpx.TransportError:
        return False
    assert answer.status_code in (200, 503), f"expected 200 or 503, got {answer.status_code}: {answer.text}"
    return answer.status_code == 200


def _filled(inside: Path, rng: random.Random) -> Callable[[], None]:
    ballast = inside / "ballast"
    free = shutil.disk_usage(inside).free
    leave = rng.randrange(4096, 400_000)
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(1, free - leave))
    return ballast.unlink


def _limited(daemon: Daemon, store: Path, rng: random.Random) -> Callable[[], None]:
    wal = store.with_name(store.name + ".wal")
    most = (wal.stat().st_size if wal.exists() else 0) + rng.randrange(1_000, 60_000)
    pid = daemon.process.pid
    _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, hard))

    def release() -> None:
        if daemon.process.poll() is None:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))

    return release


def main() -> int:
    """Run a campaign from the command line; print the summary as JSON."""
    flags = parser("full_disk", "Fill the disk under the daemon; check that what was answered is there.", "--rounds 40")
    flags.add_argument("--rounds", type=int, default=5)
    flags.add_argument("--limit", action="store_true", help="limit the size of files instead of mounting a tmpfs")
    told = flags.parse_args()
    if not told.limit and not can_mount():
        tell("expected to be root, for mounting a tmpfs, got another user; use sudo, `unshare -rm`, or --limit")
        return 2
    return finish(lambda folder: campaign(told.rounds, told.seed, folder, limit=told.limit, tell=tell))


if __name__ == "__main__":
    sys.exit(main())
