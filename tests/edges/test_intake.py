"""Several ways in before one queue: batches of them all, and to each its own acknowledgements."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from loamline.edges.inbox import Delivery, Inbox
from loamline.edges.intake import Intake, IntakeError
from loamline_schemas.settings import BatchSettings

FOREVER_S = 60.0


class AWayIn:
    """A way in that is told what to put, and notes what is asked of it; it acknowledges even numbers alone."""

    def __init__(self, name: str, inbox: Inbox, *, broken: bool = False) -> None:
        self.name, self._inbox, self._broken = name, inbox, broken
        self.acknowledged: list[int] = []
        self.asked: list[str] = []

    def start(self) -> None:
        self.asked.append("start")
        if self._broken:
            raise IntakeError("expected a broker, got none")

    def tend(self) -> None:
        self.asked.append("tend")

    def put(self, *numbers: int) -> None:
        for number in numbers:
            assert self._inbox.put(Delivery(1, number, 1, "t", b"x", self.name), 0)

    def acknowledge(self, deliveries: Sequence[Delivery]) -> int:
        assert {delivery.source for delivery in deliveries} == {self.name}
        self.acknowledged += [delivery.mid for delivery in deliveries]
        return sum(delivery.mid % 2 == 0 for delivery in deliveries)

    def stop_intake(self) -> None:
        self.asked.append("stop_intake")

    def close(self) -> None:
        self.asked.append("close")


def two(**windows: int) -> tuple[AWayIn, AWayIn, Intake]:
    inbox = Inbox(messages=100, size_bytes=1000, ripe=6, windows=windows)
    one, other = AWayIn("one", inbox), AWayIn("other", inbox)
    return one, other, Intake([one, other], inbox=inbox, batch=BatchSettings(messages=10, milliseconds=60_000))


def test_a_batch_holds_messages_of_all_in_order_of_arrival() -> None:
    """Whoever has little does not wait for its own batch to fill."""
    one, other, intake = two()
    one.put(1, 2)
    other.put(3)
    one.put(4)
    other.put(5, 6)
    batch = intake.receive(0)
    assert [(delivery.source, delivery.mid) for delivery in batch] == [
        ("one", 1), ("one", 2), ("other", 3), ("one", 4), ("other", 5), ("other", 6),
    ]  # fmt: skip


def test_acknowledgements_go_back_to_where_each_message_came_from() -> None:
    """And are counted as each says that it sent them."""
    one, other, intake = two()
    one.put(1, 2, 3)
    other.put(4, 5, 6)
    assert intake.acknowledge(intake.receive(0)) == 3
    assert (one.acknowledged, other.acknowledged) == ([1, 2, 3], [4, 5, 6])


def test_a_batch_is_due_when_one_has_sent_all_that_it_may() -> None:
    """The others' messages do not count for it, and a batch that was taken leaves it room for the next."""
    one, other, intake = two(one=2)
    other.put(1, 2, 3)
    one.put(4)
    assert intake.receive(0) == []
    one.put(5)
    assert len(intake.receive(FOREVER_S)) == 5
    one.put(6)
    assert intake.receive(0) == []


def test_each_is_looked_after_before_a_batch() -> None:
    one, other, intake = two()
    intake.receive(0)
    assert one.asked == other.asked == ["tend"]


def test_told_to_stop_nothing_more_is_taken_and_what_is_there_comes() -> None:
    one, other, intake = two()
    one.put(1)
    intake.stop_intake()
    assert [delivery.mid for delivery in intake.receive(FOREVER_S)] == [1]
    with pytest.raises(AssertionError):
        other.put(2)
    intake.close()
    assert one.asked[-2:] == ["tend", "close"]
    assert "stop_intake" in other.asked


def test_one_that_can_not_be_opened_is_told_and_all_can_be_closed() -> None:
    inbox = Inbox(messages=1, size_bytes=1, ripe=1)
    good, bad = AWayIn("good", inbox), AWayIn("bad", inbox, broken=True)
    intake = Intake([good, bad], inbox=inbox, batch=BatchSettings())
    with pytest.raises(IntakeError, match="expected a broker, got none"):
        intake.start()
    intake.close()
    assert good.asked == ["start", "close"]
