"""Counters that wrap, against the examples of serial number arithmetic in RFC 1982 clause 5.2 (eight bits; quoted from memory)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigs.link.ticks import Unwrapper

NEWER_THAN = [(1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200), (44, 200)]


@pytest.mark.parametrize(("number", "reference"), NEWER_THAN)
def test_serial_numbers_compare_as_the_rfc_says(number: int, reference: int) -> None:
    forward, backward = Unwrapper(8), Unwrapper(8)
    assert forward.unwrap(reference) < forward.unwrap(number)
    assert backward.unwrap(number) > backward.unwrap(reference)


@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 2**31 - 1), max_size=50))
def test_a_clock_counts_on_over_its_wraps(start: int, steps: list[int]) -> None:
    ticks = Unwrapper(32)
    true = start
    assert ticks.unwrap(start) == start
    for step in steps:
        true += step
        assert ticks.unwrap(true & 0xFFFFFFFF) == true


def test_an_older_value_is_understood_and_moves_nothing() -> None:
    ticks = Unwrapper(32)
    ticks.unwrap(0xFFFF_FFF0)
    assert ticks.unwrap(0x10) == 0x1_0000_0010
    assert ticks.unwrap(0xFFFF_FFFF) == 0xFFFF_FFFF
    assert ticks.unwrap(0x20) == 0x1_0000_0020


def test_edge_counters_of_eight_bits_count_on() -> None:
    edges = Unwrapper(8)
    assert [edges.unwrap(raw) for raw in (250, 255, 0, 3, 100)] == [250, 255, 256, 259, 356]
