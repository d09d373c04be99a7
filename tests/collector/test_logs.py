"""Log lines: what a line holds, what is held back, what is hidden."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator

import pytest

from collector import logs


@pytest.fixture
def stream() -> Iterator[io.StringIO]:
    root = logging.getLogger()
    before, level = list(root.handlers), root.level
    text = io.StringIO()
    logs.set_up("json", text)
    yield text
    for handler in list(root.handlers):
        if handler not in before:
            root.removeHandler(handler)
    root.setLevel(level)
    logging.captureWarnings(False)


def lines(stream: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def test_line_is_one_object_with_time_level_event_and_fields(stream: io.StringIO) -> None:
    logs.event(logging.WARNING, "endpoint-lost", "the gauge does not answer", endpoint="gauge 7\nx", rtt_s=float("nan"))
    (line,) = lines(stream)
    assert line["level"] == "warning"
    assert line["event"] == "endpoint-lost"
    assert line["endpoint"] == "gauge 7\nx"
    assert line["rtt_s"] is None
    assert str(line["time"]).endswith("Z")


def test_repeated_event_is_told_once_then_with_its_count() -> None:
    now = [0.0]
    held = logs._HoldRepeats(lambda: now[0])
    told = []
    for second in range(1300):
        now[0] = float(second)
        record = logging.LogRecord(logs.LOGGER, logging.WARNING, "", 0, "lost", None, None)
        record.__dict__.update(event="endpoint-lost", repeat_key="gauge", fields={})
        if held.filter(record):
            told.append((second, record.__dict__["fields"].get("repeats")))
    assert told == [(0, None), (600, 599), (1200, 599)]


def test_event_without_a_key_is_never_held_back(stream: io.StringIO) -> None:
    for _ in range(3):
        logs.event(logging.INFO, "started")
    assert len(lines(stream)) == 3


def test_secret_is_hidden(stream: io.StringIO) -> None:
    logs.event(logging.INFO, "mail", smtp_password="tulip", webhook_url="https://h/t0ken", server="mail.local")
    assert "tulip" not in stream.getvalue()
    assert "t0ken" not in stream.getvalue()
    assert "mail.local" in stream.getvalue()


def test_chatter_of_libraries_is_dropped_and_their_warnings_kept(stream: io.StringIO) -> None:
    logging.getLogger("pymodbus.client").info("connected")
    logging.getLogger("asyncua").warning("odd answer")
    assert [line["text"] for line in lines(stream)] == ["odd answer"]


def test_traceback_goes_on_the_same_line(stream: io.StringIO) -> None:
    try:
        raise ValueError("broken")
    except ValueError:
        logging.getLogger(logs.LOGGER).exception("internal error")
    (line,) = lines(stream)
    assert "ValueError: broken" in str(line["traceback"])


def test_text_format_reads_as_a_sentence() -> None:
    record = logging.LogRecord(logs.LOGGER, logging.INFO, "", 0, "polling starts", None, None)
    record.__dict__["fields"] = {"loops": 3}
    assert logs.TextLines().format(record).endswith("info    polling starts  [loops=3]")
