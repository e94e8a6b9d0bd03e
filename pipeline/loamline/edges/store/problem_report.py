"""Problems as commands and pages tell them: those that a daemon has noted, or as they are found at a moment."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from loamline.edges.store.connection import Store
from loamline.edges.store.outbox import outbox_state
from loamline.edges.store.placements import standing
from loamline.edges.store.problem_log import InForce, in_order, stored_problems
from loamline.edges.store.problems import Problems


def problems_at(store: Store, now: datetime) -> list[InForce]:
    """Return every problem at that moment, the gravest first, whether or not a daemon has noted it; writes nothing."""
    looking = Problems(store, now, keep=False, most=2_000)
    looking.turn(now)
    while looking.waiting:
        looking.turn(now)
    return looking.in_force


def problem_report(store: Store, problems: Iterable[InForce] | None = None, site: str | None = None) -> dict[str, Any]:
    """Return problems (those noted, unless told) and the events' state as `loamline fleet --problems --json` has it.

    With `site`, those of probes that are placed there.
    """
    names = _names(store, datetime.now(UTC))
    told = [_as_fields(one, names) for one in (stored_problems(store) if problems is None else in_order(problems))]
    return {
        "problems": [one for one in told if site is None or one["site"] == site],
        "events": outbox_state(store).as_fields(),
    }


def _as_fields(one: InForce, names: dict[str, tuple[str | None, str | None, str | None]]) -> dict[str, Any]:
    serial, site, label = names.get(one.subject, (None, None, None))
    return {
        "kind": one.kind.value,
        "subject": one.subject,
        "serial": serial,
        "site": site,
        "label": label,
        "since": one.since,
        "noticed_at": one.noticed_at,
        "detail": one.detail,
        "what_to_do": one.kind.what_to_do,
    }


def _names(store: Store, now: datetime) -> dict[str, tuple[str | None, str | None, str | None]]:
    rows = store.con.execute(
        "SELECT 'probe/' || dev_eui, serial, site, nullif(array_to_string(labels, ', '), '') "  # noqa: S608 - our own names
        f"FROM {standing()}",
        {"at": now},
    ).fetchall()
    return {subject: (serial, site, label) for subject, serial, site, label in rows}
