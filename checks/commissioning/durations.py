"""How long to count: tare, background and span run, from the statistics of counting.

A rate r over t seconds is known to sqrt(r/t) (Poisson). The flow is K ln(N0/N) with K = 3.6 C v, so that a tare moves every
flow by K u(N0)/N0, and a run at N by K u(N)/N. Expanded uncertainties are k = 2 (JCGM 100:2008, 6.2).

Rules that stand beside the statistics, and only as yardsticks, because a gauge that weighs by radiation lies outside of both
codes: NIST Handbook 44, 2.21, N.2.3 and N.3.1.1, and OIML R 50-1:2014, minimum totalized load (all figures from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from checks.commissioning.gauge import GaugeFacts

COVERAGE = 2.0
LEAST_TURNS = 3
"""Turns of a tare; common practice, no source."""
LEAST_LOAD = 0.2
"""Load of a span run [parts of full load]; common practice, no source."""
SHARE = 1.0 / 3.0
"""Part of the wanted uncertainty that the background may take."""
ZERO_TEST_S = 180.0
"""NIST Handbook 44, 2.21, N.3.1.1: whole turns, at least three minutes (from memory)."""
LEAST_RUN_S = 600.0
"""NIST Handbook 44, 2.21, N.2.3: at least ten minutes of operation (from memory)."""
DIVISIONS = 800
"""The same: at least 800 scale divisions (from memory)."""
HOUR_SHARE = 0.02
"""OIML R 50-1:2014: at least 2 % of the load of one hour at maximum flow (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duration:
    """How long to count [s], what it gives, and why it is not shorter.

    `counting_s` is what counting alone needs; `turns` whole turns of the belt, None where its length is not declared;
    `uncertainty` the expanded uncertainty of the flow that is left [t/h]; `beside` the published rules and habits with what
    each of them would ask for [s].
    """

    seconds: float
    counting_s: float
    turns: int | None
    uncertainty: float
    because: str
    beside: tuple[tuple[str, float], ...] = ()


def tare(facts: GaugeFacts, wanted: float) -> Duration:
    """Time on the empty running belt so that the zero is known to `wanted` [t/h, k = 2], in whole turns, at least three.

    Raises
    ------
    ValueError
        `wanted` is not above zero.
    """
    _positive(wanted)
    gross = facts.gross(0.0)
    counting = gross * (COVERAGE * facts.t_h_per_attenuation / (wanted * facts.net_empty)) ** 2
    seconds, turns = _whole_turns(facts, counting)
    least = "counting" if turns is None or turns > LEAST_TURNS else f"{LEAST_TURNS} turns of the belt (common practice)"
    habits = ((f"{LEAST_TURNS} turns of the belt (common practice, no source)", LEAST_TURNS * facts.turn_s),)
    return Duration(
        seconds=seconds, counting_s=counting, turns=turns, uncertainty=_zero_u(facts, seconds), because=f"set by {least}",
        beside=(*(() if turns is None else habits), ("whole turns, 3 min (NIST Handbook 44, 2.21, N.3.1.1, from memory)", ZERO_TEST_S)),
    )  # fmt: skip


def background(facts: GaugeFacts, wanted: float) -> Duration:
    """Time of a background reading without the source, so that at full load it takes a third of `wanted` [t/h, k = 2].

    A background that is wrong by db moves the flow at full load by K db (1/N - 1/N0) and the empty belt not at all.
    """
    _positive(wanted)
    per_rate = facts.t_h_per_attenuation * (1.0 / facts.net(facts.full) - 1.0 / facts.net_empty)
    least = max(facts.background, 1.0)
    counting = least * (COVERAGE * per_rate / (SHARE * wanted)) ** 2
    seconds = max(counting, 60.0)
    return Duration(
        seconds=seconds, counting_s=counting, turns=None, uncertainty=COVERAGE * per_rate * math.sqrt(least / seconds),
        because="set by counting" if counting >= 60.0 else "a minute is enough",
    )  # fmt: skip


def span_run(facts: GaugeFacts, wanted_percent: float, load: float, resolution_t: float) -> Duration:
    """Time of a span run at a part `load` (0 to 1) of full load, so that counting leaves `wanted_percent` [% of flow, k = 2].

    It is not shorter than whole turns of the belt and the yardsticks above; `resolution_t` is one digit of the total [t].

    Raises
    ------
    ValueError
        `wanted_percent` is not above zero, or `load` not above zero and at most one.
    """
    _positive(wanted_percent)
    if not 0.0 < load <= 1.0:
        raise ValueError(f"a load of {load:g} of full load is not from above 0 to 1")
    flow = load * facts.full
    counting = (
        facts.gross(flow) * (COVERAGE * facts.t_h_per_attenuation / (wanted_percent / 100.0 * flow * facts.net(flow))) ** 2
    )
    yardsticks = {
        "counting": counting,
        "10 min of operation (NIST Handbook 44, from memory)": LEAST_RUN_S,
        f"{DIVISIONS} digits of the total (NIST Handbook 44, from memory)": DIVISIONS * resolution_t / flow * 3600.0,
        "2 % of an hour at full flow (OIML R 50, from memory)": HOUR_SHARE * facts.full / flow * 3600.0,
    }
    name = max(yardsticks, key=lambda key: yardsticks[key])
    seconds, turns = _whole_turns(facts, yardsticks[name])
    u = COVERAGE * facts.t_h_per_attenuation * math.sqrt(facts.gross(flow) / seconds) / facts.net(flow)
    return Duration(
        seconds=seconds, counting_s=counting, turns=turns, uncertainty=u, because=f"set by {name}",
        beside=tuple((rule, time) for rule, time in yardsticks.items() if rule != "counting"),
    )  # fmt: skip


def wrong_background(facts: GaugeFacts, by: float) -> float:
    """What a set background that is too large by so much [1/s] makes of the flow at full load [t/h]; too small is negative."""
    return facts.t_h_per_attenuation * math.log((facts.net_empty - by) / (facts.net(facts.full) - by)) - facts.full


def _zero_u(facts: GaugeFacts, seconds: float) -> float:
    return COVERAGE * facts.t_h_per_attenuation * math.sqrt(facts.gross(0.0) / seconds) / facts.net_empty


def _whole_turns(facts: GaugeFacts, seconds: float) -> tuple[float, int | None]:
    """The next whole turns, at least three; where the belt is not known, at least three minutes."""
    if not math.isfinite(facts.turn_s):
        return max(seconds, ZERO_TEST_S), None
    turns = max(LEAST_TURNS, math.ceil(seconds / facts.turn_s - 1e-9))
    return turns * facts.turn_s, turns


def _positive(wanted: float) -> None:
    if not wanted > 0.0:
        raise ValueError(f"an uncertainty of {wanted:g} is not above zero")
