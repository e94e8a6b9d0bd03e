"""What the whole fleet looks like, kept for a moment, so that a large one is not summed up anew for every reader.

An overview is kept for some times as long as it took to make: making them takes no more than a small share of a
processor, whatever the fleet and however many look. It is made by a thread of its own, once for all who ask meanwhile.
Who asks waits a moment for it, so that a small fleet is always told as it stands; of a large one the last overview is
shown in the meantime, and says as of when, unless it is older than may be.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from loamline.edges.store.connection import Store
from loamline.edges.store.page_fleet import SiteRow
from loamline.edges.store.problem_log import InForce
from loamline.edges.store.reading_api import NotNowError, StoreReader

#: It is kept for so many times the time that it took, and no longer than this.
_TIMES, _LONGEST_S = 8.0, 120.0
#: None older than this is shown, by when its making began.
MOST_AGE_S = 300.0
#: How long somebody waits for a fresh one with one at hand that may be shown, and with none.
_MOMENT_S, PATIENCE_S = 0.1, 8.0
#: A fleet of any size is to be summed up in this.
_MAKING_S = 150.0


@dataclass(frozen=True)
class Overview:
    """As of when; each probe's health (columns as `api_fleet.HEALTH`); the needy with reasons; each site's newest.

    `kinds`: how many probes need attention for which reason, the gravest first.
    `beyond`: what the daemon noted of gateways, hardware and the store itself; of everybody's alone.
    """

    as_of: datetime
    health: list[dict[str, Any]]
    needy: list[Any]
    needy_count: int
    kinds: list[tuple[str, int]]
    sites: dict[str, SiteRow]
    beyond: list[InForce]


#: Makes an overview of a view of the store.
Make = Callable[[Store], Overview]


@dataclass
class _Kept:
    """Of one customer: the newest overview, when its making began and how long it is fresh; how often one was made."""

    overview: Overview | None = None
    begun_s: float = 0.0
    fresh_until_s: float = 0.0
    made: int = 0
    making: bool = False
    error: Exception | None = None


class Overviews:
    """The newest overview by customer (None: everybody's). To be used from any thread."""

    def __init__(self, reader: StoreReader, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._reader, self._clock_s = reader, clock_s
        self._kept: dict[str | None, _Kept] = {}
        self._changed = threading.Condition()
        #: One is made at a time, however many customers look.
        self._one = threading.Lock()

    def get(self, customer: str | None, make: Make, patience_s: float = PATIENCE_S) -> Overview:
        """Return an overview that is recent enough; `make` is called by one thread at a time, on a view of its own.

        Raises NotNowError where there is none in `patience_s`, and what making it raised.
        """
        with self._changed:
            kept = self._kept.setdefault(customer, _Kept())
            if kept.overview is not None and self._clock_s() < kept.fresh_until_s:
                return kept.overview
            before = kept.made
            if not kept.making:
                kept.making = True
                threading.Thread(target=self._make, args=(kept, make), name="overview", daemon=True).start()
            showable = kept.overview is not None and self._clock_s() - kept.begun_s < MOST_AGE_S
            come = self._changed.wait_for(lambda: kept.made > before, _MOMENT_S if showable else patience_s)
            if come and kept.error is not None and not showable:
                raise kept.error
            if kept.overview is None or not (showable or come):
                raise NotNowError("expected the fleet to be summed up by now, got no end of it yet")
            return kept.overview

    def _make(self, kept: _Kept, make: Make) -> None:
        made: Overview | None = None
        error: Exception | None = None
        begun_s = self._clock_s()
        try:
            with self._one, self._reader.view(beside_s=_MAKING_S) as store:
                made = make(store)
        except Exception as problem:  # noqa: BLE001 - whoever waits for it gets it
            error = problem
        with self._changed:
            ended_s = self._clock_s()
            if made is not None:
                kept.overview, kept.begun_s = made, begun_s
                kept.fresh_until_s = ended_s + min(_TIMES * (ended_s - begun_s), _LONGEST_S)
            kept.made, kept.making, kept.error = kept.made + 1, False, error
            self._changed.notify_all()
