"""What the daemon's loop does between two commits, besides answering requests: nothing of it may stop the loop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from structlog.typing import FilteringBoundLogger

from loamline.edges.store.connection import Store


class Tender(Protocol):
    """Something that looks at the open store now and then, by the thread that stores."""

    def turn(self, store: Store) -> None:
        """Do what is due, briefly."""

    def let_go(self) -> None:
        """Use the store no more: it is closed next, and may be opened again."""

    def leave(self, store: Store | None) -> None:
        """Finish, as the daemon stops; without a store where that is away."""


def tend(tenders: Sequence[Tender], store: Store | None, log: FilteringBoundLogger) -> None:
    """Give each its turn; one that raises is logged and has its turn again."""
    if store is None:
        return
    for tender in tenders:
        try:
            tender.turn(store)
        except Exception as problem:  # noqa: BLE001 - what looks on must not stop what is looked at
            log.warning("a turn came to nothing, it comes again", of=type(tender).__name__, reason=_told(problem))


def let_go(tenders: Sequence[Tender], log: FilteringBoundLogger) -> None:
    """Have each let go of the store."""
    for tender in tenders:
        try:
            tender.let_go()
        except Exception as problem:  # noqa: BLE001 - it is closed all the same
            log.warning("could not let go of the store", of=type(tender).__name__, reason=_told(problem))


def leave(tenders: Sequence[Tender], store: Store | None, log: FilteringBoundLogger) -> None:
    """Let each finish."""
    for tender in tenders:
        try:
            tender.leave(store)
        except Exception as problem:  # noqa: BLE001 - the daemon leaves all the same
            log.warning("could not finish, the next start does", of=type(tender).__name__, reason=_told(problem))


def _told(problem: Exception) -> str:
    return f"{type(problem).__name__}: {str(problem).splitlines()[0] if str(problem) else 'no reason'}"
