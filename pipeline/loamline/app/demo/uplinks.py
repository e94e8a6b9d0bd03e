"""The fleet's canonical uplinks in time order, for any window: history first, then the life that goes on from it.

Nothing is kept between calls but the soil-water buckets, which only ever step forward; so windows that join give
exactly what one window over both gives.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from loamline.app.demo.fleet import HISTORY_DAYS, HISTORY_END, PROBES, SITES, Probe
from loamline.app.demo.payloads import PayloadWriter
from loamline.app.demo.probe_series import HOUR_MS, ProbeSeries
from loamline.app.demo.radio import BANDWIDTH_HZ, EU868_CHANNELS_HZ, Heard, Radio
from loamline.app.demo.soil import WaterBucket
from loamline.app.demo.weather import Weather
from loamline_codecs import CodecSet

#: The buckets start this long before history, so that their first guess has been rained away.
_SPIN_UP_DAYS = 45
_STATUS_AFTER_MS = 95_000
_MEASUREMENT_PORT, _STATUS_PORT = 10, 11
_CHUNK_MS = 4 * 24 * HOUR_MS


class Simulation:
    """One seeded fleet. `history_end` is a UTC instant on a whole day; history is the 60 days before it."""

    def __init__(self, seed: int = 1, *, history_end: datetime = HISTORY_END, codecs: CodecSet | None = None) -> None:
        since_midnight = history_end - history_end.replace(hour=0, minute=0, second=0, microsecond=0)
        if history_end.utcoffset() != timedelta(0) or since_midnight:
            raise ValueError(f"expected history_end at a midnight in UTC, got {history_end.isoformat()}")
        self.history_end = history_end
        self.history_start = history_end - timedelta(days=HISTORY_DAYS)
        self.weather = Weather(seed, _milliseconds(history_end) // HOUR_MS)
        spun_up_from = self.weather.history_end_h - (HISTORY_DAYS + _SPIN_UP_DAYS) * 24
        self.buckets = {site.site: WaterBucket(self.weather, site.climate, site.ground, spun_up_from) for site in SITES}
        writer = PayloadWriter(codecs)
        self._lives = [
            _Life(seed, ProbeSeries(seed, probe, self.buckets[probe.site.site], self.weather), writer)
            for probe in PROBES
        ]

    @property
    def series(self) -> dict[str, ProbeSeries]:
        """Every probe's series by dev_eui: the truth behind the uplinks."""
        return {life.probe.dev_eui: life.series for life in self._lives}

    def uplinks(self, since: datetime, until: datetime) -> Iterator[dict[str, Any]]:
        """Yield the uplinks heard in [since, until) as JSON-ready canonical uplinks, in order of `heard_at`.

        Both must carry a time zone. Nothing is heard before `history_start`.
        """
        begin, end = _milliseconds(max(since, self.history_start)), _milliseconds(until)
        while begin < end:
            # A long window never holds more than a few days in memory.
            stop = min(end, (begin // _CHUNK_MS + 1) * _CHUNK_MS)
            batch = [item for life in self._lives for item in life.between(begin, stop)]
            batch.sort(key=lambda item: item[0])
            for _, uplink in batch:
                yield uplink
            begin = stop


@dataclass(frozen=True, slots=True)
class _Session:
    """Where waking k stands in its LoRaWAN session: its address, the counters and the wakings before it."""

    dev_addr: str
    fcnt: int
    sample_counter: int
    wakings: int
    cold_start: bool


class _Life:
    """One probe's uplinks: its series told to its radio."""

    def __init__(self, seed: int, series: ProbeSeries, writer: PayloadWriter) -> None:
        self.series = series
        self.probe: Probe = series.probe
        self._writer = writer
        end_ms = series.start_ms + HISTORY_DAYS * 24 * HOUR_MS
        self._measurements = Radio(seed, self.probe, "measurement", end_ms)
        self._statuses = Radio(seed, self.probe, "status", end_ms)

    def between(self, since_ms: int, until_ms: int) -> Iterator[tuple[tuple[int, str, int], dict[str, Any]]]:
        """Yield (order key, uplink) of everything heard in [since, until), in any order."""
        k = self.series.wakings_between(since_ms, until_ms)
        if not len(k):
            return
        sent_ms = self.series.woken_ms(k)
        yield from self._heard_measurements(k, sent_ms, since_ms, until_ms)
        if self.probe.status_hour is not None:
            yield from self._heard_statuses(k, sent_ms + _STATUS_AFTER_MS, since_ms, until_ms)

    def _heard_measurements(
        self, k: Any, sent_ms: Any, since_ms: int, until_ms: int
    ) -> Iterator[tuple[tuple[int, str, int], dict[str, Any]]]:
        heard = self._measurements.heard(k, sent_ms)
        wanted = np.flatnonzero(~heard.lost & (sent_ms >= since_ms) & (sent_ms < until_ms))
        if not len(wanted):
            return
        # Older samples travel again in version 3, so the figures reach back behind the window.
        first = max(int(k[wanted[0]]) - PayloadWriter.MOST_OLDER_SAMPLES, 0)
        span = np.arange(first, int(k[wanted[-1]]) + 1)
        readings = self.series.readings(span)
        lost = self._measurements.heard(span, self.series.woken_ms(span)).lost
        for position in wanted.tolist():
            waking = int(k[position])
            session = self._session(waking)
            row = waking - first
            payload = self._writer.measurement(
                self.probe,
                readings,
                row,
                older=_lost_before(lost, row, session.wakings),
                sample_counter=session.sample_counter,
                tilted=self.series.tilted(waking),
                cold_start=session.cold_start,
            )
            yield self._uplink(
                heard,
                position,
                sent_ms=int(sent_ms[position]),
                dev_addr=session.dev_addr,
                fcnt=session.fcnt,
                fport=_MEASUREMENT_PORT,
                payload=payload,
            )

    def _heard_statuses(
        self, k: Any, sent_ms: Any, since_ms: int, until_ms: int
    ) -> Iterator[tuple[tuple[int, str, int], dict[str, Any]]]:
        daily = (k % 24 == self.probe.status_hour) & (sent_ms >= since_ms) & (sent_ms < until_ms)
        chosen = np.flatnonzero(daily)
        if not len(chosen):
            return
        heard = self._statuses.heard(k[chosen], sent_ms[chosen])
        readings = self.series.readings(k[chosen])
        for position, lost in enumerate(heard.lost.tolist()):
            if lost:
                continue
            session = self._session(int(k[chosen[position]]))
            payload = self._writer.status(
                self.probe,
                supply_v=float(readings.supply_v[position]),
                hours_since_power_up=session.sample_counter,
                transmissions=session.fcnt + 1,
            )
            yield self._uplink(
                heard,
                position,
                sent_ms=int(sent_ms[chosen[position]]),
                dev_addr=session.dev_addr,
                fcnt=session.fcnt + 1,
                fport=_STATUS_PORT,
                payload=payload,
            )

    def _session(self, waking: int) -> _Session:
        """Return the counters of a waking's measurement; its status message, if any, follows with fcnt + 1."""
        rejoins_at = self.series.rejoins_at
        if rejoins_at is not None and waking >= rejoins_at:
            sent = waking - rejoins_at + self._statuses_before(waking) - self._statuses_before(rejoins_at)
            since = waking - rejoins_at
            return _Session(self.series.dev_addrs[1], sent, since, since, cold_start=since == 0)
        sent = self.series.first_fcnt + waking + self._statuses_before(waking)
        counter = self.series.first_sample_counter + waking
        return _Session(self.series.dev_addrs[0], sent, counter, waking, cold_start=False)

    def _statuses_before(self, waking: int) -> int:
        """Return how many status messages went out before a waking's measurement."""
        hour = self.probe.status_hour
        return 0 if hour is None else max((waking - hour + 23) // 24, 0)

    def _uplink(
        self, heard: Heard, position: int, *, sent_ms: int, dev_addr: str, fcnt: int, fport: int, payload: bytes
    ) -> tuple[tuple[int, str, int], dict[str, Any]]:
        heard_at = _rfc3339(sent_ms)
        snr_db, rssi_dbm = heard.snr_db[position].tolist(), heard.rssi_dbm[position].tolist()
        receptions = [
            {
                "gateway": link.gateway,
                "rssi_dbm": rssi_dbm[column],
                "snr_db": snr_db[column],
                "heard_at": heard_at,
                "latitude_deg": link.latitude_deg,
                "longitude_deg": link.longitude_deg,
                "antenna": link.antenna,
            }
            for column, link in enumerate(heard.links)
            if heard.heard[position, column]
        ]
        uplink = {
            "dev_eui": self.probe.dev_eui,
            "dev_addr": dev_addr,
            "fport": fport,
            "fcnt": fcnt,
            "payload_hex": payload.hex().upper(),
            "heard_at": heard_at,
            "frequency_hz": EU868_CHANNELS_HZ[int(heard.channel[position])],
            "spreading_factor": self.probe.spreading_factor,
            "bandwidth_hz": BANDWIDTH_HZ,
            "coding_rate": "4/5",
            "confirmed": False,
            "network": self.probe.site.network,
            "receptions": receptions,
        }
        return (sent_ms, self.probe.dev_eui, fcnt), uplink


def _lost_before(lost: Any, row: int, wakings: int) -> int:
    """Return how many measurements in a row nobody heard just before `row`, at most what a payload can repeat.

    The probe knows, since it asks the network for a link check (LoRaWAN LinkCheckReq) with each uplink.
    """
    count = 0
    most = min(PayloadWriter.MOST_OLDER_SAMPLES, row, wakings)
    while count < most and lost[row - 1 - count]:
        count += 1
    return count


def _milliseconds(instant: datetime) -> int:
    if instant.tzinfo is None:
        raise ValueError(f"expected an instant with its time zone, got {instant.isoformat()}")
    return (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def _rfc3339(milliseconds: int) -> str:
    seconds, fraction = divmod(milliseconds, 1000)
    return f"{datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat()}.{fraction:03d}Z"
