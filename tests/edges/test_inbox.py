"""The bounded queue between the network and the writer: when a batch is due, and when there is no more room."""

from __future__ import annotations

import threading
from functools import partial
from types import SimpleNamespace

import pytest

from loamline.edges.inbox import Delivery, Inbox

FOREVER_S = 60.0


def message(number: int, size: int = 1) -> Delivery:
    return Delivery(generation=1, mid=number, qos=1, topic="t", payload=b"x" * size)


def mids(batch: list[Delivery]) -> list[int]:
    return [delivery.mid for delivery in batch]


def an_inbox(*numbers: int, messages: int = 100, size_bytes: int = 1000, ripe: int = 5) -> Inbox:
    inbox = Inbox(messages=messages, size_bytes=size_bytes, ripe=ripe)
    assert all(inbox.put(message(number), 0) for number in numbers)
    return inbox


def test_a_full_batch_is_due_at_once_and_in_order() -> None:
    """Nobody waits for the time to pass once enough are there."""
    inbox = an_inbox(1, 2, 3, 4, 5, 6)
    assert mids(inbox.take(most=5, wait_s=FOREVER_S, linger_s=FOREVER_S)) == [1, 2, 3, 4, 5]
    assert len(inbox) == 1


def test_a_batch_that_is_not_full_is_due_some_time_after_its_first_message() -> None:
    """With that time over, what is there comes, however little."""
    assert mids(an_inbox(1, 2).take(most=5, wait_s=FOREVER_S, linger_s=0)) == [1, 2]


def test_a_full_batch_wakes_whoever_waits_for_it() -> None:
    """The wait ends by the last message of a batch, long before its time is over."""
    inbox = an_inbox(1, 2)
    sender = threading.Timer(0.05, lambda: [inbox.put(message(number), 0) for number in (3, 4, 5)])
    sender.start()
    assert mids(inbox.take(most=5, wait_s=FOREVER_S, linger_s=FOREVER_S)) == [1, 2, 3, 4, 5]
    sender.join()


def test_nothing_within_the_wait_is_an_empty_batch() -> None:
    """So that the daemon looks up now and then."""
    assert an_inbox().take(most=5, wait_s=0, linger_s=FOREVER_S) == []


@pytest.mark.parametrize("numbers", [(), (1, 2)])
def test_closed_it_takes_nothing_more_and_gives_what_it_has_at_once(numbers: tuple[int, ...]) -> None:
    """That is how a signal ends a long wait without a lock."""
    inbox = an_inbox(*numbers)
    inbox.closed = True
    assert not inbox.put(message(9), FOREVER_S)
    assert mids(inbox.take(most=5, wait_s=FOREVER_S, linger_s=FOREVER_S)) == list(numbers)


def test_it_holds_no_more_messages_than_it_may() -> None:
    """The one too many is not taken, and has room again once a batch is out."""
    inbox = an_inbox(1, 2, messages=2)
    assert not inbox.put(message(3), 0)
    inbox.take(most=1, wait_s=0, linger_s=0)
    assert inbox.put(message(3), 0)


def test_it_holds_no_more_bytes_than_it_may_but_one_message_of_any_size() -> None:
    """A message above the bound would otherwise never be read, and hold up all behind it."""
    inbox = an_inbox(size_bytes=10)
    assert inbox.put(message(1, size=8), 0)
    assert inbox.put(message(2, size=2), 0)
    assert not inbox.put(message(3, size=1), 0)
    inbox.take(most=2, wait_s=0, linger_s=0)
    assert inbox.put(message(4, size=11), 0)
    assert not inbox.put(message(5, size=1), 0)


def test_asked_for_what_is_due_now_it_does_not_linger() -> None:
    """Whoever has other work to do looks in between; a batch is due by its size, by its age, or at the end."""
    inbox = an_inbox(1, ripe=2)
    assert inbox.take(most=5, wait_s=0, linger_s=FOREVER_S) == []
    assert mids(inbox.take(most=5, wait_s=0, linger_s=0)) == [1]
    inbox = an_inbox(1, 2, ripe=2)
    assert mids(inbox.take(most=5, wait_s=0, linger_s=FOREVER_S)) == [1, 2]
    inbox = an_inbox(1, ripe=2)
    inbox.closed = True
    assert mids(inbox.take(most=5, wait_s=0, linger_s=FOREVER_S)) == [1]


def test_room_wakes_whoever_waits_for_it() -> None:
    """The network thread goes on as soon as the writer has taken a batch."""
    inbox = an_inbox(1, messages=1)
    taker = threading.Timer(0.05, lambda: inbox.take(most=1, wait_s=0, linger_s=0))
    taker.start()
    assert inbox.put(message(2), FOREVER_S)
    taker.join()


def test_a_batch_comes_after_as_long_a_rest_as_the_last_one_took(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever takes batches leaves half of the time to others; a full batch is due all the same."""
    now_s = 1000.0
    monkeypatch.setattr("loamline.edges.inbox.time", SimpleNamespace(monotonic=lambda: now_s))
    inbox = an_inbox(1)
    due = partial(inbox.take, most=5, wait_s=0, linger_s=0.05)
    now_s += 0.05
    assert mids(due()) == [1]
    inbox.put(message(2), 0)
    now_s += 0.1  # worked on it, and asks for more
    assert due() == []
    now_s += 0.09
    assert due() == [], "asked again and again, the rest gets no longer"
    now_s += 0.02
    assert mids(due()) == [2]
    now_s += 30.0
    for number in (3, 4, 5, 6, 7):
        inbox.put(message(number), 0)
    assert mids(due()) == [3, 4, 5, 6, 7], "full"
    now_s += 30.0
    inbox.put(message(8), 0)
    assert due() == []
    now_s += 0.16
    assert mids(due()) == [8], "no rest is longer than that"


def test_with_many_messages_waiting_there_is_no_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = 1000.0
    monkeypatch.setattr("loamline.edges.inbox.time", SimpleNamespace(monotonic=lambda: now_s))
    inbox = an_inbox(0, messages=1000, ripe=500)
    due = partial(inbox.take, most=500, wait_s=0, linger_s=0.05)
    now_s += 0.05
    assert mids(due()) == [0]
    now_s += 0.1
    for number in range(49):
        inbox.put(message(number), 0)
    assert due() == []
    now_s += 0.05
    assert due() == [], "lingered, and it rests"
    inbox.put(message(49), 0)
    assert mids(due()) == [*range(50)]
