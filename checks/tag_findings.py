"""Tags that are read wrongly: order of words, address, type. They give numbers no gauge has, or those of another quantity."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import ARRAYS
from checks.derived import EXPECTED
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import CheckResult, Evidence, Link
from checks.tail import Standing, Tail
from checks.telling import clock, since_words, told, upper
from checks.window import Window

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FLOATS = ("flow", "load", "speed", "count_rate", "detector_temperature", "gauge_output")
LEAST, MOST = 1e-6, 1e6
"""Outside these no number of a weigher lies, in any of its units, but for an exact zero."""
ABSURD_S, LATELY_S, MOSTLY = 5, 10, 0.8
INVALID = (65535.0, 32767.0, -32768.0, 4294967295.0, 2147483647.0, -2147483648.0)
"""What devices put into an integer that holds no value (common practice, no source)."""
NEVER_NEGATIVE = ("count_rate", "speed")
"""Roles of which -1 is no value either."""
HITS, HITS_S = 3, 600
SAME_S, RATIO_S = 30, 60
CLOSE = 0.03
"""A ratio is one of another quantity or type where it lies at least this close to it [parts]."""
LAG_S, QUIET = 10, 0.1
"""Only where the flow has moved by less than this within a lag [parts] is a ratio taken."""
AGREES = 0.05
LOADED = 0.1
"""Flow [parts of span] from which a ratio says something."""
TENS = (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001)
ORDERS = {"CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}
POLLS = "about 20 polls with a flow that changes, for each order of words and both neighbouring addresses"


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one finding: what the tags of the gauge show cannot be what they are named after."""
    del results
    tail = Tail(window)
    for look in (_absurd_together, _invalid, _same_register, _other_ratio):
        found = look(window, tail)
        if found is not None:
            yield found
            return


