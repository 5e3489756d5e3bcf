"""The pooled monitor, audited groups and correlation from flick to flick."""

import json

import numpy as np
import pytest

from station.errors import UsageError
from station.judge.monitor import ALARM, PooledMonitor, audited_groups, lag_one, rare_big_flicks
from station.judge.plan import Plan, plan_for
from station.quantities import GROUPS
from station.specification import Specification
from tests.conftest import DATA

LIMIT = 22.0
KNOWN = json.loads((DATA / "decision_plan.json").read_text())["monitor"]
FLICKS_OF_GROUP = KNOWN["flicks_per_unit"] // 4


@pytest.fixture(scope="module")
def guarded(dunlin: Specification) -> Plan:
    return plan_for(dunlin.decision)


@pytest.fixture
def fresh(guarded: Plan) -> PooledMonitor:
    return PooledMonitor.for_plan(guarded)


def units_to_alarm(monitor: PooledMonitor, share: float, random: np.random.Generator) -> float:
    """Units of four groups until the alarm, when this share of all flicks is rare and big."""
    while not monitor.switched:
        clean = int(random.geometric(share)) - 1
        monitor = monitor.after(clean, 0).after(1, 1)
    return monitor.flicks / KNOWN["flicks_per_unit"]


def test_shares_watched_for(fresh: PooledMonitor) -> None:
    assert fresh.base_share == pytest.approx(1e-4)
    assert fresh.raised_shares[0] == pytest.approx(5e-4)
    assert fresh.raised_shares[-1] == pytest.approx(0.025)


@pytest.mark.parametrize(("part", "known"), list(zip(KNOWN["part_of_groups"], KNOWN["units_to_alarm"], strict=True)))
def test_alarm_comes_as_soon_as_a_test_made_for_the_share(fresh: PooledMonitor, part: float, known: float) -> None:
    """Known: log 1000 over the information of a flick, with 2.5 % big flicks in this part of the groups (Wald's approximation)."""
    random = np.random.default_rng(50)
    found = np.mean([units_to_alarm(fresh, 1e-4 + 0.025 * part, random) for _ in range(150)])
    assert 0.5 * known < found < 1.1 * known


def test_quiet_for_thousands_of_units_at_the_base_share(fresh: PooledMonitor) -> None:
    random = np.random.default_rng(51)
    assert np.mean([units_to_alarm(fresh, fresh.base_share, random) for _ in range(40)]) > 4000


def test_two_rare_flicks_close_together_alarm_and_stay(fresh: PooledMonitor) -> None:
    alarmed = fresh.after(60, 1).after(60, 1)
    assert alarmed.switched
    assert max(alarmed.evidence) > ALARM
    later = alarmed.after(100_000, 0)
    assert (later.switched, later.evidence) == (True, (0.0,) * 4)
    assert (alarmed.mode("guarded"), fresh.mode("guarded")) == ("count", "guarded")
    assert alarmed.sentence.startswith("Alarm: 2 rare big flicks in 120 flicks of 2 groups")
    back = later.set_back()
    assert (back.switched, back.mode("normal-model"), back.rare, back.groups) == (False, "normal-model", 2, 3)


def test_good_times_do_not_hide_a_change(fresh: PooledMonitor) -> None:
    late = fresh.after(1_000_000, 0)
    assert late.evidence == fresh.evidence
    assert late.after(60, 2).switched


def test_state_survives_json(fresh: PooledMonitor) -> None:
    seen = fresh.after(500, 1)
    assert PooledMonitor.from_document(json.loads(json.dumps(seen.document()))) == seen


@pytest.mark.parametrize("rare", [-1, 12])
def test_impossible_counts_are_refused(fresh: PooledMonitor, rare: int) -> None:
    with pytest.raises(UsageError, match=f"rare big flicks are {rare} of 11; expected 0 to 11"):
        fresh.after(11, rare)


@pytest.mark.parametrize(
    ("peaks", "rare"),
    [
        ([12.0, 12.5, 13.0] * 4 + [25.0], 1),
        ([12.0, 12.5, 13.0] * 4 + [25.0, 26.0], 2),
        ([12.0, 12.5, 13.0] * 4 + [22.0], 0),  # on the limit is within
        ([12.0, 12.5, 13.0] * 2 + [25.0], 0),  # too few others to know what is usual
        ([23.0, 24.0], 0),  # bad through and through: its own plan rejects it
        ([19.0, 21.0, 20.0] * 10 + [22.5], 0),  # close to the limit anyway
        ([12.0] * 30, 0),
        ([], 0),
    ],
)
def test_what_counts_as_rare_and_big(guarded: Plan, peaks: list[float], rare: int) -> None:
    assert rare_big_flicks(guarded, np.array(peaks), LIMIT) == rare


