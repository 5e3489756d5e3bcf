"""The bench of units: the same from the same seed, on the right side of their limits, and told plainly when a file is wrong."""

import numpy as np
import pytest

from rigs.emulated.bench import demo_bench, demo_unit, first_serial, plain_unit, read_bench
from rigs.emulated.characters import CHARACTERS, DEMO_ORDER, DEMO_SHARES, axis_with_peak
from rigs.emulated.release import Grease
from rigs.emulated.stick import Dynamics, Swing, free_motion, position_at
from rigs.emulated.units import AxisProperties
from station.errors import ConfigurationError, NotFound, UsageError
from station.specification import Specification

BENCH = """
[[unit]]
serial = "DN2-00007"
lot = "ML-2607"
character = "snapback-x"

[[unit]]
serial = "DN2-00008"
x = {ring_hz = 55.0, capacitance_f = 3.3e-7}
stick = {coupling_x = 0.02, swapped = true}
"""


def peak_counts(axis: AxisProperties, sign: int, dynamics: Dynamics) -> float:
    first = free_motion(0.0, axis.reach(sign), 0.0, dynamics)[0]
    assert isinstance(first, Swing)
    return -position_at(first, first.turns_after_s())


def drawn_peaks(axis: AxisProperties, sign: int, count: int = 400) -> np.ndarray:
    """Far-side peaks of the wiper over many flicks, grease warm."""
    grease = Grease(np.random.default_rng(3))
    return np.array([peak_counts(axis, sign, grease.dynamics(0.33 * number, axis, sign)) for number in range(count)])[20:]


def test_the_same_seed_lays_the_same_units() -> None:
    first, again, other = demo_bench(2607), demo_bench(2607), demo_bench(2608)
    rows = [
        [(unit.serial, unit.lot, unit.character, unit.sticks) for unit in (bench.take() for _ in range(30))]
        for bench in (first, again, other)
    ]
    assert rows[0] == rows[1]
    assert rows[0] != rows[2]
    assert [row[2] for row in rows[0][: len(DEMO_ORDER)]] == list(DEMO_ORDER)


def test_neighbouring_seeds_have_no_serial_in_common() -> None:
    assert abs(first_serial(2607) - first_serial(2608)) >= 900
    assert set(DEMO_SHARES) <= set(CHARACTERS)
    assert sum(DEMO_SHARES.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("number", range(12))
def test_good_units_are_good_and_snapping_ones_are_not(number: int, dunlin: Specification) -> None:
    """Margins of 8 to 12 standard deviations inside the zone; snapping axes beyond it almost always."""
    zone = dunlin.host.neutral_zone_counts
    random = np.random.default_rng([9, number])
    for axis in CHARACTERS["good"](random).axes():
        for sign in (1, -1):
            peaks = drawn_peaks(axis, sign)
            assert 8.0 < (zone - peaks.mean()) / peaks.std(ddof=1) < 20.0
            assert abs(axis.rest_counts - dunlin.stick.rest_counts) < dunlin.limits.rest_error_counts - 3
    snapping = CHARACTERS["snapback-x"](random).x
    assert (drawn_peaks(snapping, 1) > zone).mean() > 0.8


def test_peaks_have_the_mean_and_spread_that_were_asked() -> None:
    axis = axis_with_peak(np.random.default_rng(1), 14.0, 60.0)
    both = np.concatenate([drawn_peaks(axis, 1), drawn_peaks(axis, -1)])
    assert both.mean() == pytest.approx(14.0, abs=0.15)
    assert 0.55 < drawn_peaks(axis, 1).std(ddof=1) < 0.9


def test_flicks_of_a_warm_stick_are_independent() -> None:
    peaks = drawn_peaks(CHARACTERS["good"](np.random.default_rng(2)).x, 1, 2000)
    away = peaks - peaks.mean()
    assert abs((away[1:] * away[:-1]).mean() / away.var()) < 0.07  # three standard errors of 1/sqrt(n)


def test_the_first_flick_after_a_pause_is_a_little_duller() -> None:
    axis = AxisProperties(damping_spread=0.0, ring_spread=0.0, friction_spread=0.0)
    grease = Grease(np.random.default_rng(3))
    first, *_, warm = [peak_counts(axis, 1, grease.dynamics(0.3 * number, axis, 1)) for number in range(12)]
    rested = peak_counts(axis, 1, grease.dynamics(60.0, axis, 1))
    assert warm - first == pytest.approx(0.7, abs=0.3)
    assert rested == pytest.approx(first, abs=1e-9)


def test_a_bench_file_lists_units_and_overrules_their_figures() -> None:
    bench = read_bench(BENCH, seed=1)
    assert bench.serials() == ["DN2-00007", "DN2-00008"]
    assert bench.take().identity() == {"serial": "DN2-00007", "product": "dunlin-2", "lot": "ML-2607", "sticks": ["main"]}
    stick = bench.take().sticks["main"]
    assert (stick.x.ring_hz, stick.x.capacitance_f, stick.coupling_x, stick.swapped) == (55.0, 3.3e-7, 0.02, True)
    with pytest.raises(NotFound, match="empty"):
        bench.take()
    assert bench.take("DN2-00007").serial == "DN2-00007"


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[[unit]", "TOML"),
        ("shelf = 1", "shelf"),
        ("", "unit"),
        ("[[unit]]\nlot = 'a'", "serial"),
        ("[[unit]]\nserial = 'a'\ncharacter = 'moody'", "moody"),
        ("[[unit]]\nserial = 'a'\ncolour = 'b'", "colour"),
        ("[[unit]]\nserial = 'a'\nx = {mood = 1.0}", "mood"),
        ("[[unit]]\nserial = 'a'\nx = {ring_hz = 'x'}", "float"),
        ("[[unit]]\nserial = 'a'\nx = {dead = 1}", "bool"),
        ("[[unit]]\nserial = 'a'\n[[unit]]\nserial = 'a'", "once"),
    ],
)
def test_a_wrong_bench_file_names_the_key(text: str, names: str) -> None:
    with pytest.raises(UsageError, match=names):
        read_bench(text, seed=1)


def test_units_may_have_several_sticks() -> None:
    unit = demo_unit(3, 1, ("left", "right"))
    assert list(unit.sticks) == ["left", "right"]
    unit.fit("right", "y", 1e-7)
    assert (unit.sticks["left"].y.capacitance_f, unit.stick_at(1).y.capacitance_f) == (0.0, 1e-7)


def test_figures_of_another_kind_are_refused() -> None:
    unit = plain_unit("DN2-00001")
    with pytest.raises(ConfigurationError, match="x, y"):
        unit.change("main", "z", {})
    with pytest.raises(ConfigurationError, match="coupling_x"):
        unit.change("main", "", {"x": {}})
