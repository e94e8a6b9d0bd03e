"""One reading explained: the whole derivation, from the delivered bytes to the verdict, computed again on the spot."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from loamline.core.columns import DAY_US
from loamline.core.explaining.words import number, shown
from loamline.core.explanation import Explanation, difference_sentence, explain
from loamline.core.reference import microseconds
from loamline.edges.pages.asked import Asked, Page, PageError, missing
from loamline.edges.store.api_readings import Wanted, known
from loamline.edges.store.evidence import raw_log_of, registry_states, stored_readings
from loamline.edges.store.page_places import FOREVER, placements_of, site_zone
from loamline.edges.store.page_series import newest_reading
from loamline.edges.store.registry import probe_ids, registry

#: How far back the checks of a reading may look, roughly; evidence from before a placement is somebody else's.
_CHECKS_REACH = timedelta(hours=80)


def show(asked: Asked) -> Page:
    """Return the explanation of the reading nearest an instant. Raises PageError (404) where there is none to see."""
    dev_eui = asked.path["dev_eui"].upper()
    if not known(asked.store, asked.customer, dev_eui=dev_eui):
        raise missing("probe", dev_eui, "The first page lists them.")
    at = asked.instant("at")
    if at is None:
        raise PageError(
            404, "Which reading?", "Expected the instant of a reading in the address; choose one on the probe's page."
        )
    depth = asked.whole("depth", 0) if asked.query.get("depth") else None
    told = _explained(asked, dev_eui, at, depth)
    readings = [reading for reading in told.readings if _own(asked, dev_eui, reading)]
    if not readings:
        raise PageError(
            404,
            "No such reading",
            "No reading that you may see lies within a day of that instant. The probe's page lists them.",
        )
    placements = placements_of(asked.store, asked.customer, dev_eui)
    site = _site(placements, readings[0]["measured_at"])
    zone = site_zone(asked.store, asked.customer, site)
    early = _reaches_back(asked, placements, readings[0]["measured_at"])
    return Page(
        "reading.html.jinja",
        f"Reading of {dev_eui}",
        {
            "dev_eui": dev_eui,
            "zone": zone,
            "depth": depth,
            "readings": readings,
            "measured_at": readings[0]["measured_at"],
            "set_aside": told.set_aside if asked.customer is None else [],
            "early": early,
            "difference": difference_sentence,
            "shown": _shown,
        },
    )


def _explained(asked: Asked, dev_eui: str, at: datetime, depth: int | None) -> Explanation:
    store = asked.store
    numbers = probe_ids(store)
    day = timedelta(microseconds=DAY_US)
    since = max(at, datetime.min.replace(tzinfo=UTC) + day) - day
    until = min(at, datetime.max.replace(tzinfo=UTC) - day) + day
    return explain(
        dev_eui,
        microseconds(at),
        raw_log_of(store, numbers[dev_eui]),
        stored_readings(store, numbers[dev_eui], since, until),
        asked.codecs,
        registry(store, numbers),
        registry_states(store),
        depth,
    )


def _own(asked: Asked, dev_eui: str, reading: dict[str, Any]) -> bool:
    """Return whether a reading is one of those that may be seen."""
    if asked.customer is None:
        return True
    at = reading["measured_at"]
    wanted = Wanted(asked.customer, dev_eui, None, reading["depth_index"], at, at + timedelta(microseconds=1))
    return newest_reading(asked.store, wanted) is not None


def _site(placements: list[dict[str, Any]], at: datetime) -> str | None:
    return next((row["site"] for row in placements if row["valid_from"] <= at < (row["valid_to"] or FOREVER)), None)


def _reaches_back(asked: Asked, placements: list[dict[str, Any]], at: datetime) -> bool:
    """Return whether the checks may have looked at readings from before the placement, of another customer's."""
    if asked.customer is None:
        return False
    begun = [row["valid_from"] for row in placements if row["valid_from"] <= at < (row["valid_to"] or FOREVER)]
    ends = [row["valid_to"] for row in placements if row["valid_to"] is not None and row["valid_to"] > at]
    return any(at - since < _CHECKS_REACH for since in begun) or any(end - at < _CHECKS_REACH for end in ends)


def _shown(value: Any) -> str:
    """Return a figure, an instant or a row of the registry as text."""
    if isinstance(value, datetime):
        return shown(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    if isinstance(value, dict):
        return ", ".join(f"{name} {_shown(part)}" for name, part in value.items() if part is not None)
    if isinstance(value, (list, tuple)):
        return " to ".join(_shown(part) for part in value)
    return str(value)
