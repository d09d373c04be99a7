"""Readings that stay in columns look like readings to whoever asks."""

from __future__ import annotations

import math

import pytest

from collector.bundle import Bundle, Latest, Readings, Tags, parts_of
from collector.reading import BAD, GOOD, Reading

PLACES = [("TB-07", "flow"), ("TB-08", "flow"), ("TB-07", "load")]


def tags() -> Tags:
    return Tags(PLACES, lambda raw, number: (float(raw[number]),))


def bundle(of: Tags, *values: float, received: float = 5.0) -> Bundle:
    return Bundle(of, list(values), received, b"\x01\x02\x03")


def test_a_bundle_is_the_sequence_of_its_readings() -> None:
    whole = bundle(tags(), 1.0, 2.0, 3.0)
    assert list(whole) == [
        Reading("TB-07", "flow", 1.0, GOOD, 5.0, raw=(1.0,)),
        Reading("TB-08", "flow", 2.0, GOOD, 5.0, raw=(2.0,)),
        Reading("TB-07", "load", 3.0, GOOD, 5.0, raw=(3.0,)),
    ]
    assert (whole[-1], whole[1:]) == (whole.of(("TB-07", "load")), [whole[1], whole[2]])
    with pytest.raises(IndexError):
        whole[3]


def test_what_is_bad_keeps_its_reason_and_its_source_time() -> None:
    worse = Bundle(
        tags(), [1.0, math.nan, 3.0], 5.0, b"abc", quality=[0, BAD, 0], reasons=["", "not finite", ""], sources=[4.0, None, 4.5]
    )
    assert (worse[1].quality, worse[1].reason, worse[1].source_time) == (BAD, "not finite", None)
    assert worse[2].source_time == 4.5


def test_each_loop_takes_its_own_out_of_a_column_wherever_they_lie() -> None:
    first, second = tags().shares
    assert (first.loop, first.roles, first.take([1.0, 2.0, 3.0])) == ("TB-07", ("flow", "load"), (1.0, 3.0))
    assert (second.loop, second.roles, list(second.take([1.0, 2.0, 3.0])), second.whole) == ("TB-08", ("flow",), [2.0], False)
    (alone,) = Tags(PLACES[:1], lambda raw, number: ()).shares
    assert alone.whole


def test_readings_of_a_poll_keep_their_parts() -> None:
    poll = Readings()
    poll.add([])
    poll.add(bundle(tags(), 1.0, 2.0, 3.0))
    poll.add([Reading("TB-09", "flow", 9.0, GOOD, 5.0)])
    assert (len(poll), len(poll.parts), [reading.value for reading in poll]) == (4, 2, [1.0, 2.0, 3.0, 9.0])
    assert poll[-1].loop == "TB-09"
    assert parts_of([poll[0]]) == ([poll[0]],)


def test_the_latest_reading_of_a_tag_is_the_last_that_came() -> None:
    latest, of = Latest(), tags()
    latest.take(bundle(of, 1.0, 2.0, 3.0))
    lost = Reading("TB-08", "flow", math.nan, BAD, 6.0, reason="timeout")
    latest.take([lost])
    assert (latest["TB-07", "flow"].value, latest["TB-08", "flow"], len(latest)) == (1.0, lost, 3)
    latest.take(bundle(of, 4.0, 5.0, 6.0, received=7.0))
    assert [reading.value for reading in latest.values()] == [4.0, 5.0, 6.0]
    latest.take(bundle(Tags(PLACES[:1], lambda raw, number: ()), 7.0, received=8.0))
    assert (latest["TB-07", "flow"].value, latest["TB-07", "load"].value) == (7.0, 6.0)
    latest.take(bundle(of, 8.0, 8.5, 9.0, received=9.0))
    assert latest["TB-07", "flow"].value == 8.0
    del latest["TB-07", "load"]
    assert latest.get(("TB-07", "load")) is None
    latest.take(bundle(of, 1.0, 2.0, 3.0, received=10.0))
    assert latest["TB-07", "load"].value == 3.0
