"""The bounded queue between the ways in and the one thread that stores; bounded by messages and by bytes.

A broker's window of unacknowledged messages is no bound on memory: some send more than they were allowed.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field

from loamline.edges.envelopes import EnvelopeReader
from loamline.edges.envelopes.canonical import read_message
from loamline.edges.messages import Fate, Incoming, Outcome, Rejected

#: How long a wait may last without a look at `closed`, which a signal handler sets; that must take no lock.
_SLICE_S = 0.2
#: Whoever takes batches rests as long as it worked on the last one, and no longer than this: where a commit is slow,
#: fewer of them take as much, and leave half of the time to those who read. With so many messages here, it goes on.
_LONGEST_REST_S, _MANY = 0.15, 50
#: Enough for a wave of messages while a commit is under way.
QUEUE_BYTES = 64 * 1024 * 1024


@dataclass(slots=True)
class Receipt:
    """What became of one delivery: the messages that were read from it, and the fate of each once it is committed."""

    messages: list[Incoming] = field(default_factory=list)
    fates: list[Fate] = field(default_factory=list)

    @property
    def outcome(self) -> Outcome:
        """The counts."""
        return Outcome.of(self.fates)

    @property
    def sentences(self) -> list[str]:
        """Why each message that is no uplink is none."""
        return [message.detail for message in self.messages if isinstance(message, Rejected)]


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message as a way in got it; `generation` and `mid` are what its acknowledgement needs.

    `topic` tells people where it came from, `source` names the way in, `reader` reads what it holds. A way in that
    has to answer with what became of it gives a `receipt`, which is filled in before it is acknowledged.
    """

    generation: int
    mid: int
    qos: int
    topic: str
    payload: bytes
    source: str = ""
    reader: EnvelopeReader = read_message
    receipt: Receipt | None = field(default=None, compare=False)


class Inbox:
    """Deliveries in order of arrival: at most `messages`, at most `size_bytes`.

    A batch is full at `ripe` of them, or as soon as one source has as many here as `windows` says it sends ahead of
    acknowledgement: waiting for more of them would be in vain.
    """

    def __init__(self, *, messages: int, size_bytes: int, ripe: int, windows: Mapping[str, int] | None = None) -> None:
        self._messages, self._size_bytes, self._ripe = messages, size_bytes, min(ripe, messages)
        self._windows = dict(windows or {})
        lock = threading.Lock()
        self._room, self._filled = threading.Condition(lock), threading.Condition(lock)
        self._items: deque[tuple[float, Delivery]] = deque()
        self._held_bytes = 0
        self._of_source: Counter[str] = Counter()
        self._used_up: set[str] = set()
        #: When the last batch was handed out, until that is worked off; not before when the next one is.
        self._handed_out_s: float | None = None
        self._rest_until_s = 0.0
        self.closed = False

    def __len__(self) -> int:
        return len(self._items)

    @property
    def held_bytes(self) -> int:
        """How many bytes of messages wait here."""
        return self._held_bytes

    def holds(self, source: str) -> int:
        """Return how many deliveries of one source wait here."""
        return self._of_source[source]

    def put(self, delivery: Delivery, wait_s: float) -> bool:
        """Append, waiting for room at most `wait_s` seconds; return whether it was taken."""
        until = time.monotonic() + wait_s
        with self._room:
            while self._is_full(len(delivery.payload)) and not self.closed:
                left = until - time.monotonic()
                if left <= 0:
                    return False
                self._room.wait(min(left, _SLICE_S))
            if self.closed:
                return False
            self._items.append((time.monotonic(), delivery))
            self._count(delivery, 1)
            if len(self._items) in (1, _MANY) or self._is_ripe():
                self._filled.notify()
        return True

    def take(self, *, most: int, wait_s: float, linger_s: float) -> list[Delivery]:
        """Return up to `most` in order: once enough are there, or `linger_s` after the oldest came and after a rest.

        Nothing within `wait_s` seconds: an empty list. When closed, what is there comes at once. A `wait_s` of 0 asks
        for what is due now, and does not linger for the rest.
        """
        until = time.monotonic() + wait_s
        with self._filled:
            self._begin_rest()
            while not (self._is_ripe() or self.closed):
                left = self._due_s(until, linger_s) - time.monotonic()
                if left > 0 and wait_s <= 0:
                    return []
                if left <= 0:
                    break
                self._filled.wait(min(left, _SLICE_S))
            batch = [self._items.popleft()[1] for _ in range(min(most, len(self._items)))]
            for delivery in batch:
                self._count(delivery, -1)
            if batch:
                self._handed_out_s = time.monotonic()
            self._room.notify_all()
        return batch

    def _due_s(self, until_s: float, linger_s: float) -> float:
        if not self._items:
            return until_s
        due_s = self._items[0][0] + linger_s
        return due_s if len(self._items) >= _MANY else max(due_s, self._rest_until_s)

    def _begin_rest(self) -> None:
        if self._handed_out_s is not None:
            now_s = time.monotonic()
            self._rest_until_s = now_s + min(now_s - self._handed_out_s, _LONGEST_REST_S)
            self._handed_out_s = None

    def _count(self, delivery: Delivery, sign: int) -> None:
        source = delivery.source
        self._held_bytes += sign * len(delivery.payload)
        self._of_source[source] += sign
        window = self._windows.get(source)
        if window is not None:
            (self._used_up.add if self._of_source[source] >= window else self._used_up.discard)(source)

    def _is_ripe(self) -> bool:
        return len(self._items) >= self._ripe or bool(self._used_up)

    def _is_full(self, more_bytes: int) -> bool:
        # One message over the bound still passes when it is alone, or it would never be read.
        over = self._held_bytes + more_bytes > self._size_bytes
        return len(self._items) >= self._messages or (over and bool(self._items))