def test_units_with_a_hidden_fault_raise_the_alarm_and_bad_or_good_units_do_not(guarded: Plan, fresh: PooledMonitor) -> None:
    """The whole way: groups decided by the plan, their used flicks pooled. A tenth of groups throws one flick in forty far out."""
    random = np.random.default_rng(52)

    def after_units(units: int, part: float, bad: float) -> tuple[PooledMonitor, int]:
        monitor = fresh
        for unit in range(units):
            for _ in GROUPS:
                peaks = random.normal(14.0, 1.0, 440) + (9.0 if random.random() < bad else 0.0)
                peaks += 15.0 * (random.random(440) < 0.025) * (random.random() < part)
                used = guarded.decide(peaks, LIMIT).flicks_used
                monitor = monitor.after(used, rare_big_flicks(guarded, peaks[:used], LIMIT))
            if monitor.switched:
                return monitor, unit + 1
        return monitor, units

    alarmed, units = after_units(400, part=0.1, bad=0.02)
    assert alarmed.switched
    assert units < 150
    quiet, units = after_units(150, part=0.0, bad=0.1)
    assert (quiet.switched, quiet.rare, units) == (False, 0, 150)


def test_audited_groups_are_drawn_in_their_share() -> None:
    drawn = [audited_groups(f"A/{run}", 0.05) for run in range(20_000)]
    assert sum(map(len, drawn)) / 80_000 == pytest.approx(0.05, abs=4 * np.sqrt(0.05 / 80_000))
    assert all(sum(group in one for one in drawn) > 850 for group in GROUPS)
    assert audited_groups("A/7", 0.5) == audited_groups("A/7", 0.5)
    assert len({audited_groups(f"A/{run}", 0.5) for run in range(100)}) > 10
    assert audited_groups("A/7", 0.0) == frozenset()
    assert audited_groups("A/7", 1.0) == frozenset(GROUPS)


def series(rho: float, length: int, random: np.random.Generator) -> np.ndarray:
    """First-order autoregression with unit variance."""
    made = np.empty(length)
    made[0] = random.standard_normal()
    for n in range(1, length):
        made[n] = rho * made[n - 1] + np.sqrt(1 - rho**2) * random.standard_normal()
    return made


@pytest.mark.parametrize(("length", "rho"), [(14, 0.0), (14, 0.4), (60, 0.0), (60, 0.2), (60, 0.5)])
def test_lag_one_is_unbiased_and_its_interval_covers(length: int, rho: float) -> None:
    random, trials = np.random.default_rng(int(length + 100 * rho)), 400
    found = [lag_one([5.0 + group + series(rho, length, random) for group in range(4)]) for _ in range(trials)]
    values = np.array([one.value for one in found if one is not None])
    assert len(values) == trials
    assert values.mean() == pytest.approx(rho, abs=0.05 if length == 14 else 0.03)
    covered = np.mean([one.lower <= rho <= one.upper for one in found if one is not None])
    assert 0.91 < covered < 0.985


def test_correlation_beyond_the_assumption_is_reported() -> None:
    random = np.random.default_rng(53)
    drifting = lag_one([series(0.7, 200, random)])
    steady = lag_one([random.standard_normal(200)])
    assert drifting is not None
    assert steady is not None
    assert drifting.beyond_assumption
    assert "the stated risks do not hold" in drifting.sentence
    assert not steady.beyond_assumption
    assert "200 flicks)." in steady.sentence


def test_alternating_peaks_have_correlation_minus_one() -> None:
    found = lag_one([np.resize([1.0, 2.0], 400)])
    assert found is not None
    assert found.value == pytest.approx(-1.0, abs=0.01)
    assert -1.0 <= found.lower <= found.value <= found.upper


@pytest.mark.parametrize("peaks", [[], [np.arange(19.0)], [np.full(40, 3.0)], [np.arange(4.0)] * 9])
def test_no_correlation_from_too_little(peaks: list[np.ndarray]) -> None:
    assert lag_one(peaks) is None
