"""`loamline doctor`: what the daemon rests on, looked at piece by piece; each line says what was found and what to do.

With a daemon running, its store is asked for over the control socket and never opened beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from loamline.app.doctor.machine import clock, disk, webhook_port
from loamline.app.doctor.store import Examined, of_daemon, of_store
from loamline.app.opening import daemon_of
from loamline.app.settings import look_at_settings
from loamline.app.settings_files import file_faults
from loamline.edges.broker_check import check_broker
from loamline.edges.broker_keeping import MANY, check_keeping
from loamline.edges.finding import Finding
from loamline_schemas.settings import BrokerSettings, Settings

__all__ = ["examine", "exit_code"]


def examine(config: Path | None, overrides: dict[str, Any], *, publish: bool = True) -> Iterator[Finding]:
    """Yield one finding after the other; without `publish` the brokers are sent no message."""
    told = look_at_settings(config, overrides)
    if told.settings is None:
        for fault in told.faults:
            yield Finding("settings", "broken", fault, "mend it; `loamline config show` tells what is in force")
        return
    settings = told.settings
    faults = file_faults(settings)
    for fault in faults:
        yield Finding("settings", "broken", fault, "mend it; until then the daemon does not start with these settings")
    if not faults:
        yield Finding("settings", "fine", "sound, and so are the files that they name")
    client = daemon_of(settings.store)
    running = client is not None
    if client is None:
        examined = of_store(settings)
    else:
        with client:
            examined = of_daemon(settings, client)
    yield from examined.findings
    yield from disk(settings)
    yield clock(examined.took)
    if settings.webhook is not None:
        yield webhook_port(settings.webhook, running=running)
    for broker in settings.all_brokers:
        yield from _broker(broker, settings, examined, running=running, publish=publish)


def _broker(
    broker: BrokerSettings, settings: Settings, examined: Examined, *, running: bool, publish: bool
) -> Iterator[Finding]:
    watch = settings.watch
    canary = f"{watch.canary_topic}/{quote(broker.client_id, safe='')}" if watch.canary_every_s else None
    if (yield from check_broker(broker, publish=publish, canary_topic=canary)):
        expected = examined.fed and not running
        yield from check_keeping(broker, messages=MANY if publish else 0, ours_expected=expected)


def exit_code(findings: list[Finding]) -> int:
    """Return 0 where all is fine as far as it can be seen, 1 where something is to be looked at, 2 where broken."""
    levels = {finding.level for finding in findings}
    return 2 if "broken" in levels else 1 if "look" in levels else 0
