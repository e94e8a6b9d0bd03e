"""One revision's probes, and one probe's figures before and after it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from loamline.edges.store.api_registry import OWN_PLACED, customer_parameter
from loamline.edges.store.as_of import readings_as_of
from loamline.edges.store.connection import Store
from loamline.edges.store.readings import Selection
from loamline_codecs import CodecSet


@dataclass(frozen=True)
class Covered:
    """One probe that a revision covers, and from which reading to which."""

    dev_eui: str
    measured_from: datetime
    measured_to: datetime


@dataclass(frozen=True)
class Pair:
    """One reading before and after: water contents in m3/m3, verdicts in words; None on a side that has none."""

    depth_index: int
    depth_cm: float | None
    at: datetime
    before: float | None
    after: float | None
    verdict_before: str | None
    verdict_after: str | None

    @property
    def changed(self) -> bool:
        """Whether figure or verdict differ."""
        return self.before != self.after or self.verdict_before != self.verdict_after


def covered(
    store: Store, customer: str | None, revision_id: int, *, dev_eui: str | None = None, limit: int
) -> list[Covered]:
    """Return up to `limit` of the probes of a revision that may be seen, by dev_eui; that one alone if it is named."""
    whose = "true"
    if customer is not None:
        whose = f"""EXISTS (
            SELECT 1 FROM {OWN_PLACED} o WHERE o.dev_eui = i.dev_eui
            AND s.measured_to >= o.valid_from AND s.measured_from < o.valid_end
        )"""  # noqa: S608 - our own names
    rows = store.con.execute(
        "SELECT i.dev_eui, s.measured_from, s.measured_to FROM revision_span s JOIN probe_identity i USING (probe_id) "  # noqa: S608
        f"WHERE s.revision_id = $revision AND ($dev_euis IS NULL OR list_contains($dev_euis, i.dev_eui)) AND {whose} "
        f"ORDER BY i.dev_eui LIMIT {int(limit)}",
        {
            "revision": revision_id,
            "dev_euis": None if dev_eui is None else [dev_eui],
            **customer_parameter(customer),
        },
    ).fetchall()
    return [Covered(*row) for row in rows]


def pairs(
    store: Store, codecs: CodecSet, dev_eui: str, span: tuple[datetime, datetime], published_at: datetime
) -> list[Pair]:
    """Return one probe's readings of [since, until) just before a revision was published and with it.

    Both are derived from the raw log that was stored by then; codecs and rules are today's.
    """
    selection = Selection((dev_eui,), None, *span)
    before, after = (
        _by_key(store, codecs, selection, at) for at in (published_at - timedelta(microseconds=1), published_at)
    )
    told = []
    for key in sorted({*before, *after}):
        old, new = before.get(key, {}), after.get(key, {})
        told.append(
            Pair(
                key[0],
                new.get("depth_cm", old.get("depth_cm")),
                key[1],
                old.get("vwc_m3_m3"),
                new.get("vwc_m3_m3"),
                old.get("verdict"),
                new.get("verdict"),
            )
        )
    return told


def _by_key(
    store: Store, codecs: CodecSet, selection: Selection, at: datetime
) -> dict[tuple[int, datetime], dict[str, Any]]:
    rows = readings_as_of(store, codecs, selection, at).read_all()
    names = ["depth_index", "measured_at", "depth_cm", "vwc_m3_m3", "verdict"]
    return {(row["depth_index"], row["measured_at"]): row for row in rows.select(names).to_pylist()}
