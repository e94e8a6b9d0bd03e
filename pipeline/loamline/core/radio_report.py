"""A fleet's radio over a span: figures of each probe, gateway and pair, made block by block of deliveries.

**Delivery ratio**: uplinks heard over uplinks sent, which are those heard and the gaps of the frame counter within
sessions; of a gateway, over what the probes sent that it hears at all. **Margin**: SNR over the demodulation floor of
the spreading factor. Only what was heard has an SNR, so that the margin of a poor link is told too well. An uplink of
a probe has the best SNR of its gateways.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from loamline.core.columns import DAY_US, Bools, Floats, Ints, floats, group_starts, ints, whole
from loamline.core.identity import merge, sessions
from loamline.core.probe_airtime import Airtime, airtimes
from loamline.core.radio import expected_signal_power_dbm, margin_db
from loamline.core.radio_links import Heard, heard, lost_by_day, plausible
from loamline.core.trends import Trend, daily_medians, trend


@dataclass(frozen=True)
class Link:
    """A probe and a gateway that heard it; medians over the uplinks that it heard, NaN where it told no SNR."""

    probe_id: int
    gateway: str
    uplinks: int
    delivery_ratio: float
    margin_db: float
    signal_dbm: float
    trend: Trend | None
    #: Days with a margin (since 1970) and each one's median, for the gateway's own trend.
    days: Ints = field(repr=False)
    daily_margin_db: Floats = field(repr=False)


@dataclass(frozen=True)
class ProbeRadio:
    """A probe: what was heard and lost of it, its margin, who hears it, and what it takes of the air."""

    probe_id: int
    uplinks: int
    lost: int
    delivery_ratio: float
    margin_db: float
    trend: Trend | None
    gateways: int
    only_gateway: str | None
    airtime: Airtime


@dataclass(frozen=True)
class GatewayRadio:
    """A gateway: `margin_db` is the median of its links' own, `only_here` the probes that no other heard."""

    gateway: str
    probes: int
    only_here: int
    uplinks: int
    delivery_ratio: float
    margin_db: float
    trend: Trend | None


@dataclass(frozen=True)
class Calendar:
    """Uplinks of a probe on a UTC day (since 1970), shape (m,) each, by probe and day; days without any are absent."""

    probe_id: Ints
    day: Ints
    received: Ints
    lost: Ints


@dataclass(frozen=True)
class BlockFigures:
    """What is kept of one block of probes."""

    probes: list[ProbeRadio]
    links: list[Link]
    calendar: Calendar

    @classmethod
    def none(cls) -> BlockFigures:
        """Return the figures of no probe."""
        empty = np.empty(0, dtype=np.int64)
        return cls([], [], Calendar(empty, empty, empty, empty))


@dataclass(frozen=True)
class RadioReport:
    """Everything, probes and links by probe number, gateways by name."""

    probes: list[ProbeRadio]
    links: list[Link]
    gateways: list[GatewayRadio]
    calendar: Calendar


