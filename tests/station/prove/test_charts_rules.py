"""Run rules: each on sequences in which it alone fires, against definitions written down a second time, and at their edges."""

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.errors import UsageError
from station.prove.chart_rules import RULES, RUN_UP, SPREAD, Firing, chosen, firings
from station.records import Floats

ENTRIES: dict[str, dict[str, Any]] = json.loads((Path(__file__).parents[2] / "data" / "control_charts.json").read_text())["entries"]
NUMBERED: Final = dict(
    zip("12345678", ("beyond", "one-side", "slope", "zigzag", "two-far", "four-off", "hugging", "shunning"), strict=True)
)
"""Our names by the numbers of L. S. Nelson, Journal of Quality Technology 16(4), 1984."""
SEQUENCES: Final = sorted(name for name, entry in ENTRIES.items() if "z" in entry["inputs"])
OF_LEVELS: Final = tuple(NUMBERED.values())


def fired(z: list[float], rules: tuple[str, ...] = OF_LEVELS) -> tuple[Firing, ...]:
    return firings(z, [math.nan] * len(z), rules)


@pytest.mark.parametrize("name", SEQUENCES)
def test_only_the_rule_a_sequence_is_made_for_fires(name: str) -> None:
    """Sequences and places from outside; none of the other seven rules fires on them, and on the run of eight none at all."""
    expected = ENTRIES[name]["expected"]
    places = expected["signals"] if "signals" in expected else expected["nelson"]
    found = fired(ENTRIES[name]["inputs"]["z"])
    for number, rule in NUMBERED.items():
        assert [one.place for one in found if one.rule == rule] == places[number], rule
    for side in (ENTRIES[name]["inputs"]["z"], [-z for z in ENTRIES[name]["inputs"]["z"]]):
        assert [(one.place, one.rule) for one in fired(side)] == [(one.place, one.rule) for one in found]


def test_every_rule_of_levels_has_a_sequence() -> None:
    only = {NUMBERED[entry["expected"]["only_rule"]] for entry in ENTRIES.values() if "only_rule" in entry["expected"]}
    assert only == set(OF_LEVELS) == set(RULES) - {SPREAD}


def test_the_spread_alone_fires_on_its_own_chart() -> None:
    levels, spreads = [0.3, -0.4, 0.2, -0.1], [math.nan, 0.5, 3.1, -2.9]
    assert firings(levels, spreads, tuple(RULES)) == (Firing(2, SPREAD, (2,), True),)


def test_what_a_signal_rests_on() -> None:
    """Two of three: the middle point is not part of it. Nine in a row: all of them."""
    (two,) = fired([0.1, 2.3, -0.2, 2.1, 0.3])
    assert two == Firing(3, "two-far", (1, 3), True)
    (nine,) = fired([-0.4, 0.2, 0.6, 0.1, 0.5, 0.3, 0.8, 0.2, 0.7, 0.4, -0.3])
    assert nine.places == tuple(range(1, 10))


def test_a_pattern_that_goes_on_is_first_once_and_a_single_point_always() -> None:
    run = [0.2, 0.5, 0.3, 0.6, 0.2, 0.4, 0.3, 0.5, 0.2, 0.6, 0.4, -0.1]
    assert [(one.place, one.first) for one in fired(run, ("one-side",))] == [(8, True), (9, False), (10, False)]
    assert [(one.place, one.first) for one in fired([3.2, 3.5], ("beyond",))] == [(0, True), (1, True)]


def test_eight_points_far_off_on_one_side_are_no_shunning() -> None:
    assert not fired([1.2, 1.3, 1.5, 1.1, 1.4, 1.2, 1.3, 1.6], ("shunning",))


def test_ties_break_a_slope_and_a_zigzag() -> None:
    assert not fired([0.1, 0.2, 0.2, 0.3, 0.4, 0.5], ("slope",))
    assert len(fired([0.1, 0.5] * 7, ("zigzag",))) == 1
    assert not fired([0.1, 0.5, 0.5, *([0.1, 0.5] * 6)], ("zigzag",))
    assert not fired([0.1, 0.1, *([0.5, 0.1] * 6)], ("zigzag",))


@pytest.mark.parametrize("edge", [1.0, -1.0])
def test_a_point_on_the_border_of_one_sigma_is_neither_within_nor_beyond(edge: float) -> None:
    assert len(fired([0.5, -0.5] * 7 + [0.9], ("hugging",))) == 1
    assert not fired([0.5, -0.5] * 7 + [edge], ("hugging",))
    assert len(fired([1.2, -1.2] * 4, ("shunning",))) == 1
    assert not fired([*([1.2, -1.2] * 3), 1.3, edge], ("shunning",))


