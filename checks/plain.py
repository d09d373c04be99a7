"""Findings as plain values, for databases and messages, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from checks.finding import Alternative, Finding, Implied
from checks.result import Evidence, Link, Verdict


def finding_dict(finding: Finding) -> dict[str, Any]:
    """A finding as a dict of plain values."""
    return asdict(finding)


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
        }
    )
