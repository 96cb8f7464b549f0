"""Structured logs: one JSON object a line on standard error, without patient data.

Nothing that a caller sent is logged: no path as called, no query, no header, no body, no text of an exception. An exception is
told by its type and the places in the code, for its text may quote what was sent.
"""

from __future__ import annotations

import logging
import sys
import traceback
from typing import TextIO

import orjson
import structlog
from structlog.typing import EventDict, FilteringBoundLogger, Processor, WrappedLogger

log: FilteringBoundLogger = structlog.get_logger("nuque")
"""The service's logger. Arguments are fixed words, numbers and ids of our own."""


def configure(stream: TextIO | None = None, level: str = "info") -> None:
    """Write JSON lines to ``stream`` (default: standard error), also what libraries log through ``logging``.

    What is below ``level`` (``debug``, ``info``, ``warning``, ``error``) is left out.
    """
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        _places_only,
    ]
    written = stream or sys.stderr
    # Ours goes straight to the stream: through the library's own loggers a line takes nearly three times as long.
    structlog.configure(
        processors=[*shared, _written],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.WriteLoggerFactory(written),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(written)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())
    # Its lines hold the addresses that were read, with the patient in them.
    logging.getLogger("httpx").setLevel(logging.WARNING)
    logging.getLogger("httpcore").setLevel(logging.WARNING)
    # It tells each step through each card.
    logging.getLogger("markdown_it").setLevel(logging.WARNING)


def _places_only(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """``exc_info`` of any record as type and places."""
    given = event.pop("exc_info", None)
    error = given if isinstance(given, BaseException) else given[1] if isinstance(given, tuple) else None
    if error is None and given:
        error = sys.exc_info()[1]
    return event if error is None else {**event, **failure(error)}


def _written(logger: WrappedLogger, method: str, event: EventDict) -> str:
    return orjson.dumps(event, default=str).decode()


def failure(error: BaseException) -> dict[str, object]:
    """What may be logged of ``error``: its type, and where it came from, innermost last."""
    places = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(error.__traceback__)]
    return {"error": type(error).__name__, "places": places[-12:]}
