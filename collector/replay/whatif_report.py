"""What another site would have told, as one JSON object."""

from __future__ import annotations

import json
from dataclasses import asdict
from importlib.metadata import version
from importlib.resources import files

from collector.replay.comparing import Delays, Difference, LoopDifference, Pair, Rate, Side
from collector.replay.loop_run import Told
from collector.replay.report import Json, Outcome, number, utc
from config.cautions import CAUTIONS

SCHEMA = 1


def report(difference: Difference, before: Outcome, after: Outcome, change: str) -> Json:
    """The object; every number that is not finite is null."""
    return {
        "schema": SCHEMA,
        "tallywire": version("tallywire"),
        "site": before.site,
        "site_sha256": before.site_sha256,
        "what_if": {"change": change, "site_sha256": after.site_sha256},
        "from": utc(before.begin),
        "to": utc(before.end),
        "cautions": list(CAUTIONS),
        "loops": [_loop(loop) for loop in difference.loops],
        "before": _side(difference.before),
        "after": _side(difference.after),
    }


def to_bytes(difference: Difference, before: Outcome, after: Outcome, change: str) -> bytes:
    """The object as UTF-8 text."""
    return (
        json.dumps(report(difference, before, after, change), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    ).encode()


def schema() -> Json:
    """The JSON Schema (2020-12) that every comparison keeps to."""
    loaded: Json = json.loads(files("collector.replay").joinpath("whatif.schema.json").read_text(encoding="utf-8"))
    return loaded


def _loop(loop: LoopDifference) -> Json:
    moved = loop.moved()
    return {
        "loop": loop.loop,
        "gained": [_told(item) for item in loop.gained],
        "lost": [_told(item) for item in loop.lost],
        "changed": [_pair(pair) for pair in moved],
        "same": [_told(pair.before) for pair in loop.pairs if pair not in moved],
    }


def _told(item: Told) -> Json:
    finding = item.finding
    return {
        "id": item.id,
        "link": finding.link.value,
        "cause": finding.cause,
        "verdict": finding.verdict.value,
        "begin": utc(finding.begin),
        "begin_interval": [utc(time) for time in finding.begin_interval],
        "told": utc(item.raised_s),
        "gone": None if item.ended_s is None else utc(item.ended_s),
        "tonnes": number(finding.tonnes),
        "tonnes_uncertainty": number(finding.tonnes_uncertainty),
    }


def _pair(pair: Pair) -> Json:
    return {
        "before": _told(pair.before),
        "after": _told(pair.after),
        "later_s": pair.later_s,
        "tonnes_more": number(pair.tonnes),
    }


def _side(side: Side) -> Json:
    return {
        "findings": _rate(side.findings),
        "false": None if side.false is None else _rate(side.false),
        "delay": _delays(side.delays),
    }


def _rate(rate: Rate) -> Json:
    return {
        "count": rate.count, "loop_months": rate.months, "per_loop_month": rate.rate, "low_95": rate.low, "high_95": rate.high,
    }  # fmt: skip


def _delays(delays: Delays) -> Json:
    return asdict(delays)
