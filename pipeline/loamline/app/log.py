"""The daemon's log."""

from __future__ import annotations

import logging
import sys
from typing import Literal, TextIO

import structlog
from structlog.typing import FilteringBoundLogger, Processor


def make_log(
    form: Literal["console", "json"], *, debug: bool = False, file: TextIO | None = None
) -> FilteringBoundLogger:
    """Return the daemon's log, to standard error or `file`: lines for people, or one JSON object a line."""
    file = file or sys.stderr
    render: Processor = (
        structlog.processors.JSONRenderer()
        if form == "json"
        else structlog.dev.ConsoleRenderer(colors=file.isatty(), pad_event_to=0)
    )
    log: FilteringBoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(file),
        processors=[structlog.processors.add_log_level, structlog.processors.TimeStamper(fmt="iso", utc=True), render],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if debug else logging.INFO),
    )
    return log
