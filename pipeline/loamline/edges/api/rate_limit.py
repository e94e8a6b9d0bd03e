"""How often one may ask: a token bucket each, which fills steadily and allows a burst. Pure but for its memory."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable

from loamline.edges.problem_details import HttpError

#: Seconds are sums of binary fractions; what is this close to a whole request counts as one.
_ROUNDING = 1e-6


class RateLimit:
    """`per_minute` requests in the long run, `burst` at once, by whatever name; the names last seen are remembered."""

    def __init__(
        self, *, per_minute: float, burst: int, clock_s: Callable[[], float], most_names: int = 10_000
    ) -> None:
        self._per_second, self._burst, self._clock_s, self._most = per_minute / 60, burst, clock_s, most_names
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, name: str) -> None:
        """Count one request. Raises HttpError (429), which tells when to come again."""
        with self._lock:
            now_s = self._clock_s()
            left, at_s = self._left.pop(name, (float(self._burst), now_s))
            left = min(float(self._burst), left + (now_s - at_s) * self._per_second)
            enough = left >= 1 - _ROUNDING
            self._left[name] = (left - 1 if enough else left, now_s)
            if len(self._left) > self._most:
                self._left.popitem(last=False)
        if not enough:
            wait_s = max(1, math.ceil((1 - left) / self._per_second))
            told = f"at most {60 * self._per_second:g} requests a minute"
            raise HttpError(429, told, "one more", headers={"retry-after": str(wait_s)})
