"""The chain of hashes breaks where somebody touched it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.records.chain import START, Break, Linked, canonical, chained, link, verify
from config.errors import StoreError


def chain_of(count: int) -> list[Linked]:
    links: list[Linked] = []
    for n in range(count):
        links.append(link(links[-1] if links else None, {"n": n}))
    return links


def test_untouched_chain_holds() -> None:
    links = chain_of(5)
    assert verify(links, last=links[-1]) is None
    assert verify([]) is None


def test_hash_is_that_of_the_published_algorithm() -> None:
    # Source: sha256sum of GNU coreutils over 64 zeros, newline, 1, newline, {"n":0} (no newline at the end).
    assert chained(START, 1, '{"n":0}') == "851178f7fdd3e68bb40d9f9f3b07d28c81ea89f7cc3e7fc7c08b72fdafd2ab62"
    assert chain_of(1)[0].sha256 == "851178f7fdd3e68bb40d9f9f3b07d28c81ea89f7cc3e7fc7c08b72fdafd2ab62"


def test_changed_content_is_found() -> None:
    links = chain_of(5)
    links[2] = replace(links[2], text='{"n":7}')
    assert verify(links) == Break(number=3, reason="its content was changed")


def test_changed_content_with_a_new_hash_breaks_at_the_next() -> None:
    links = chain_of(5)
    links[2] = replace(links[2], text='{"n":7}', sha256=chained(links[1].sha256, 3, '{"n":7}'))
    assert verify(links) == Break(number=4, reason="it does not follow from the one before")


def test_missing_link_is_found() -> None:
    links = chain_of(5)
    del links[2]
    assert verify(links) == Break(number=3, reason="number 3 is missing, 4 follows")


def test_cut_end_is_found_by_the_link_kept_elsewhere() -> None:
    links = chain_of(5)
    assert verify(links[:4]) is None
    assert verify(links[:4], last=links[4]) == Break(number=5, reason="it is missing at the end")


def test_order_of_keys_does_not_matter() -> None:
    assert canonical({"b": 1, "a": "t/h ±"}) == canonical({"a": "t/h ±", "b": 1}) == '{"a":"t/h ±","b":1}'


def test_nan_is_refused_with_a_message() -> None:
    with pytest.raises(StoreError, match="cannot be recorded"):
        canonical({"tonnes": math.nan})


@given(data=st.data())
def test_any_changed_sign_is_found_at_its_record(data: st.DataObject) -> None:
    links = chain_of(6)
    at = data.draw(st.integers(0, 5))
    text = links[at].text
    place = data.draw(st.integers(0, len(text) - 1))
    other = data.draw(st.characters().filter(lambda sign: sign != text[place] and sign.isprintable()))
    links[at] = replace(links[at], text=text[:place] + other + text[place + 1 :])
    assert verify(links) == Break(number=at + 1, reason="its content was changed")
