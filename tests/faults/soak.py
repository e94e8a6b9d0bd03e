"""The daemon for as long as one likes, under load from all sides: descriptors, threads and memory must stay flat.

    uv run python -m tests.faults.soak --minutes 60

A fleet sends through mosquitto and the webhook, through a proxy that cuts now and then, with broken messages among it.
Every `--every` seconds the daemon's descriptors, threads and resident memory are read from /proc. After the first third
of the time, in which caches fill, descriptors and threads may not rise above what they were, and memory may grow by no
more than `MOST_MB_PER_HOUR` on a straight line through the samples. Short runs tell of descriptors and threads only.
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import httpx

from loamline.edges.publisher import Publisher
from tests.faults.campaign import finish, parser, tell
from tests.faults.chaos import drain
from tests.faults.fuzz_inputs import broken
from tests.faults.senders import TOPIC, Fleet
from tests.faults.tcp_proxy import TcpProxy
from tests.faults.truth import compare
from tests.support.daemon import Daemon
from tests.support.mosquitto import MISSING, Mosquitto, free_port, mosquitto_program
from tests.support.uplinks import registered_store

#: The raw log's index and the registry of probes heard grow with what is stored; a leak is many times that.
MOST_MB_PER_HOUR = 60.0
#: Below this, the newest days that the writer takes into memory hide any slope, and so does what the allocator keeps.
SHORTEST_FOR_MEMORY_S = 1800
_A_SECOND = 20
#: Of another envelope than the daemon is told to read, so that none of them is an uplink by chance.
_BROKEN = "ts002"


@dataclass(frozen=True)
class Sample:
    """The daemon at one moment."""

    at_s: float
    descriptors: int
    threads: int
    resident_mb: float


@dataclass
class Summary:
    """What a soak came to."""

    seed: int
    seconds: float
    samples: int = 0
    cuts: int = 0
    broken_messages: int = 0
    descriptors_first_third: int = 0
    descriptors_after: int = 0
    threads_first_third: int = 0
    threads_after: int = 0
    resident_mb_at_third: float = 0.0
    resident_mb_at_end: float = 0.0
    resident_mb_per_hour: float = 0.0
    sent: int = 0
    stored: int = 0
    readings: int = 0
    lost: int = 0
    doubled: int = 0
    unasked: int = 0
    wrong_readings: int = 0
    differences: int = 0

    @property
    def flat(self) -> bool:
        """Whether nothing leaks: descriptors and threads always, memory where the time is long enough to tell."""
        leaks = self.descriptors_after > self.descriptors_first_third or self.threads_after > self.threads_first_third
        grows = self.seconds >= SHORTEST_FOR_MEMORY_S and self.resident_mb_per_hour > MOST_MB_PER_HOUR
        return not (leaks or grows)

    @property
    def sound(self) -> bool:
        """Whether it is flat and all that was sent is there."""
        return self.flat and not (self.lost or self.doubled or self.wrong_readings or self.differences)


def sample(pid: int, since_s: float) -> Sample:
    """Return what /proc tells of a process."""
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return Sample(
        at_s=time.monotonic() - since_s,
        descriptors=len(list(Path(f"/proc/{pid}/fd").iterdir())),
        threads=int(status["Threads"]),
        resident_mb=int(status["VmRSS"].split()[0]) / 1024,
    )


def campaign(seconds: float, seed: int, folder: Path, *, every_s: float, tell: Callable[[str], None]) -> Summary:
    """Run it; return what the samples say."""
    program = mosquitto_program()
    if program is None:
        raise FileNotFoundError(MISSING)
    summary, rng, store, port = Summary(seed, seconds), random.Random(seed), folder / "soak.duckdb", free_port()
    registered_store(store).close()
    broker = Mosquitto(program, folder)
    broker.start()
    between = TcpProxy(broker.port, seed)
    url = f"http://127.0.0.1:{port}/uplinks"
    senders = Fleet(broker, seed, per_second=_A_SECOND, webhook=url)
    daemon = Daemon(between, store, "--webhook-port", str(port))  # type: ignore[arg-type] # it listens like a broker
    samples: list[Sample] = []
    try:
        daemon.wait_for("subscribed")
        senders.start()
        since_s = time.monotonic()
        with Publisher(host=broker.host, port=broker.port, protocol="5", client_id="broken") as publisher:
            while time.monotonic() - since_s < seconds:
                time.sleep(every_s)
                publisher.publish(TOPIC, broken(_BROKEN, rng))
                with httpx.Client(timeout=20) as client:
                    client.post(url, content=broken(_BROKEN, rng))
                summary.broken_messages += 2
                # Late enough to be connected again at the next sample, so that samples can be compared.
                samples.append(sample(daemon.process.pid, since_s))
                if len(samples) % 4 == 0:
                    between.cut()
                    summary.cuts += 1
                if len(samples) % 50 == 0:
                    tell(f"{samples[-1]}")
        senders.finish()
        drain(daemon)
        assert daemon.terminate() == 0
    finally:
        daemon.process.kill()
        between.close()
        broker.stop()
    _judge(summary, samples)
    for name, count in asdict(compare(senders.sent, store)).items():
        setattr(summary, name, count)
    return summary


def _judge(summary: Summary, samples: list[Sample]) -> None:
    third = max(1, len(samples) // 3)
    first, after = samples[:third], samples[third:]
    summary.samples = len(samples)
    summary.descriptors_first_third = max(told.descriptors for told in first)
    summary.descriptors_after = min(told.descriptors for told in after[-4:])
    summary.threads_first_third = max(told.threads for told in first)
    summary.threads_after = min(told.threads for told in after[-4:])
    summary.resident_mb_at_third, summary.resident_mb_at_end = (
        round(first[-1].resident_mb, 1),
        round(after[-1].resident_mb, 1),
    )
    line = statistics.linear_regression([told.at_s for told in after], [told.resident_mb for told in after])
    summary.resident_mb_per_hour = round(line.slope * 3600, 1)


def main() -> int:
    """Run a soak from the command line; print the summary as JSON."""
    flags = parser("soak", "Run the daemon for long; check that descriptors and memory stay flat.", "--minutes 60")
    flags.add_argument("--minutes", type=float, default=1.0)
    flags.add_argument("--every", type=float, default=1.0, help="seconds between two samples")
    told = flags.parse_args()
    return finish(
        lambda folder: campaign(told.minutes * 60, told.seed, folder, every_s=told.every, tell=tell), broker=True
    )


if __name__ == "__main__":
    sys.exit(main())
