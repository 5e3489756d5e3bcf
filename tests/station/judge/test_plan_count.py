"""The count plan: exact figures against enumeration, the published lines, and any admissible figures."""

import itertools
import json

import numpy as np
import pytest

from station.judge.count_plan import CountPlan, binomial_chances, plan_from_lines
from station.judge.count_search import WORKED, count_plan, log_odds_ratio, rejection_only, search, slope
from station.judge.fixed_plans import Risks, fixed_attributes
from tests.conftest import DATA

PUBLISHED = {entry["name"]: entry for entry in json.loads((DATA / "sequential_tests.json").read_text())["entries"]}
COMPUTED = json.loads((DATA / "decision_plan.json").read_text())
NIST = Risks(0.01, 0.10, 0.05, 0.10)
USUAL = Risks(0.001, 0.025, 0.01, 0.01)
BEHIND_GATE = Risks(0.001, 0.025, 0.01, 0.007)
NIST_H1, NIST_H2 = (PUBLISHED["nist_sprt_lines"]["expected"][name] for name in ("h1", "h2"))


def nist_plan(last: int) -> CountPlan:
    """The handbook's lines, cut off at `last` with no largest acceptable number that matters."""
    return plan_from_lines(slope(NIST), NIST_H1, NIST_H2, int(slope(NIST) * last) + 3, last)