def windows(z: Floats, size: int) -> list[Floats]:
    """At every place the newest `size` values; fewer at the start."""
    return [z[max(0, k + 1 - size) : k + 1] for k in range(len(z))]


def same_side(z: Floats, size: int, sigmas: float, wanted: int) -> list[bool]:
    return [bool(max((w > sigmas).sum() * (w[-1] > sigmas), (w < -sigmas).sum() * (w[-1] < -sigmas)) >= wanted) for w in windows(z, size)]


def full(z: Floats, size: int, holds: Callable[[Floats], Any]) -> list[bool]:
    return [len(w) == size and bool(holds(w)) for w in windows(z, size)]


SECOND: dict[str, Callable[[Floats], list[bool]]] = {
    "beyond": lambda z: list(np.abs(z) > 3),
    "one-side": lambda z: full(z, 9, lambda w: abs(np.sign(w).sum()) == 9),
    "slope": lambda z: full(z, 6, lambda w: abs(np.sign(np.diff(w)).sum()) == 5),
    "zigzag": lambda z: full(z, 14, lambda w: abs((np.sign(np.diff(w)) * (-1) ** np.arange(13)).sum()) == 13),
    "two-far": lambda z: same_side(z, 3, 2.0, 2),
    "four-off": lambda z: same_side(z, 5, 1.0, 4),
    "hugging": lambda z: full(z, 15, lambda w: np.abs(w).max() < 1),
    "shunning": lambda z: full(z, 8, lambda w: np.abs(w).min() > 1 and np.ptp(np.sign(w)) == 2),
}
"""The rules once more, by signs and sums."""

EDGES: Final = [k / 2 for k in range(-7, 8)]  # many values exactly on a border
MANY = st.lists(st.sampled_from(EDGES) | st.floats(-4.0, 4.0), max_size=40)
QUIET = st.lists(st.floats(-0.99, 0.99), min_size=12, max_size=30)
WILD = st.lists(st.sampled_from([-1.6, -1.2, 1.1, 1.5]), min_size=6, max_size=20)


def alternating(sizes: list[float]) -> list[float]:
    return [size * (-1) ** k for k, size in enumerate(sizes)]


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    MANY
    | QUIET
    | WILD
    | st.lists(st.floats(0.0, 2.0), min_size=12, max_size=24)
    | st.lists(st.floats(0.1, 2.0), min_size=14, max_size=20).map(alternating)
    | MANY.map(sorted)
)
def test_rules_fire_where_their_second_definition_holds(z: list[float]) -> None:
    found = fired(z)
    for rule, holds in SECOND.items():
        assert [one.place for one in found if one.rule == rule] == [k for k, met in enumerate(holds(np.array(z))) if met], rule


@settings(max_examples=200, deadline=None, derandomize=True)
@given(MANY | QUIET | WILD)
def test_the_points_of_a_signal_support_its_rule(z: list[float]) -> None:
    """They lie within the window, end with the point that fired, and by themselves fire the rule again; where a whole window is asked for
    they are all of it, and where a part is, all lie on one side beyond the rule's border."""
    least = {"two-far": (2, 2.0), "four-off": (4, 1.0)}
    for one in fired(z):
        assert one.places[-1] == one.place
        assert one.places[0] > one.place - RULES[one.rule].window
        alone = [z[place] for place in one.places]
        assert fired(alone, (one.rule,))[-1].places == tuple(range(len(alone)))
        if one.rule in least:
            count, border = least[one.rule]
            assert len(alone) >= count
            assert min(map(abs, alone)) > border
            assert len({value > 0 for value in alone}) == 1
        else:
            assert one.places == tuple(range(one.place + 1 - RULES[one.rule].window, one.place + 1))


@settings(deadline=None, derandomize=True)
@given(MANY, st.integers(0, 40))
def test_firings_do_not_depend_on_what_lies_before_the_run_up(z: list[float], begin: int) -> None:
    late = {(one.place + begin, one.rule, one.first) for one in fired(z[begin:]) if one.place >= RUN_UP}
    assert late == {(one.place, one.rule, one.first) for one in fired(z) if one.place >= begin + RUN_UP}


def test_chosen_rules_keep_the_order_of_the_table_and_unknown_ones_are_refused() -> None:
    assert chosen(["slope", "beyond", "slope"]) == ("beyond", "slope")
    with pytest.raises(UsageError, match="run rule is 'trend'; expected one of beyond, one-side"):
        chosen(["beyond", "trend"])
