"""The store behind a running daemon, asked over HTTP; a key sees the probes of its customer."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pyarrow as pa

from loamline.app.notebook.rows import NotebookError, Readings, Rows
from loamline.app.notebook.store import NotebookStore, Question
from loamline.core.rfc3339 import rfc3339
from loamline.edges import reading_client as wire
from loamline.edges.reading_client import ReadingClient, ReadingClientError
from loamline.edges.store.placements import PLACEMENTS

_DEV_EUI = re.compile(r"[0-9A-Fa-f]{16}")


class RemoteStore(NotebookStore):
    """The store of the daemon that listens at `url`."""

    def __init__(self, url: str, key: str | None) -> None:
        try:
            self._client = ReadingClient(url, key)
        except ReadingClientError as problem:
            raise NotebookError(str(problem)) from None

    def __repr__(self) -> str:
        # Never with the key: notebooks are shared with their output.
        return f"loamline.open({self._client.url!r})"

    def sites(self) -> Rows:
        """Return the sites that the key sees."""
        return Rows(self._table(wire.SITES))

    def probes(self) -> Rows:
        """Return the probes that the key sees."""
        return Rows(self._table(wire.PROBES))

    def placements(self) -> Rows:
        """Return the placements that the key sees."""
        told = self._table(wire.PLACEMENTS)
        serials = _pairs(self._table(wire.PROBES), "dev_eui", "serial")
        zones = _pairs(self._table(wire.SITES), "site", "time_zone")
        added = {
            "serial": pa.array([serials.get(name) for name in told.column("dev_eui").to_pylist()], pa.string()),
            "time_zone": pa.array([zones.get(name) for name in told.column("site").to_pylist()], pa.string()),
        }
        columns = [
            added.get(name, told.column(name) if name in told.column_names else None) for name in PLACEMENTS.names
        ]
        return Rows(pa.table(columns, names=PLACEMENTS.names).cast(PLACEMENTS))

    def _readings(self, question: Question) -> Readings:
        parameters = {
            wire.SITE: question.site,
            wire.DEPTH: question.depth,
            wire.SINCE: _rfc3339(question.since),
            wire.UNTIL: _rfc3339(question.until),
            wire.RESOLUTION: question.resolution.value,
            wire.UNIT: question.unit.value,
        }
        dev_euis = (None,) if question.probe is None else self._dev_euis(question.probe)
        tables = [self._table(wire.READINGS, {**parameters, wire.PROBE: dev_eui}) for dev_eui in dev_euis]
        return Readings(pa.concat_tables(tables))

    def _dev_euis(self, name: str) -> tuple[str, ...]:
        """Return the dev_eui of every probe that is meant: a dev_eui itself, or a serial."""
        if _DEV_EUI.fullmatch(name):
            return (name.upper(),)
        serials = _pairs(self._table(wire.PROBES), "dev_eui", "serial")
        found = tuple(dev_eui for dev_eui, serial in serials.items() if (serial or "").casefold() == name.casefold())
        if not found:
            known = ", ".join(sorted(str(serial) for serial in serials.values() if serial)[:5]) or "none"
            raise NotebookError(
                f"expected the dev_eui or serial of a probe that the key sees, got {name!r}; such as {known}"
            )
        return found

    def _table(self, name: str, parameters: Mapping[str, Any] | None = None) -> pa.Table:
        try:
            return self._client.table(name, parameters)
        except ReadingClientError as problem:
            raise NotebookError(str(problem)) from None


def _pairs(table: pa.Table, name: str, value: str) -> dict[str, str | None]:
    return dict(zip(table.column(name).to_pylist(), table.column(value).to_pylist(), strict=True))


def _rfc3339(at: datetime | None) -> str | None:
    return None if at is None else rfc3339(at)
