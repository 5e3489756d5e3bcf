"""The sign of life: only while every loop turns."""

import itertools

from rigs.emulated.virtual import VirtualClock
from station.service.pulse import EVERY_S, SILENT_S, Pulse


def signs(beats: list[tuple[float, str]], names: tuple[str, ...] = ("a", "b")) -> list[float]:
    """When a sign went out, for beats at these instants."""
    clock, told = VirtualClock(), list[float]()
    began_s = clock.monotonic_s()
    pulse = Pulse(clock, names, lambda: told.append(round(clock.monotonic_s() - began_s, 3)))
    for at_s, name in beats:
        clock.sleep(at_s - (clock.monotonic_s() - began_s))
        pulse.beat(name)
    return told


def turning(name: str, until_s: float) -> list[tuple[float, str]]:
    return [(0.02 * step, name) for step in range(1, round(until_s / 0.02) + 1)]


def test_a_sign_goes_out_while_all_turn_and_not_more_often_than_wanted() -> None:
    told = signs(sorted(turning("a", 3.0) + turning("b", 3.0)))
    assert len(told) == 6
    assert min(later - sooner for sooner, later in itertools.pairwise(told)) >= EVERY_S - 1e-9


def test_one_loop_that_hangs_ends_the_signs_within_the_silence() -> None:
    told = signs(sorted(turning("a", 6.0) + turning("b", 2.0)))
    assert 2.0 < told[-1] <= 2.0 + SILENT_S


def test_before_every_loop_has_turned_once_there_is_none() -> None:
    assert signs(turning("a", 2.0)) == []
