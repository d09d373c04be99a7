"""Log lines of the service on stderr: one JSON object a line, or text for people."""

from __future__ import annotations

import json
import logging
import math
import sys
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import TextIO

LOGGER = "tallywire"
REPEAT_AFTER_S = 600.0
"""A repeated event is told again after this time, with the number of repeats [s]."""
REPEATS_REMEMBERED = 1000
QUIET_LIBRARIES = ("asyncio", "pymodbus", "asyncua", "apscheduler", "uvicorn", "httpx", "httpcore", "sqlalchemy", "py.warnings")
SECRET_WORDS = ("password", "passwd", "secret", "token", "authorization", "cookie", "private_key", "api_key", "webhook")
HIDDEN = "(hidden)"

Field = str | int | float | bool | None


def event(level: int, name: str, text: str = "", *, repeat_key: str = "", **fields: Field) -> None:
    """Write one event.

    `name` is a short stable word, `text` a sentence for people. Events with the same name and `repeat_key` are told once, then
    every 10 min with the count; an empty key is never held back. Fields whose names speak of a secret are hidden.
    """
    logging.getLogger(LOGGER).log(level, text or name, extra={"event": name, "fields": fields, "repeat_key": repeat_key})


class _HoldRepeats(logging.Filter):
    """Lets the first of equal events pass and then one in `REPEAT_AFTER_S`, which carries the count of those held back."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._monotonic = monotonic
        self._told: dict[tuple[str, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        key = (str(getattr(record, "event", "")), str(getattr(record, "repeat_key", "")))
        if not key[1]:
            return True
        now = self._monotonic()
        last, held = self._told.get(key, (-math.inf, 0))
        if now - last < REPEAT_AFTER_S:
            self._told[key] = (last, held + 1)
            return False
        if len(self._told) >= REPEATS_REMEMBERED:
            self._told.pop(next(iter(self._told)))
        self._told[key] = (now, 0)
        if held:
            record.fields = {**getattr(record, "fields", {}), "repeats": held}
        return True


def _open_fields(record: logging.LogRecord) -> dict[str, Field]:
    fields: Mapping[str, Field] = getattr(record, "fields", {})
    return {
        name: HIDDEN if any(word in name.lower() for word in SECRET_WORDS) else _plain(value) for name, value in fields.items()
    }


def _plain(value: Field) -> Field:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _stamp(record: logging.LogRecord) -> str:
    return datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class JsonLines(logging.Formatter):
    """One object a line: time, level, event, text, the event's own fields, and the traceback where there is one."""

    def format(self, record: logging.LogRecord) -> str:
        line: dict[str, Field] = {
            "time": _stamp(record),
            "level": record.levelname.lower(),
            "event": getattr(record, "event", record.name),
            "text": record.getMessage(),
        }
        line |= {name: value for name, value in _open_fields(record).items() if name not in line}
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)


class TextLines(logging.Formatter):
    """Time, level and sentence, then the fields as name=value."""

    def format(self, record: logging.LogRecord) -> str:
        fields = " ".join(f"{name}={value}" for name, value in _open_fields(record).items())
        line = f"{_stamp(record)} {record.levelname.lower():7} {record.getMessage()}"
        if fields:
            line += f"  [{fields}]"
        if record.exc_info:
            line += "\n" + self.formatException(record.exc_info)
        return line


def set_up(log_format: str = "json", stream: TextIO | None = None) -> None:
    """Send our events (from level info) and the warnings of libraries to one stream, in one format (`json` or `text`)."""
    handler = logging.StreamHandler(sys.stderr if stream is None else stream)
    handler.setFormatter(JsonLines() if log_format == "json" else TextLines())
    handler.addFilter(_HoldRepeats())
    root = logging.getLogger()
    for old in list(root.handlers):
        if isinstance(old.formatter, JsonLines | TextLines):
            root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    logging.getLogger(LOGGER).setLevel(logging.INFO)
    logging.captureWarnings(True)
    for name in QUIET_LIBRARIES:
        logging.getLogger(name).setLevel(logging.WARNING)