def block_figures(deliveries: pa.Table, until_us: int) -> BlockFigures:
    """Return the figures of the probes of some deliveries (columns as UPLINK), whose deliveries must all be there."""
    if not deliveries.num_rows:
        return BlockFigures.none()
    uplinks = merge(deliveries)
    first, at = uplinks.first, uplinks.heard_at_us
    address = ints(whole(deliveries, "dev_addr"))[first]
    told = sessions(uplinks.probe_id, at, address, uplinks.fcnt)
    factor = floats(whole(deliveries, "spreading_factor"))[first]
    links = heard(deliveries, uplinks.uplink_of)
    order = np.argsort(uplinks.probe_id, kind="stable")
    starts = np.flatnonzero(group_starts(uplinks.probe_id[order]))
    of_probe = {int(uplinks.probe_id[rows[0]]): rows for rows in np.split(order, starts[1:])}
    sent = {probe: len(rows) + int(told.lost_before[rows].sum()) for probe, rows in of_probe.items()}
    pairs = _links(links, uplinks.probe_id, at, factor, sent)
    names: dict[int, list[str]] = defaultdict(list)
    for pair in pairs:
        names[pair.probe_id].append(pair.gateway)
    on_air = airtimes(deliveries.take(pa.array(first)), uplinks.probe_id, at, sent)
    margin = margin_db(plausible(uplinks.best_snr_db), factor)
    probes = [
        ProbeRadio(
            probe,
            len(rows),
            sent[probe] - len(rows),
            len(rows) / sent[probe],
            _median(margin[rows]),
            trend(*daily_medians(at[rows], margin[rows])),
            len(names[probe]),
            names[probe][0] if len(names[probe]) == 1 else None,
            on_air[probe],
        )
        for probe, rows in of_probe.items()
    ]
    lost = lost_by_day(uplinks.probe_id, at, told, until_us)
    probe = np.concatenate([uplinks.probe_id, lost.probe_id])
    day = np.concatenate([at // DAY_US, lost.day])
    received = np.concatenate([np.ones(len(at), np.int64), np.zeros(len(lost.lost), np.int64)])
    return BlockFigures(probes, pairs, _calendar(probe, day, received, np.concatenate([0 * at, lost.lost])))


def put_together(blocks: list[BlockFigures]) -> RadioReport:
    """Return the report of all blocks; a probe stands in one of them."""
    probes = [probe for block in blocks for probe in block.probes]
    links = [link for block in blocks for link in block.links]
    parts = [block.calendar for block in blocks]
    calendar = _calendar(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("probe_id", "day", "received", "lost"))
    )
    return RadioReport(probes, links, _gateways(probes, links), calendar)


def _links(links: Heard, probe: Ints, at_us: Ints, factor: Floats, sent: dict[int, int]) -> list[Link]:
    row_probe = probe[links.uplink]
    margin = margin_db(links.snr_db, factor[links.uplink])
    signal = expected_signal_power_dbm(links.rssi_dbm, links.snr_db)
    order = np.lexsort((links.gateway, row_probe))
    starts = np.flatnonzero(group_starts(row_probe[order], links.gateway[order]))
    found = []
    for rows in np.split(order, starts[1:]) if len(order) else []:
        number = int(row_probe[rows[0]])
        days, daily = daily_medians(at_us[links.uplink[rows]], margin[rows])
        found.append(
            Link(
                number,
                links.names[int(links.gateway[rows[0]])],
                len(rows),
                len(rows) / sent[number],
                _median(margin[rows]),
                _median(signal[rows]),
                trend(days, daily),
                days,
                daily,
            )
        )
    return sorted(found, key=lambda link: (link.probe_id, link.gateway))


def _gateways(probes: list[ProbeRadio], links: list[Link]) -> list[GatewayRadio]:
    of_probe = {probe.probe_id: probe for probe in probes}
    of_gateway: dict[str, list[Link]] = defaultdict(list)
    for link in links:
        of_gateway[link.gateway].append(link)
    told = []
    for name, mine in sorted(of_gateway.items()):
        uplinks = sum(link.uplinks for link in mine)
        theirs = [of_probe[link.probe_id] for link in mine]
        told.append(
            GatewayRadio(
                name,
                len(mine),
                sum(probe.only_gateway == name for probe in theirs),
                uplinks,
                uplinks / sum(probe.uplinks + probe.lost for probe in theirs),
                _median(np.array([link.margin_db for link in mine])),
                _trend_of_all(mine),
            )
        )
    return told


def _trend_of_all(links: list[Link]) -> Trend | None:
    """Return a gateway's trend: of each day's median over its probes of how far each stands from its own median.

    So a probe that comes or goes moves nothing by being nearer or further than the others.
    """
    days = np.concatenate([link.days for link in links])
    apart = np.concatenate([link.daily_margin_db - link.margin_db for link in links])
    return trend(*daily_medians(days * DAY_US, apart))


def _calendar(probe: Ints, day: Ints, received: Ints, lost: Ints) -> Calendar:
    order = np.lexsort((day, probe))
    starts: Bools = group_starts(probe[order], day[order])
    begins = np.flatnonzero(starts)
    if not len(begins):
        return Calendar(probe, day, received, lost)
    return Calendar(
        probe[order][begins],
        day[order][begins],
        np.add.reduceat(received[order], begins),
        np.add.reduceat(lost[order], begins),
    )


def _median(values: Floats) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")
