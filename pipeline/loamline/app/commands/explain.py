"""`loamline explain`: one figure's whole derivation, from the delivered bytes to the verdict."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from loamline.app.codecs import CodecDirOption, known_codecs
from loamline.app.explain_text import reading_text, set_aside_text
from loamline.app.instants import instant
from loamline.app.opening import open_store
from loamline.app.output import CommandError, console, errors, print_json, rfc3339
from loamline.core.columns import DAY_US
from loamline.core.explanation import Explanation
from loamline.core.explanation import explain as explain_readings
from loamline.core.reference import microseconds
from loamline.edges.store.connection import Store
from loamline.edges.store.evidence import raw_log_of, registry_states, stored_readings
from loamline.edges.store.names import UnknownNameError, find_probe
from loamline.edges.store.registry import probe_ids, registry
from loamline_codecs import CodecSet


def explain(
    probe: Annotated[str, typer.Argument(help="the probe's dev_eui or serial", metavar="DEV_EUI")],
    time: Annotated[datetime, typer.Argument(parser=instant, help="RFC 3339; the nearest reading", metavar="TIME")],
    store: Annotated[Path, typer.Option(help="the DuckDB file")],
    depth: Annotated[int | None, typer.Option(help="only this depth_index", min=0, max=255)] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the same as one JSON object")] = False,
    codec_dir: CodecDirOption = None,
) -> None:
    """Explain the reading nearest a time: deliveries, bytes, registry rows, both curves, every check, the verdict.

    Everything is computed again from the raw log and compared with what is stored; a difference is told. Figures are
    estimates with an uncertainty, no substitute for local advice.

    Example: loamline explain 02AA000000000001 2026-05-01T10:00:00Z --store soil.duckdb
    """
    codecs = known_codecs(codec_dir)
    with open_store(store) as opened:
        told = _explained(opened, codecs, probe, time, depth)
    if told.instant_us is None and not told.set_aside:
        which = f"of depth {depth} " if depth is not None else ""
        raise CommandError(
            f"expected a reading {which}within a day of {rfc3339(time)} by {told.dev_eui}, found none; "
            "`loamline fleet` tells when each probe was last heard"
        )
    fields = told.as_fields()
    for name in _unknown_codecs(told, codecs):
        errors.print(
            f"expected to know the codec {name}, which read this, and know none of that name: name its folder by "
            "--codec-dir, or nothing that it read can be computed again",
            style="yellow",
            markup=False,
            soft_wrap=True,
        )
    if as_json:
        print_json(fields)
        return
    if told.instant_us is None:
        console.print(f"no reading of {told.dev_eui} within a day of {rfc3339(time)}, but uplinks that were set aside:")
    else:
        console.print(f"{told.dev_eui}: the reading nearest {rfc3339(time)} is of {rfc3339(fields['measured_at'])}")
    for reading in told.readings:
        console.print(reading_text(reading))
    if told.set_aside:
        console.print(set_aside_text(told.set_aside))


def _unknown_codecs(told: Explanation, codecs: CodecSet) -> list[str]:
    """Return the names of codecs that read what is stored, and that can't read it again."""
    known = {codec.name for codec in codecs.codecs}
    apart = [one["stored"] for reading in told.readings for one in reading["differences"] if one["column"] == "codec"]
    return sorted({name for name in apart if name is not None} - known)


def _explained(store: Store, codecs: CodecSet, probe: str, time: datetime, depth: int | None) -> Explanation:
    try:
        found = find_probe(store, probe)
    except UnknownNameError as problem:
        raise CommandError(str(problem)) from problem
    if len(found) > 1:
        raise CommandError(f"expected one probe, got serial {probe!r} of {', '.join(found)}; give its dev_eui")
    (dev_eui,) = found
    numbers = probe_ids(store)
    known = registry(store, numbers)
    day = timedelta(microseconds=DAY_US)
    since = max(time, datetime.min.replace(tzinfo=UTC) + day) - day
    until = min(time, datetime.max.replace(tzinfo=UTC) - day) + day
    return explain_readings(
        dev_eui,
        microseconds(time),
        raw_log_of(store, numbers[dev_eui]),
        stored_readings(store, numbers[dev_eui], since, until),
        codecs,
        known,
        registry_states(store),
        depth,
    )
