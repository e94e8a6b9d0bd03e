"""What each probe takes of the air: time on air, and its share of the duty-cycle budget by sub-band.

The time on air of an uplink is that of its PHY payload: the FRMPayload and the 13 bytes round it. MAC commands that
the probe put into the frame header (FOpts, at most 15 bytes) stand in no raw log, so that this is the least. Without
a coding rate it is taken as 4/5, LoRaWAN's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loamline.core.columns import HOUR_US, Floats, Ints, floats, group_starts, ints, whole
from loamline.core.subbands import SUB_BANDS, share_of_budget, sub_band_of
from loamline.core.time_on_air import CODING_RATES, FRAME_BYTES, coding_rate_numbers, time_on_air_ms


@dataclass(frozen=True)
class BandShare:
    """Airtime in one sub-band; None for the letter, and no shares, outside those of 863 to 870 MHz.

    `share_of_budget` is over the probe's span with the lost uplinks, whose airtime is taken as that of the others;
    `busiest_hour_share` is of the clock hour with the most airtime heard.
    """

    sub_band: str | None
    uplinks: int
    airtime_s: float
    share_of_budget: float | None
    busiest_hour_share: float | None


@dataclass(frozen=True)
class Airtime:
    """Of one probe: mean time on air of an uplink (NaN: unknown), mean seconds between two sent, shares by sub-band."""

    mean_ms: float
    interval_s: float
    bands: list[BandShare]


def airtimes(uplinks: pa.Table, probe: Ints, at_us: Ints, sent: dict[int, int]) -> dict[int, Airtime]:
    """Return the airtime of each probe; `uplinks` (columns as UPLINK), `probe` and `at_us` have a row an uplink.

    `sent` tells how many uplinks each probe sent, heard or not.
    """
    on_air_s = _on_air_ms(uplinks) / 1e3
    band = sub_band_of(floats(whole(uplinks, "frequency_hz")))
    order = np.lexsort((at_us, band, probe))
    starts = np.flatnonzero(group_starts(probe[order]))
    told = {}
    for rows in np.split(order, starts[1:]) if len(order) else []:
        number = int(probe[rows[0]])
        span_s = float(at_us[rows].max() - at_us[rows].min()) / 1e6
        known = rows[~np.isnan(on_air_s[rows])]
        splits = np.flatnonzero(group_starts(band[known]))
        told[number] = Airtime(
            float(on_air_s[known].mean() * 1e3) if len(known) else float("nan"),
            span_s / (sent[number] - 1) if sent[number] > 1 else float("nan"),
            [
                _share(int(band[some[0]]), on_air_s[some], at_us[some], span_s, sent[number] / len(rows))
                for some in (np.split(known, splits[1:]) if len(known) else [])
            ],
        )
    return told


def _on_air_ms(uplinks: pa.Table) -> Floats:
    rates = whole(uplinks, "coding_rate").fill_null(CODING_RATES[0]).dictionary_encode()
    return time_on_air_ms(
        floats(pc.binary_length(whole(uplinks, "payload"))) + FRAME_BYTES,
        floats(whole(uplinks, "spreading_factor")),
        floats(whole(uplinks, "bandwidth_hz")),
        coding_rate_numbers(ints(rates.indices), rates.dictionary.to_pylist()),
    )


def _share(band: int, on_air_s: Floats, at_us: Ints, span_s: float, sent_per_heard: float) -> BandShare:
    total = float(on_air_s.sum())
    if band < 0:
        return BandShare(None, len(on_air_s), total, None, None)
    duty_cycle = SUB_BANDS[band].duty_cycle
    hours = np.flatnonzero(group_starts(at_us // HOUR_US))
    busiest = float(np.add.reduceat(on_air_s, hours).max())
    return BandShare(
        SUB_BANDS[band].letter,
        len(on_air_s),
        total,
        float(share_of_budget(total * sent_per_heard, span_s, duty_cycle)),
        float(share_of_budget(busiest, 3600.0, duty_cycle)),
    )
