"""From the text of a record back to its typed content."""

from __future__ import annotations

import json
from typing import Any

from pydantic import ValidationError

from collector.accounts.content import KIND, PeriodAccount
from collector.records.calibration import CalibrationRecord
from collector.records.chain_report import ChainReport, Restatement, UptimeReport
from collector.records.content import CONTENT, Head
from collector.records.loop_check import LoopCheck

FORMS: dict[str, type[Head]] = {
    "loop check": LoopCheck,
    "chain report": ChainReport,
    "restatement": Restatement,
    KIND: PeriodAccount,
    "calibration": CalibrationRecord,
    "uptime report": UptimeReport,
}
"""The kinds of records by name."""


def raw_of(text: str) -> dict[str, Any]:
    """The content as plain values; empty where the text was damaged and is no JSON object any more."""
    try:
        raw = json.loads(text)
    except ValueError:
        return {}
    return raw if isinstance(raw, dict) else {}


def content_of(text: str) -> Head | None:
    """The typed content; None for a kind or version this program has no form for: it is then shown as it is."""
    raw = raw_of(text)
    form = FORMS.get(str(raw.get("kind", "")))
    if form is None or raw.get("content") != CONTENT:
        return None
    try:
        return form.model_validate_json(text)
    except ValidationError:
        return None
