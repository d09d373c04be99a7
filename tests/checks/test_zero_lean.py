"""The look at the zero: it says when a stretch or some of them are off, whatever the chunks, and is silent about a sound belt."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.empties import EmptyStretch
from checks.zero_lean import LEANS, ZeroLean
from config.model import Loop
from tests.checks.runs_of_terminal import BEGIN, small_site
from tests.checks.tools_for_empties import stretch

EVERY_S = 600


def loop() -> Loop:
    return small_site(["flow", "speed", "count_rate"], load_per_attenuation=153.8, counts_filtered=False).loops["TB-07"]


def empties(off: NDArray[np.float64], **changes: object) -> list[EmptyStretch]:
    """Stretches every ten minutes of a gauge that shows `off` [t/h] on the empty belt, by its flow."""
    return [
        stretch(BEGIN + EVERY_S * row, seconds=240.0, flow=flow, load_error=None, tare_rate=None, **changes)
        for row, flow in enumerate(off.tolist())
    ]


def codes(fresh: list[EmptyStretch], chunk: int = 0) -> NDArray[np.int8]:
    """How the zero leans at the end of each ten seconds, in chunks of so many stretches."""
    lean, out = ZeroLean(loop()), []
    ends = BEGIN + 10 * np.arange(1, 60 * (len(fresh) + 1) + 1)
    for first in range(0, len(fresh), chunk or len(fresh)):
        part = fresh[first : first + (chunk or len(fresh))]
        begin = fresh[first].known_s if first else 0
        until = fresh[first + len(part)].known_s if first + len(part) < len(fresh) else int(ends[-1]) + 1
        out.append(lean.push(part, ends[(ends >= begin) & (ends < until)]))
    return np.concatenate(out)


def noise(rows: int, seed: int = 7) -> NDArray[np.float64]:
    print("seed", seed)
    return 0.2 * np.random.default_rng(seed).standard_normal(rows)


def test_sound_belt_leans_nowhere() -> None:
    assert not codes(empties(noise(200))).any()


@pytest.mark.parametrize(("share", "rows"), [(0.012, 2), (0.0075, 6), (0.0045, 24)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_step_is_seen_as_soon_as_so_many_stretches_show_it(share: float, rows: int, sign: float) -> None:
    size = sign * share * (loop().gauge.range.high - loop().gauge.range.low)
    fresh = empties(noise(80) + size * (np.arange(80) >= 40))
    seen = codes(fresh)
    place = [count for count, _ in LEANS].index(rows)
    first = int(np.flatnonzero(seen[:, place])[0])
    at = BEGIN + 10 * (first + 1)
    assert fresh[40].known_s < at <= fresh[40 + rows - 1].known_s + 10
    assert set(seen[first:, place].tolist()) == {int(sign)}


def test_chunks_do_not_matter() -> None:
    fresh = empties(noise(60) + 4.0 * (np.arange(60) >= 30))
    whole = codes(fresh)
    assert whole.any()
    for chunk in (1, 7):
        np.testing.assert_array_equal(codes(fresh, chunk), whole)


@pytest.mark.parametrize("changes", [{"hidden": True}, {"temperature": 90.0}])
def test_flow_that_is_hidden_and_a_detector_beyond_its_limits_say_nothing(changes: dict[str, object]) -> None:
    assert not codes(empties(noise(40) + 20.0, **changes)).any()


def test_counts_show_a_zero_that_a_cut_off_hides() -> None:
    """By hand: at 1.9 m/s a t/h is 1/1052 of the logarithm, so 2 % less counts are 21 t/h too much."""
    site = small_site(
        ["flow", "speed", "count_rate"], load_per_attenuation=153.8, counts_filtered=False, low_cutoff=10.0, empty_belt_rate=5200.0,
        background=60.0,
    )  # fmt: skip
    fresh = [
        stretch(BEGIN + EVERY_S * row, hidden=True, load_error=0.0, ln_net=math.log(5140.0 * (0.98 if row >= 5 else 1.0)))
        for row in range(12)
    ]
    lean = ZeroLean(site.loops["TB-07"])
    seen = lean.push(fresh, np.array([entry.known_s for entry in fresh]))
    assert not seen[:5].any()
    assert seen[-1].tolist() == [1, 1, 0]
