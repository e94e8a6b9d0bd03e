"""What a batch of deliveries holds, what becomes of a message that can't be stored, and telling whoever sent it."""

from __future__ import annotations

from loamline.edges.inbox import Delivery
from loamline.edges.messages import Fate, Incoming, Rejected


def read_delivery(delivery: Delivery) -> list[Incoming]:
    """Return what a delivery holds, by its own reader; all of it as one unreadable message where that breaks."""
    try:
        return delivery.reader(delivery.payload, delivery.topic)
    except Exception as problem:  # noqa: BLE001 - one message must never stop the daemon
        detail = f"{delivery.topic}: expected to read it, got {told(problem)}; please report this"
        return [Rejected(delivery.topic, detail, delivery.payload)]


def fill_receipts(batch: list[Delivery], read: list[list[Incoming]], fates: list[Fate]) -> None:
    """Tell whoever waits for it what became of each message of its delivery."""
    left = iter(fates)
    for delivery, messages in zip(batch, read, strict=True):
        of_these = [next(left) for _ in messages]
        if delivery.receipt is not None:
            delivery.receipt.messages, delivery.receipt.fates = messages, of_these


def refused_message(message: Incoming, problem: Exception) -> Rejected:
    """Return a message that could not be stored as one that is kept with the reason."""
    if isinstance(message, Rejected):
        return message
    source = f"uplink {message.uplink.fcnt} of {message.uplink.dev_eui}"
    return Rejected(source, f"{source}: expected to store it, got {told(problem)}", message.envelope)


def told(problem: Exception) -> str:
    """Return an exception as one line."""
    return f"{type(problem).__name__}: {str(problem).splitlines()[0] if str(problem) else 'no reason'}"
