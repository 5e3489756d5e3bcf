"""Logs: one JSON object a line, or plain lines on a terminal. Written by a thread of its own, so that a blocked pipe never blocks a rig."""

import logging
import logging.handlers
import queue
import sys
from typing import Any

import structlog

QUEUE_LINES = 10_000  # beyond that lines are dropped, never waited for


class _DropWhenFull(logging.handlers.QueueHandler):
    def enqueue(self, record: logging.LogRecord) -> None:
        try:
            self.queue.put_nowait(record)
        except queue.Full:
            return


def begin_logging(level: str = "INFO") -> logging.handlers.QueueListener:
    """Route all logging to standard error. Returns the listener; stop it at the end."""
    stamps: list[Any] = [structlog.processors.TimeStamper(fmt="iso", utc=True, key="ts"), structlog.stdlib.add_log_level]
    last = structlog.dev.ConsoleRenderer() if sys.stderr.isatty() else structlog.processors.JSONRenderer()
    formatter = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=stamps,
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, structlog.processors.format_exc_info, last],
    )
    out = logging.StreamHandler(sys.stderr)
    out.setFormatter(formatter)
    lines: queue.Queue[logging.LogRecord] = queue.Queue(QUEUE_LINES)
    root = logging.getLogger()
    root.handlers[:] = [_DropWhenFull(lines)]
    root.setLevel(level)
    logging.getLogger("alembic").setLevel(logging.WARNING)
    listener = logging.handlers.QueueListener(lines, out)
    listener.start()
    return listener
