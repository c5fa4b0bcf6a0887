"""Log lines as JSON objects, one a line, for collectors; or as plain text for people."""

from __future__ import annotations

import logging
from datetime import UTC, datetime

import msgspec

FORMATS = ("text", "json")
TEXT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class JsonFormatter(logging.Formatter):
    """One JSON object a record: time (UTC), level, logger, message, thread, and the traceback of an error.

    Examples
    --------
    >>> record = logging.LogRecord("axlewright_edge.link", logging.WARNING, "link.py", 1, "t-1: %s", ("lost",), None)
    >>> record.created = 1.8e9
    >>> print(JsonFormatter().format(record).split(',"thread"')[0])
    {"time":"2027-01-15T08:00:00.000Z","level":"warning","logger":"axlewright_edge.link","message":"t-1: lost"
    """

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as one line."""
        time = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        entry = {
            "time": time,
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            "thread": record.threadName,
        }
        if record.exc_info:
            entry["error"] = self.formatException(record.exc_info)
        return msgspec.json.encode(entry).decode("utf-8")


def log_to_stderr(level: str, form: str) -> None:
    """Send all records of `level` and above to standard error, in one of `FORMATS`."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonFormatter() if form == "json" else logging.Formatter(TEXT))
    logging.basicConfig(level=level.upper(), handlers=[handler])
