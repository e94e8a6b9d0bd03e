"""Who hears a probe's uplink, how well, and which uplinks nobody hears.

A link has a mean signal-to-noise ratio and fades round it; a gateway demodulates what stands above its spreading
factor's floor. RSSI is signal and noise together, as a receiver reports it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from loamline.app.demo import draws
from loamline.app.demo.draws import Floats, Ints
from loamline.app.demo.fleet import OUTAGES, Link, Probe

#: SNR (dB) that LoRa demodulation needs, Semtech SX1276 data sheet (end points checked, steps from memory).
SNR_FLOOR_DB = {7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}
#: The three channels that every EU868 end device knows, LoRa Alliance RP002, Hz.
EU868_CHANNELS_HZ = (868_100_000, 868_300_000, 868_500_000)
BANDWIDTH_HZ = 125_000
#: Thermal noise of 125 kHz with a receiver's 6 dB noise figure, dBm: -174 + 10 log10(125000) + 6.
_NOISE_DBM = -117.03
_FADING_DB = 3.0
#: A receiver's SNR estimate saturates about here, dB (common practice).
_HIGHEST_SNR_DB = 13.0
#: Share of messages lost to another one on the same channel.
_COLLISIONS = 0.004


@dataclass(frozen=True, slots=True)
class Heard:
    """n uplinks at g antennas: `heard` (n, g) bool, `snr_db` and `rssi_dbm` (n, g), `channel` (n,) index."""

    links: tuple[Link, ...]
    heard: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    snr_db: Floats
    rssi_dbm: Floats
    channel: Ints

    @property
    def lost(self) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """(n,): no gateway heard it."""
        return np.asarray(~self.heard.any(axis=1))


class Radio:
    """One probe's links; `kind` separates the fading of its measurements from that of its status messages."""

    def __init__(self, seed: int, probe: Probe, kind: str, history_end_ms: int) -> None:
        self._links = probe.site.links
        self._floor_db = SNR_FLOOR_DB[probe.spreading_factor]
        self._means_db = np.array([self._floor_db + probe.margin_db - link.loss_db for link in self._links])
        self._fading_key = draws.stream(seed, probe.dev_eui, kind, "fading")
        self._collision_key = draws.stream(seed, probe.dev_eui, kind, "collision")
        self._channel_key = draws.stream(seed, probe.dev_eui, kind, "channel")
        self._history_end_ms = history_end_ms

    def heard(self, k: Ints, sent_ms: Ints) -> Heard:
        """Return who hears messages `k`, sent at `sent_ms` (both shape (n,))."""
        index = k[:, None] * len(self._links) + np.arange(len(self._links))
        snr_db = self._means_db + _FADING_DB * draws.normal(self._fading_key, index)
        heard = (snr_db >= self._floor_db) & (draws.uniform(self._collision_key, k) >= _COLLISIONS)[:, None]
        for gateway, days_before_end, hours in OUTAGES:
            begins_ms = self._history_end_ms - days_before_end * 86_400_000
            down = (sent_ms >= begins_ms) & (sent_ms < begins_ms + hours * 3_600_000)
            for column, link in enumerate(self._links):
                if link.gateway == gateway:
                    heard[:, column] &= ~down
        rssi_dbm = _NOISE_DBM + 10.0 * np.log10(1.0 + 10.0 ** (snr_db / 10.0))
        reported_snr_db = np.round(np.minimum(snr_db, _HIGHEST_SNR_DB) * 4.0) / 4.0
        channel = (draws.uniform(self._channel_key, k) * len(EU868_CHANNELS_HZ)).astype(np.int64)
        return Heard(self._links, heard, reported_snr_db, np.rint(rssi_dbm), channel)
