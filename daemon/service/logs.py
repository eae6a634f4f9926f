"""What the service writes about itself: JSON lines to a rotated file, and readable lines to a terminal.

Every line says which run it belongs to, bound once by the thread that carries the run.
"""

from __future__ import annotations

import logging
import logging.handlers
import sys
from pathlib import Path
from typing import Any

import structlog

_FILE_BYTES = 2_000_000
_FILES = 5


def set_up(folder: Path) -> Path:
    """Send structlog's and the libraries' lines to ``folder``/drawtube.log and stderr; returns the file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "drawtube.log"
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    file = logging.handlers.RotatingFileHandler(
        path, maxBytes=_FILE_BYTES, backupCount=_FILES, encoding="utf-8"
    )
    file.setFormatter(
        _formatter(
            shared, structlog.processors.format_exc_info, structlog.processors.JSONRenderer(default=str)
        )
    )
    terminal = logging.StreamHandler(sys.stderr)
    words = structlog.dev.ConsoleRenderer(
        colors=sys.stderr.isatty(), exception_formatter=structlog.dev.plain_traceback
    )
    terminal.setFormatter(_formatter(shared, words))
    root = logging.getLogger()
    root.handlers[:] = [file, terminal]
    root.setLevel(logging.INFO)
    logging.getLogger("uvicorn.access").setLevel(logging.WARNING)
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    return path


def _formatter(shared: list[Any], *renderers: Any) -> logging.Formatter:
    return structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=shared,
        processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            *renderers,
        ],
    )