def test_lines_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.2.6: k, h1, h2 and slope of the sequential plan for 0.01 / 0.10, risks 0.05 / 0.10."""
    expected = PUBLISHED["nist_sprt_lines"]["expected"]
    assert slope(NIST) == pytest.approx(expected["s"], rel=1e-10)
    assert log_odds_ratio(NIST) == pytest.approx(expected["k"], rel=1e-10)
    assert np.log(0.95 / 0.10) / log_odds_ratio(NIST) == pytest.approx(expected["h1"], rel=1e-10)
    assert np.log(0.90 / 0.05) / log_odds_ratio(NIST) == pytest.approx(expected["h2"], rel=1e-10)


def test_table_of_the_handbook() -> None:
    """Same page: acceptance and rejection numbers flick by flick, from the unrounded lines."""
    table, plan = PUBLISHED["nist_sprt_table"], nist_plan(400)
    for n, accept, reject in zip(table["inputs"]["n"], table["expected"]["accept"], table["expected"]["reject"], strict=True):
        assert plan.acceptance_number(n) == (-1 if accept is None else accept)
        assert plan.rejection_number(n) == (2 if reject is None else reject)


@pytest.mark.parametrize(("share", "name"), [(0.01, "exact_at_p1"), (0.10, "exact_at_p2")])
def test_characteristic_of_the_handbook_plan(share: float, name: str) -> None:
    """Exact acceptance chance and mean number, derived by a path recursion outside this project."""
    expected, found = PUBLISHED["nist_sprt_oc_asn"]["expected"][name], nist_plan(3000).characteristic(share)
    assert found.accept == pytest.approx(expected["P_accept"], abs=1e-9)
    assert found.reject == pytest.approx(expected["P_reject"], abs=1e-9)
    assert found.mean_flicks == pytest.approx(expected["ASN"], abs=1e-6)


def test_wald_lines_at_the_usual_figures() -> None:
    expected = COMPUTED["wald_line_untruncated"]
    intercept = np.log(0.99 / 0.01) / log_odds_ratio(USUAL)
    plan = plan_from_lines(slope(USUAL), intercept, intercept, 90, 12000)
    assert list(plan.accept_at[:3]) == expected["accept_at"]
    assert plan.reject_until[:2] == (expected["second_rejects_until"], expected["third_rejects_until"])
    for share, accept, mean in zip(expected["over_share"], expected["accept"], expected["mean_flicks"], strict=True):
        found = plan.characteristic(share)
        assert found.accept == pytest.approx(accept, abs=6e-4 if 0.001 < share < 0.02 else 6e-6)
        assert found.mean_flicks == pytest.approx(mean, abs=0.06)


def enumerated(plan: CountPlan, share: float) -> tuple[float, float, float, float]:
    """Accept, reject, undecided and mean flicks by walking every possible row of flicks."""
    totals = np.zeros(4)
    for row in itertools.product((0, 1), repeat=plan.last):
        seen = 0
        for n, hit in enumerate(row, start=1):
            seen += hit
            if plan.rejects(n, seen) or plan.accepts(n, seen) or n == plan.last:
                break
        outcome = 1 if plan.rejects(n, seen) else 0 if plan.accepts(n, seen) else 2
        weight = share ** sum(row) * (1 - share) ** (plan.last - sum(row))
        totals += weight * np.array([outcome == 0, outcome == 1, outcome == 2, n])
    return tuple(totals)


@pytest.mark.parametrize("share", [0.03, 0.3, 0.8])
@pytest.mark.parametrize(
    "plan",
    [
        CountPlan((4, 7, 9), 2, (5, 9), 9),
        CountPlan((3, 3, 10), 1, (2, 6, 10), 10),
        CountPlan((9,), 1, (9,), 9),
        CountPlan((), 2, (4, 8, 11), 11),
        CountPlan((5, 8), 2, (8,), 11),
    ],
)
def test_characteristic_equals_enumeration(plan: CountPlan, share: float) -> None:
    found = plan.characteristic(share)
    assert (found.accept, found.reject, found.undecided, found.mean_flicks) == pytest.approx(enumerated(plan, share), abs=1e-12)


def test_exact_binomial_limits() -> None:
    """Exact limits for 4 of 20 at 90 % (NIST/SEMATECH e-Handbook 7.2.4.2): each tail holds 5 % at its limit."""
    entry = next(one for one in json.loads((DATA / "binomial_intervals.json").read_text())["entries"] if one["inputs"].get("n") == 20)
    low, high = entry["expected"]["interval"]
    assert binomial_chances(20, high, 5).sum() == pytest.approx(0.05, abs=1e-9)
    assert 1.0 - binomial_chances(20, low, 4).sum() == pytest.approx(0.05, abs=1e-9)


@pytest.mark.parametrize(("risks", "plan"), list(WORKED.items()))
def test_worked_plans_hold_their_risks(risks: Risks, plan: CountPlan) -> None:
    assert plan.characteristic(risks.share_good).reject <= risks.producer
    assert plan.characteristic(risks.share_bad).accept <= risks.consumer
    assert plan.characteristic(0.01).undecided == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("risks", list(WORKED))
def test_worked_plans_are_as_short_as_the_search_finds(risks: Risks) -> None:
    worked, found = count_plan(risks, 450), search(risks, 450)
    assert found is not None
    assert worked is WORKED[risks]
    shares = (0.1 * risks.share_good, risks.share_good, risks.share_bad)
    cost = [sum(plan.characteristic(share).mean_flicks for share in shares) for plan in (worked, found)]
    assert cost[0] <= 1.01 * cost[1]
    assert worked.accept_at[0] <= found.accept_at[0]


def test_the_plan_behind_the_gate_has_its_known_figures() -> None:
    expected, plan = COMPUTED["count_behind_gate"], WORKED[BEHIND_GATE]
    assert (plan.accept_at, plan.reject_first, plan.reject_until) == ((201, 400, 440), 2, (60, 440))
    assert plan.characteristic(0.001).reject == pytest.approx(expected["producer_risk"], abs=6e-6)
    assert plan.characteristic(0.025).accept == pytest.approx(expected["consumer_risk"], abs=6e-6)
    for share, mean in zip(expected["over_share"], expected["mean_flicks"], strict=True):
        assert plan.characteristic(share).mean_flicks == pytest.approx(mean, abs=0.51)


ADMISSIBLE = [
    (Risks(0.001, 0.025, 0.01, 0.007), 449),
    (Risks(0.001, 0.025, 0.01, 0.01), 334),
    (Risks(0.01, 0.05, 0.05, 0.05), 1000),
    (Risks(0.05, 0.3, 0.05, 0.05), 60),
    (Risks(1e-6, 0.5, 0.01, 0.01), 100),
    (Risks(0.002, 0.01, 0.001, 0.2), 3000),
    (Risks(0.3, 0.9, 0.1, 0.001), 50),
    (Risks(0.01, 0.02, 0.01, 0.01), 20_000),
    (Risks(1e-12, 0.999, 0.4, 0.4), 5),
]


@pytest.mark.parametrize(("risks", "flicks_max"), ADMISSIBLE)
def test_any_admissible_figures_are_held_exactly(risks: Risks, flicks_max: int) -> None:
    plan, fixed = count_plan(risks, flicks_max), fixed_attributes(risks)
    assert plan is not None
    assert fixed is not None
    good, bad = plan.characteristic(risks.share_good), plan.characteristic(risks.share_bad)
    assert good.reject <= risks.producer
    assert bad.accept <= risks.consumer
    assert good.undecided == pytest.approx(0.0, abs=1e-9)
    assert plan.last <= flicks_max
    assert list(plan.accept_at) == sorted(plan.accept_at)
    assert list(plan.reject_until) == sorted(plan.reject_until)
    assert good.mean_flicks <= fixed.flicks
    if fixed.flicks * 1.3 < flicks_max and fixed.accept_most > 1:
        assert good.mean_flicks < 0.85 * fixed.flicks


@pytest.mark.parametrize(("risks", "flicks_max"), [(USUAL, 333), (BEHIND_GATE, 350), (Risks(0.01, 0.011, 0.01, 0.01), 5000), (USUAL, 1)])
def test_too_few_flicks_for_the_risks(risks: Risks, flicks_max: int) -> None:
    assert count_plan(risks, flicks_max) is None
    plan = rejection_only(risks, flicks_max)
    good, bad = plan.characteristic(risks.share_good), plan.characteristic(risks.share_bad)
    assert (good.accept, bad.accept, plan.last) == (0.0, 0.0, flicks_max)
    assert good.reject <= risks.producer
    assert good.reject <= bad.reject
