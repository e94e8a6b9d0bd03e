"""Probes in the soil and what their network makes of them: the air side of `derivation_machine`."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from loamline_codecs import builtin_codecs
from loamline_schemas.uplink import Reception, Uplink

START = datetime(2026, 1, 10, tzinfo=UTC)
CODECS = builtin_codecs()

#: Which payload each probe sends, and whether its envelopes carry a time and an address.
PROBES = {
    "02AA000000000001": "measurement-v1",
    "02AA000000000002": "measurement-v2",
    "02AA000000000003": "measurement-v3",
    "02AA000000000004": "measurement-v4",
    "02AA000000000005": "measurement-v3",
}
UNTIMED = "02AA000000000005"


@dataclass
class Probe:
    """One probe in the soil, as its network hears it."""

    dev_eui: str
    at: datetime = START
    fcnt: int = 65_500  # soon to roll over
    dev_addr: int = 1
    counter: int = 0
    count: int = 1500
    degc: float = 4.0
    older: list[tuple[int | None, float]] = field(default_factory=list)


@dataclass(frozen=True)
class Course:
    """What a probe does next: `number` uplinks, so many minutes apart, in a soil that behaves as `soil` says.

    `odd`: what one uplink among them says that the others don't; `late`: it comes long after them. `lose`: of eight
    uplinks, so many are lost on the way. `again`: minutes after which another gateway's copy is heard. `event`: what
    happens to the probe first.
    """

    number: int
    minutes: int
    soil: str
    degc: float | None
    odd: str
    late: bool
    lose: int
    again: tuple[int, ...]
    event: str
    seed: int


COURSES = st.builds(
    Course,
    number=st.sampled_from([1, 2, 3, 9, 30, 90, 220, 220]),
    minutes=st.sampled_from([60, 60, 60, 60, 60, 59, 120, 10, 14, 30 * 60, 85 * 60, 85 * 60]),
    soil=st.sampled_from(["still", "still", "drying", "noisy"]),
    degc=st.sampled_from([None, None, -1.0, 0.25, 0.25, 0.25, 3.0]),
    odd=st.sampled_from(["nothing", "count", "count", "frost", "frost", "thaw", "fault"]),
    late=st.booleans(),
    lose=st.sampled_from([0, 0, 0, 1, 4]),
    again=st.sampled_from([(), (), (), (), (1,), (-9,), (9, 18), (11,), (9, 18, 27, 36), (0,)]),
    event=st.sampled_from(
        ["nothing", "nothing", "nothing", "restart", "address", "no address", "status", "unreadable", "babble"]
    ),
    seed=st.integers(0, 999),
)

#: A network says one uplink again every nine minutes, for six days: longer than a window.
BABBLE = tuple(range(9, 6 * 24 * 60, 9))


def emitted(probe: Probe, course: Course) -> tuple[list[Uplink], list[Uplink]]:
    """Return the deliveries that come of a course, those in time and those that are late; move the probe on."""
    rng = random.Random(course.seed)
    in_time: list[Uplink] = []
    late: list[Uplink] = []
    if course.event == "restart":
        probe.fcnt, probe.counter = 0, 0
    if course.event == "address":
        probe.dev_addr, probe.fcnt = probe.dev_addr + 1, 0
    odd = rng.randrange(course.number)
    for number in range(course.number):
        probe.at += timedelta(minutes=course.minutes, seconds=rng.choice([0, 0, 0, 1, -2]))
        probe.fcnt, probe.counter = (probe.fcnt + 1) % 0x1_0000, (probe.counter + 1) % 4096
        step = {"still": 0, "drying": -1, "noisy": rng.choice([-7, 7])}[course.soil]
        probe.count = max(600, min(3400, probe.count + step))
        probe.degc = probe.degc if course.degc is None else course.degc
        told = _told(probe, course.odd if number == odd else "nothing")
        probe.older = [told, *probe.older][:8]
        if rng.randrange(8) < course.lose:
            continue
        event = course.event if number == 0 else "nothing"
        fport, payload = _payload(probe, event, rng)
        deliveries = _deliveries(probe, course, BABBLE if event == "babble" else course.again, fport, payload, rng)
        if event == "babble":
            late.append(deliveries.pop(len(deliveries) // 2))
        (late if course.late and number == odd else in_time).extend(deliveries)
    return in_time, late


def _told(probe: Probe, odd: str) -> tuple[int | None, float]:
    """Return count and temperature as the probe measures them now."""
    count = {"fault": None, "count": min(3400, probe.count + 400)}.get(odd, probe.count)
    return count, {"frost": -1.0, "thaw": 3.0}.get(odd, probe.degc)


def _payload(probe: Probe, event: str, rng: random.Random) -> tuple[int, bytes]:
    if event == "unreadable":
        return 10, bytes([0x7F, probe.counter % 256])
    if event == "status":
        status = {"reset_cause": 1, "firmware": "5.2", "supply_rest_v": 3.6, "supply_transmit_v": 3.3}
        hours = {"hours_since_power_up": probe.counter, "transmissions": 100}
        return 11, CODECS.by_name("status-v1").build({**status, **hours}, [])
    told: dict[str, Any] = {"supply_v": 3.6, "firmware": "1.0", "sample_counter": probe.counter}
    count, degc = probe.older[0]
    newest = {"moisture_count": count, "soil_temperature_degc": degc}
    version = PROBES[probe.dev_eui]
    codec = CODECS.by_name(version)
    if version == "measurement-v1":
        return 10, codec.build(told, [newest])
    if version == "measurement-v2":
        depth_1 = {"moisture_count": probe.count - 3, "soil_temperature_degc": degc}
        return 10, codec.build(told, [newest, depth_1])
    if version == "measurement-v3":
        # One in so many older samples says something else than it did when it was the newest: a conflict.
        samples = [
            {"moisture_count": older and older + rng.choice([0, 0, 0, 2]), "soil_temperature_degc": then}
            for older, then in probe.older[1 : 1 + rng.randrange(8)]
        ]
        return 10, codec.build({**told, "interval_minutes": rng.choice([60, 60, 60, 10, 255])}, [newest, *samples])
    depths = [{"permittivity": count and count / 100 + depth, "soil_temperature_degc": degc} for depth in range(2)]
    return 10, codec.build(told, depths)


def _deliveries(
    probe: Probe, course: Course, again: tuple[int, ...], fport: int, payload: bytes, rng: random.Random
) -> list[Uplink]:
    timed = probe.dev_eui != UNTIMED
    first = Uplink(
        dev_eui=probe.dev_eui,
        dev_addr=None if course.event == "no address" else f"{probe.dev_addr:08X}",
        fport=fport,
        fcnt=probe.fcnt,
        payload_hex=payload.hex(),
        heard_at=probe.at if timed else None,
        spreading_factor=9,
        receptions=(Reception(gateway="A", rssi_dbm=-100 - rng.randrange(9), snr_db=rng.randrange(-10, 5)),),
    )
    copies = [
        first.model_copy(
            update={
                "heard_at": probe.at + timedelta(minutes=later) if timed else None,
                "receptions": (Reception(gateway=f"B{later}", rssi_dbm=-90 - rng.randrange(9), snr_db=1.0),),
            }
        )
        for later in again
    ]
    return [first, *copies]
