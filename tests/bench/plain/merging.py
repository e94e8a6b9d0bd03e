"""Which deliveries are the same uplink, one at a time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

import pyarrow as pa

from loamline_schemas.uplink import HEARD_AT_SOURCES

#: Microseconds between two deliveries of one uplink.
LINK_US = 10 * 60 * 1_000_000
OUR_CLOCK = HEARD_AT_SOURCES.index("clock")
NOTHING = float("-inf")


class Delivery(NamedTuple):
    """What the chain asks of one raw-log row; instants in microseconds since 1970."""

    probe_id: int
    dev_addr: int | None
    fcnt: int
    fport: int
    payload: bytes
    heard_at_us: int
    heard_at_source: int
    receptions: list[dict[str, Any]]
    digest: int
    reference_id: int


#: How DuckDB gives them.
SELECTED = (
    "probe_id, dev_addr, fcnt, fport, payload, epoch_us(heard_at), heard_at_source, receptions, digest, reference_id"
)


def deliveries_of(table: pa.Table) -> list[Delivery]:
    """Return the rows of a raw-log table in Arrow."""
    heard = table.column("heard_at").cast(pa.int64())
    told = table.set_column(table.column_names.index("heard_at"), "heard_at_us", heard).select(Delivery._fields)
    return [Delivery(**row) for row in told.to_pylist()]


class Uplink(NamedTuple):
    """One uplink, merged of its deliveries; radio figures are None where nobody told any."""

    probe_id: int
    dev_addr: int | None
    fcnt: int
    fport: int
    payload: bytes
    heard_at_us: int
    reference_id: int
    gateways: int
    best_rssi_dbm: float | None
    best_snr_db: float | None

    @property
    def key(self) -> tuple[int, int, int, bytes]:
        """What orders two uplinks heard at once."""
        return self.fcnt, -1 if self.dev_addr is None else self.dev_addr, self.fport, self.payload


def merged(deliveries: Iterable[Delivery]) -> Iterator[Uplink]:
    """Yield the uplinks that these deliveries are of."""
    alike: dict[tuple[Any, ...], list[Delivery]] = defaultdict(list)
    for told in deliveries:
        alike[told.probe_id, told.dev_addr, told.fcnt & 0xFFFF, told.fport, told.payload].append(told)
    for every in alike.values():
        if len(every) == 1:
            yield _uplink(every)
            continue
        every.sort(key=lambda told: (told.heard_at_us, told.digest))
        timed = all(told.heard_at_source != OUR_CLOCK for told in every)
        group = every[:1]
        for told in every[1:]:
            if timed and told.heard_at_us - group[-1].heard_at_us > LINK_US:
                yield _uplink(group)
                group = []
            group.append(told)
        yield _uplink(group)


def _uplink(group: list[Delivery]) -> Uplink:
    """Return what deliveries, the earliest first, say together."""
    first = group[0]
    # By gateway and antenna the best SNR, and the RSSI that came with it.
    best: dict[tuple[str, int | None], tuple[float, float]] = {}
    for told in group:
        for heard in told.receptions or ():
            antenna, snr, rssi = heard["antenna"], heard["snr_db"], heard["rssi_dbm"]
            # Adding 0.0 makes one zero of two.
            figures = (NOTHING if snr is None else snr + 0.0, NOTHING if rssi is None else rssi + 0.0)
            by = heard["gateway"], antenna
            if by not in best or figures > best[by]:
                best[by] = figures
    snr = max((snr for snr, _ in best.values()), default=NOTHING)
    rssi = max((rssi for _, rssi in best.values()), default=NOTHING)
    return Uplink(
        first.probe_id,
        first.dev_addr,
        max(told.fcnt for told in group),
        first.fport,
        first.payload,
        first.heard_at_us,
        min(told.reference_id for told in group),
        len({gateway for gateway, _ in best}),
        None if rssi == NOTHING else rssi,
        None if snr == NOTHING else snr,
    )
