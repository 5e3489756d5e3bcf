"""Chances of the retest against the plan's own operating characteristic and against plain simulation."""

import numpy as np
import pytest
from scipy import stats

from station.judge.advice_candidates import over_share
from station.judge.advice_chance import Bend, Bounds, GroupForecast, bend_through, chances
from station.judge.oc import operating_characteristic
from station.judge.plan import plan_for
from station.specification import Specification

BOUNDS = Bounds(22.0, 0.0, 0.012, 0.0016, 0.12)
FLAT = Bend(np.zeros(3), np.zeros(3))


def group_at(
    margins: list[float], sd: float = 1.0, flicks: int = 100_000, lag_s: float = 0.0, peak_bends: tuple[Bend, ...] = (FLAT,) * 3
) -> GroupForecast:
    """One group with candidates so many standard deviations inside the zone, as well known as `flicks` make it."""
    size = len(margins)
    return GroupForecast(
        name="x+",
        flicks=flicks,
        freedom=flicks - 1.0,
        mean_counts=22.0 - sd * np.array(margins),
        sd_counts=np.full(size, sd),
        return_s=np.full(size, 0.004),
        u_return_s=np.zeros(size),
        lag_s=np.full(size, lag_s),
        u_lag_s=np.zeros(size),
        settle_s=np.full(size, 0.03),
        peak_bends=peak_bends,
        return_bends=(FLAT,) * 3,
    )


def test_a_known_group_passes_as_the_plan_says(dunlin: Specification) -> None:
    """Margins 3.09 (a share of 0.001), 2.5 and 1.96 (0.025); the plan's characteristic is simulated and exact behind the gate."""
    plan, margins = plan_for(dunlin.decision), [3.0902, 2.5, 1.96]
    found = chances(plan, [group_at(margins)], BOUNDS, (0.0, 0.0, 0.0), trials=4000)
    known = operating_characteristic(plan, stats.norm.sf(margins).tolist())
    assert found.passes == pytest.approx([one.accept for one in known], abs=0.03)
    assert found.flicks[:, 0] == pytest.approx([one.mean_flicks for one in known], rel=0.06)


def test_two_groups_must_both_pass(dunlin: Specification) -> None:
    plan = plan_for(dunlin.decision)
    one = chances(plan, [group_at([2.5, 2.5, 2.5])], BOUNDS, (0.0, 0.0, 0.0), trials=4000).passes[0]
    both = chances(plan, [group_at([2.5, 2.5, 2.5]), group_at([2.5, 2.5, 2.5])], BOUNDS, (0.0, 0.0, 0.0), trials=4000).passes[0]
    assert both == pytest.approx(one**2, abs=0.04)


def test_few_flicks_leave_more_open(dunlin: Specification) -> None:
    """At a margin of 3.5 a well-known group is sure to pass; after six flicks the true margin may be anything near."""
    plan = plan_for(dunlin.decision)
    sure = chances(plan, [group_at([3.5, 3.5, 3.5])], BOUNDS, (0.0, 0.0, 0.0)).passes[0]
    doubtful = chances(plan, [group_at([3.5, 3.5, 3.5], flicks=6)], BOUNDS, (0.0, 0.0, 0.0)).passes[0]
    assert sure > 0.98
    assert 0.5 < doubtful < 0.9


def test_a_tolerance_is_rectangular(dunlin: Specification) -> None:
    """The mean moves 10 counts with a factor of 2, sd nearly none: it passes where the factor leaves it inside, here in 3 cases of 4."""
    bends = (Bend(np.full(3, 10.0), np.zeros(3)), FLAT, FLAT)
    group = group_at([50.0, 50.0, 50.0], sd=0.01, peak_bends=bends)  # mean 21.5: inside up to a change of 0.05 of 0.1
    found = chances(plan_for(dunlin.decision.model_copy(update={"mode": "count"})), [group], BOUNDS, (0.1, 0.0, 0.0), trials=4000)
    assert found.passes == pytest.approx(0.75, abs=0.03)


def test_a_lag_beyond_its_limit_never_passes(dunlin: Specification) -> None:
    plan = plan_for(dunlin.decision)
    assert chances(plan, [group_at([15.0] * 3, lag_s=0.00161)], BOUNDS, (0.0, 0.0, 0.0)).passes.tolist() == [0.0] * 3
    assert chances(plan, [group_at([15.0] * 3, lag_s=0.00159)], BOUNDS, (0.0, 0.0, 0.0)).passes.tolist() == [1.0] * 3


def test_a_systematic_error_costs_chance(dunlin: Specification) -> None:
    plan = plan_for(dunlin.decision)
    clear = chances(plan, [group_at([8.0] * 3)], BOUNDS, (0.0, 0.0, 0.0)).passes[0]
    unsure = chances(plan, [group_at([8.0] * 3)], BOUNDS, (0.0, 0.0, 0.0), u_counts=6.0).passes[0]
    assert clear > 0.99
    assert unsure == pytest.approx(stats.norm.cdf((8.0 - 2.5) / 6.0), abs=0.05)


def test_the_parabola_goes_through_its_points() -> None:
    bend = bend_through(np.array([3.0]), np.array([2.0]), np.array([1.5]), 0.2)
    assert 2.0 + bend.at(np.array([-0.2, 0.0, 0.2])) == pytest.approx([3.0, 2.0, 1.5])
    assert bend_through(np.array([3.0]), np.array([2.0]), np.array([1.5]), 0.0).at(np.array([0.3])) == pytest.approx([0.0])


def test_share_beyond_the_zone() -> None:
    """Tail of the normal law, the floor under the spread, and the observed share where no normal tail explains it."""
    even = 20.0 + np.array([-1.0, 1.0] * 10)
    sd = float(np.std(even, ddof=1))
    assert over_share(even, sd, 22.0, 0.29) == pytest.approx(stats.norm.sf(2.0 / sd))
    assert over_share(np.full(20, 21.42), 0.0, 22.0, 0.29) == pytest.approx(stats.norm.sf(2.0))
    spiky = np.array([10.0] * 57 + [60.0, 22.5, 22.5])  # 3 of 60 beyond; a tail of a spread of 1 explains none, one of their own spread all
    assert over_share(spiky, 1.0, 22.0, 0.29) == pytest.approx(3 / 60)
    own = float(np.std(spiky, ddof=1))
    assert over_share(spiky, own, 22.0, 0.29) == pytest.approx(stats.norm.sf((22.0 - spiky.mean()) / own))
