"""Findings as plain values, for databases and messages, and back."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from checks.finding import Alternative, Correction, Finding, Implied, Predicted, ShiftTonnes
from checks.result import Evidence, Link, Verdict


def finding_dict(finding: Finding) -> dict[str, Any]:
    """A finding as a dict of plain values; a number that is not finite is None there, as it cannot be had."""
    plain: dict[str, Any] = _finite(asdict(finding))
    return plain


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_finite(item) for item in value)
    return value


def finding_from(raw: Mapping[str, Any]) -> Finding:
    """A finding from its plain values; raises KeyError or TypeError where they are of another version."""
    return Finding(
        **dict(raw)
        | {
            "link": Link(raw["link"]),
            "verdict": Verdict(raw["verdict"]),
            "alternatives": tuple(Alternative(**item) for item in raw["alternatives"]),
            "begin_interval": tuple(raw["begin_interval"]),
            "implied": Implied(**raw["implied"]) if raw["implied"] else None,
            "evidence": tuple(Evidence(**item) for item in raw["evidence"]),
            "advice": tuple(raw["advice"]),
            "cautions": tuple(raw["cautions"]),
            "gate": tuple(raw["gate"]),
            "ruled_out": tuple(raw.get("ruled_out", ())),
            "correction": _correction(raw.get("correction")),
            "by_shift": tuple(ShiftTonnes(**item) for item in raw.get("by_shift", ())),
        }
    )


def _correction(raw: Mapping[str, Any] | None) -> Correction | None:
    if not raw:
        return None
    after = raw["after"]
    return Correction(**dict(raw) | {"before": Predicted(**raw["before"]), "after": Predicted(**after) if after else None})
