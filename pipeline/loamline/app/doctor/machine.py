"""What the daemon needs of its machine: room on the disk, a clock that is right, a port of its own."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Any

from loamline.app.life import sizes
from loamline.edges.finding import Finding
from loamline_schemas.settings import Settings, WebhookSettings

_MB = 1_000_000
#: With less than so many times the reserve, the store will soon stand still.
_RESERVES = 4
#: A message that is stored so long before it was heard, or after, tells of a clock, or of a way that is long.
_AHEAD_S, _LATE_S = 2.0, 300.0


def disk(settings: Settings) -> Iterator[Finding]:
    """Yield how much room there is beside the store, against the reserve under which the daemon takes nothing."""
    what = f"disk of {settings.store.absolute().parent}"
    try:
        told = sizes(settings.store)
    except OSError as problem:
        advice = "make the folder, or name another store"
        yield Finding(what, "broken", f"can't be looked at: {problem.strerror}", advice)
        return
    free, held, reserve = told["disk_free_bytes"] // _MB, told["store_bytes"] // _MB, settings.watch.reserve_mb
    words = f"{free} MB free; the store takes {held} MB, {reserve} MB are the reserve"
    advice = "free some, or move the store; `loamline archive run` moves old months into smaller files"
    if free < reserve:
        yield Finding(what, "broken", f"{words}: nothing is taken in", advice)
    elif free < _RESERVES * reserve:
        yield Finding(what, "look", words, advice)
    else:
        yield Finding(what, "fine", words)


def clock(took: dict[str, Any] | None) -> Finding:
    """Return what the newest uplinks tell of this machine's clock; `took` is as `heard_and_stored` tells it.

    A difference is the way's length and the clocks' difference together: a negative one proves a clock wrong, a small
    one that both agree, a large one nothing.
    """
    what, sync = "clock", "see that time synchronisation runs (`timedatectl`), here and on the gateways"
    if took is None or not took["rows"]:
        found = "no uplink with a network's or gateway's time to compare with; a broker tells none"
        return Finding(what, "unseen", found, sync)
    least, rows = took["least_s"], took["rows"]
    if least < -_AHEAD_S:
        found = f"an uplink was stored {-least:.1f} s before it was heard: this clock is behind, or the network's ahead"
        return Finding(what, "look", f"{found} (newest {rows})", sync)
    if least > _LATE_S:
        found = f"every one of the newest {rows} uplinks was stored {least:.0f} s or more after it was heard"
        advice = f"either all of them waited, which is sound, or this clock is ahead: {sync}"
        return Finding(what, "look", found, advice)
    found = (
        f"of the newest {rows} uplinks the quickest was stored {least:.1f} s after it was heard: this clock is ahead "
        "of the network's by no more than that; how far it may be behind does not show"
    )
    return Finding(what, "fine", found)


def webhook_port(webhook: WebhookSettings, *, running: bool) -> Finding:
    """Return whether the webhook answers, or could listen where no daemon runs."""
    what = f"webhook {webhook.host}:{webhook.port}"
    if webhook.port == 0:
        return Finding(what, "unseen", "any free port; the daemon's log tells which", "name one in webhook.port")
    family = socket.AF_INET6 if ":" in webhook.host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as tried:
            if running:
                tried.settimeout(5.0)
                tried.connect((webhook.host or "127.0.0.1", webhook.port))
                return Finding(what, "fine", "the daemon listens")
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind((webhook.host, webhook.port))
    except OSError as problem:
        found = f"{'does not answer' if running else 'we could not listen there'}: {problem.strerror or problem}"
        return Finding(what, "broken", found, "name a free port in webhook.port, or end what has it")
    return Finding(what, "fine", "free for the daemon")