def _absurd_together(window: Window, tail: Tail) -> Finding | None:
    """Words in another order make most floats absurd at once; so do the joined halves of neighbours. Magnitude cannot tell."""
    roles = [role for role in FLOATS if tail.has(role)]
    if len(roles) < 3:
        return None
    count, least = max(1, LATELY_S // tail.step), MOSTLY * max(2, len(roles) // 2)
    newest = absurd(np.stack([tail.column(role)[-count:] for role in roles])).sum(axis=0)
    if not len(newest) or newest.mean() < least:
        return None
    together = np.sum([absurd(tail.column(role)) for role in roles], axis=0)
    since = tail.standing(_lately(together, count) >= least)
    if since.seconds < ABSURD_S:
        return None
    tested, kept, order = _trial(window, tail, since)
    known = tested >= 2
    cause = "word-order" if known and kept == tested else "register-offset" if known and kept == 0 else UNKNOWN
    start = f"{upper(since_words(since))} most numbers of the gauge are absurd together"
    words = {
        "word-order": f"{start}; read with their words in the order {order} they are what a gauge shows.",
        "register-offset": f"{start}, and in no order of words do they become what a gauge shows: halves of neighbours are joined.",
    }.get(cause, f"{start}: words in another order, or a register off by one.")
    both: tuple[Alternative, ...] = ()
    if cause == UNKNOWN:
        separator = "try the four orders and both neighbouring addresses; keep what moves like the PLC"
        both = tuple(Alternative(cause=name, odds=1.0, separated_by=separator) for name in ("word-order", "register-offset"))
    return told(
        window, Link.COMMUNICATION, cause, title="" if cause != UNKNOWN else "numbers of the gauge are absurd",
        begin=since.begin, interval=_interval(since), alternatives=both, sentence=words,
        gate=() if cause != UNKNOWN else (f"need {POLLS}",),
        evidence=(
            Evidence(name="absurd roles", value=float(together[-1]), unit="1", limit=float(max(2, len(roles) // 2))),
            Evidence(name="roles that some order makes believable", value=float(kept), unit="1", limit=float(tested)),
        ),
    )  # fmt: skip


def _lately(values: NDArray[np.int64], count: int) -> Floats:
    """Mean of the newest `count` values at each of them: joined halves are a believable number by chance now and then."""
    total = np.cumsum(np.concatenate([np.zeros(1), values]))
    first = np.maximum(np.arange(len(values)) - count + 1, 0)
    return np.asarray((total[1:] - total[first]) / (np.arange(len(values)) - first + 1), np.float64)


def absurd(values: Floats) -> Bools:
    """Where a value is none that a weigher shows; not where there is none."""
    size = np.abs(np.nan_to_num(values, nan=0.0))
    return np.asarray(((size > 0.0) & (size < LEAST)) | (size > MOST))


def _trial(window: Window, tail: Tail, since: Standing) -> tuple[int, int, str]:
    """How many roles can be tested, how many of them the best order of words makes believable, and that order."""
    first = int(np.searchsorted(tail.time_s, since.begin))
    best = (0, 0, "")
    for name, places in ORDERS.items():
        tested = kept = 0
        for role in ("flow", "count_rate", "speed"):
            values = tail.column(role)[first:]
            verdict = _believable(window, tail, role, _reordered(values, places), first) if _is_raw(window, role) else None
            if verdict is not None:
                tested += 1
                kept += verdict
        if (tested, kept) > best[:2]:
            best = (tested, kept, name)
    return best


def _is_raw(window: Window, role: str) -> bool:
    """Whether a role is carried as it was read, so that its bits can be put in another order."""
    tag = window.loop.tags.get(role)
    return tag is not None and tag.scale == 1.0 and getattr(tag, "offset", 0.0) == 0.0 and tag.measured_in == ""


def _reordered(values: Floats, places: Sequence[int]) -> Floats:
    """32-bit floats with their bytes in another order; what is no number or no 32-bit float reads as NaN."""
    with np.errstate(over="ignore", invalid="ignore"):
        single = np.ascontiguousarray(values, dtype=np.float32)
        octets = single.astype(">f4").view(np.uint8).reshape(-1, 4)[:, list(places)]
        other = np.ascontiguousarray(octets).view(">f4").reshape(-1).astype(np.float64)
        return np.where((single.astype(np.float64) == values) & np.isfinite(other), other, np.nan)


def _believable(window: Window, tail: Tail, role: str, values: Floats, first: int) -> bool | None:
    """Whether most values are what this role can show here and now; None where nothing says so."""
    loop = window.loop
    span = loop.gauge.range.high - loop.gauge.range.low
    with np.errstate(invalid="ignore"):
        if role == "flow":
            shown = tail.column("plc_flow")[first:]
            loaded = shown > LOADED * span
            if loaded.sum() < 3:
                return None
            return bool(np.mean(np.abs(values - shown)[loaded] < 2.0 * AGREES * span) > 0.7)
        if role == "count_rate":
            empty = loop.gauge.empty_belt_rate
            if empty is None:
                return None
            return bool(np.mean((values > 0.1 * empty) & (values < 1.3 * empty)) > 0.8)
        speed = _nominal_speed(window)
        if speed is None or not (np.nan_to_num(tail.column("drive_running")[first:], nan=1.0) > 0.5).all():
            return None
        return bool(np.mean((values > 0.3 * speed) & (values < 1.5 * speed)) > 0.8)


def _nominal_speed(window: Window) -> float | None:
    return window.loop.gauge.fixed_speed or window.loop.drive.speed_at_nominal


def _invalid(window: Window, tail: Tail) -> Finding | None:
    """The marker of a missing value taken for a value."""
    for role in ("flow", "count_rate", "speed"):
        tag = window.loop.tags.get(role)
        if tag is None or not tail.has(role):
            continue
        scale, offset = tag.scale, getattr(tag, "offset", 0.0)
        marks = [mark * scale + offset for mark in (*INVALID, *((-1.0,) if role in NEVER_NEGATIVE else ()))]
        if (tail.column(role)[-max(1, HITS_S // tail.step) :] == np.array(marks)[:, None]).sum() < HITS:
            continue
        hit = np.isin(tail.column(role), marks)
        index = np.flatnonzero(hit)
        begin = int(tail.time_s[index[0]])
        value = float(tail.column(role)[index[-1]])
        return told(
            window, Link.COMMUNICATION, "wrong-type", begin=begin, interval=(begin - tail.step, begin),
            evidence=(Evidence(name=f"{role} at the marker", value=float(hit.sum()), unit="1"),),
            sentence=(
                f"Since {clock(begin)} {role} shows {value:g} by times, which is the mark of a missing value in an integer and "
                f"is taken for a value."
            ),
        )  # fmt: skip
    return None


def _same_register(window: Window, tail: Tail) -> Finding | None:
    """Two roles that show the same numbers to the bit are read from one place."""
    flow = tail.column("flow")
    for role in FLOATS[1:]:
        if not tail.has(role) or not len(flow) or flow[-1] != tail.column(role)[-1]:
            continue
        with np.errstate(invalid="ignore"):
            since = tail.standing((flow == tail.column(role)) & (np.abs(flow) > LEAST))
        if since.seconds < SAME_S or not tail.swing("flow", since.begin) > 0.0:
            continue
        return told(
            window, Link.COMMUNICATION, "register-offset", begin=since.begin, interval=_interval(since),
            evidence=(Evidence(name=f"flow and {role} alike", value=float(since.seconds), unit="s", limit=float(SAME_S)),),
            sentence=f"{upper(since_words(since))} flow shows the numbers of {role} to the last digit: both are read from one place.",
        )  # fmt: skip
    return None


def _other_ratio(window: Window, tail: Tail) -> Finding | None:
    """The flow is a fixed part of what the PLC shows, and another number of the gauge agrees with the PLC."""
    if not tail.has("plc_flow"):
        return None
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    every, plc = tail.column("flow"), tail.column("plc_flow")
    wanted = RATIO_S // tail.step
    loaded = _quiet_load(every, plc, LOADED * span, tail.step, wanted)
    if len(loaded) < 0.8 * wanted:
        return None
    ratio = float(every[loaded].sum() / plc[loaded].sum())
    if abs(ratio - 1.0) < 0.5:
        return None
    speed = tail.column("speed")[loaded]
    level = float(np.median(speed)) if np.isfinite(speed).all() else 0.0
    level = level if 0.1 < level < 15.0 else (_nominal_speed(window) or 0.0)
    near = {"register-offset": [1.0 / (3.6 * level)] if level > 0.0 else [], "wrong-type": list(TENS)}
    causes = {cause: constant for cause, many in near.items() for constant in many if abs(ratio / constant - 1.0) < CLOSE}
    if not causes or not _gauge_agrees(window, int(tail.time_s[loaded[0]])):
        return None
    constant = next(iter(causes.values()))
    with np.errstate(invalid="ignore"):
        since = tail.standing((np.abs(every - constant * plc) < 0.3 * constant * np.abs(plc)) | (np.abs(plc) < LOADED * span))
    if not since.seconds:  # the newest row happens to lie off
        first = int(tail.time_s[loaded[0]])
        since = Standing(seconds=window.end_s - first, begin=first, whole=False)
    cause = next(iter(causes)) if len(causes) == 1 else UNKNOWN
    both_said = tuple(
        Alternative(cause=name, odds=1.0, separated_by="a change of belt speed; reading the registers around the address")
        for name in causes
        if cause == UNKNOWN
    )
    words = {
        "register-offset": f"{1.0 / constant:.2f} times less: that is load (1/3.6 of the speed), the quantity beside it",
        "wrong-type": f"{ratio:.3g} times as much: a digit is worth another power of ten",
    }.get(cause, f"{ratio:.3g} times as much")
    return told(
        window, Link.COMMUNICATION, cause, title="" if cause != UNKNOWN else "flow is another quantity", begin=since.begin,
        interval=_interval(since), alternatives=both_said,
        gate=() if cause != UNKNOWN else ("need a change of belt speed",),
        evidence=(
            Evidence(name="flow over PLC flow", value=ratio, unit="1", limit=constant, standard_error=0.01 * abs(ratio)),
        ),
        sentence=(
            f"{upper(since_words(since))} the flow tag shows {words}. The PLC and the other numbers of the gauge agree, so the tag "
            f"is read wrongly and the tonnes are right."
        ),
    )  # fmt: skip


def _quiet_load(flow: Floats, plc: Floats, least: float, step: int, wanted: int) -> NDArray[np.intp]:
    """The newest `wanted` rows under load in which the PLC flow had not moved for a while, or as many as there are."""
    late = max(1, LAG_S // step)
    for count in (10 * wanted, len(plc)):
        first = max(0, len(plc) - count)
        now, before = plc[max(first, late) :], plc[max(first, late) - late : max(len(plc) - late, 0)]
        with np.errstate(invalid="ignore"):
            quiet = (np.abs(now - before) < QUIET * now) & (now > least) & np.isfinite(flow[max(first, late) :])
        rows = np.flatnonzero(quiet)[-wanted:] + max(first, late)
        if len(rows) == wanted:
            break
    return rows


def _gauge_agrees(window: Window, since_s: int) -> bool:
    """Whether some other number of the gauge stands by the PLC and none by the flow tag, over the loaded rows since a moment."""
    rows = window.blocks[int(np.searchsorted(window.blocks.start_s, since_s)) :]
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    with np.errstate(invalid="ignore"):
        keep = rows.of("minimum", "plc_flow") > LOADED * span
    rows = rows.with_arrays({name: getattr(rows, name)[keep] for name in ARRAYS})
    if not len(rows):
        return False
    shown, flow = float(rows.of("mean", "plc_flow").mean()), float(rows.of("mean", "flow").mean())
    gauge = window.loop.gauge.range
    hours = float(rows.covered_s.sum()) / 3600.0
    output = rows.of("mean", "gauge_output")
    gained = rows.increment_t[:, 0]
    said = [
        float(np.mean(rows.of("mean", EXPECTED))),
        float(np.mean(3.6 * rows.of("mean", "load") * rows.of("mean", "speed"))),
        float(np.mean(gauge.low + (output - 4.0) / 16.0 * (gauge.high - gauge.low))),
        float(gained.sum()) / hours if np.isfinite(gained).all() and hours > 0.0 else np.nan,
    ]
    close = [abs(value - shown) < 2.0 * AGREES * abs(shown) for value in said if np.isfinite(value)]
    against = [abs(value - flow) < AGREES * max(abs(flow), 1.0) for value in said if np.isfinite(value)]
    return any(close) and not any(against)


def _interval(since: Standing) -> tuple[int, int]:
    """When it began; a condition that reaches back to the first sample may be older."""
    return since.interval
