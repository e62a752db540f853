"""Where log lines go: to standard error, as text for people or as one JSON object a line."""

import logging
import sys
from typing import TextIO

import structlog
from structlog.typing import Processor

QUIET = ("alembic", "uvicorn.access", "asyncio")  # libraries that report at info what is of no use here


def configure_logging(*, level: str = "info", form: str = "text", to: TextIO | None = None) -> None:
    """Send our own lines and the libraries' to standard error, or to a file, in one form and from one level up."""
    to = to or sys.stderr
    least = logging.getLevelNamesMapping()[level.upper()]
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last = _last_steps(form, colors=to.isatty())
    structlog.configure(
        processors=[*shared, *last],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        logger_factory=structlog.PrintLoggerFactory(to),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(to)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
        )
    )
    logging.basicConfig(handlers=[handler], level=least, force=True)
    for name in QUIET:
        logging.getLogger(name).setLevel(max(least, logging.WARNING))


def _last_steps(form: str, *, colors: bool) -> list[Processor]:
    """Tracebacks are plain: those with local variables would show passwords."""
    if form == "json":
        return [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    return [
        structlog.dev.ConsoleRenderer(
            colors=colors,
            pad_event_to=0,
            sort_keys=False,
            exception_formatter=structlog.dev.plain_traceback,
        )
    ]
