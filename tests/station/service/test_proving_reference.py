"""Values of a reference unit, checks against them, and each ill of a rig found by name."""

import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from station.errors import UsageError
from station.proof import Deviation, Kind, ReferenceCheck, ReferenceUnit, ReferenceValue, StepResult
from station.service.proving.measured_causes import likely_causes
from station.service.proving.measured_reference import FLOORS, SPREAD_SD, deviations, reference_values
from station.service.proving.measured_steps import CAUTION
from station.service.proving.reference_course import ReferenceCheckCourse, ReferenceValuesCourse
from station.specification import Specification
from tests.station.service.proving_bench import ProvingRig, json_copy, proving_rig, unit

SERIAL, OTHER = "DN2-R0001", "DN2-R0002"
VALUES = {"serial": SERIAL, "product": "dunlin-2"}
AT = datetime(2026, 7, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def known(dunlin: Specification) -> ReferenceUnit:
    """The unit's values, found on a healthy rig."""
    outcome = proving_rig(dunlin, [unit(SERIAL)]).carry_through(ReferenceValuesCourse(), Kind.REFERENCE_VALUES, VALUES)
    assert isinstance(outcome, ReferenceUnit)
    return outcome


def checked(rig: ProvingRig) -> ReferenceCheck:
    outcome = rig.carry_through(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {})
    assert isinstance(outcome, ReferenceCheck)
    return outcome


def rig_with(specification: Specification, known: ReferenceUnit, seed: int = 11) -> ProvingRig:
    """Another life of the rig, with values found before."""
    rig = proving_rig(specification, [unit(SERIAL)], seed)
    rig.units = [known]
    return rig


def test_values_are_what_the_unit_truly_has(known: ReferenceUnit) -> None:
    values = known.values["main"]
    assert (known.serial, known.product, known.specification, known.emulated) == (SERIAL, "dunlin-2", "dunlin-2 A", True)
    for group in ("x+", "x-", "y+", "y-"):
        assert values[group]["reach_counts"].value == pytest.approx(77.0, abs=0.3)
        assert values[group]["push_s"].value == pytest.approx(0.8 * 25.0 / 1200.0, abs=0.0001)
    assert values["x"]["rest_counts"].value == pytest.approx(128.0, abs=0.2)
    assert values["supply"]["supply_v"].value == pytest.approx(3.302, abs=0.002)
    assert {figure for places in values.values() for figure in places} == set(FLOORS)
    for places in values.values():
        for figure, one in places.items():
            assert one.limit >= FLOORS[figure]


def test_healthy_checks_are_within(dunlin: Specification, known: ReferenceUnit) -> None:
    rig = rig_with(dunlin, known)
    found = [checked(rig) for _ in range(5)]
    assert [one.within for one in found] == [True] * 5
    assert (found[0].calibration, found[0].firmware, found[0].by) == ("C-1", rig.identity.firmware, "Anna")
    assert len(found[0].deviations) == 4 * 6 + 2 * 2 + 2 + 1
    assert likely_causes(found[0]) == ()


@pytest.mark.parametrize(
    ("kind", "ill", "figure", "name"),
    [
        ("converter", {"reference_error": 0.006}, "supply_v", "Drifting sampler"),
        ("converter", {"noise_v": 0.003}, "noise_counts", "Noisy sampler"),
        ("servo", {"wear_deg": 0.6}, "release_s", "Worn finger"),
        ("servo", {"clamp_play_deg": 1.0}, "push_jitter_s", "Loose clamp"),
        ("servo", {"slew_deg_s": 1140.0}, "push_s", "Slow servo"),
        ("servo", {"latency_s": 0.0067}, "push_latency_s", "Late servo"),
        ("servo", {"release_jitter_deg": 0.9}, "release_jitter_s", "Uneven release"),
    ],
)
def test_every_ill_of_the_rig_is_found_by_name(
    dunlin: Specification, known: ReferenceUnit, kind: str, ill: dict[str, float], figure: str, name: str
) -> None:
    rig = rig_with(dunlin, known)
    getattr(rig.ills, kind)(**ill)
    check = checked(rig)
    assert not check.within
    assert figure in {one.figure for one in check.deviations if not one.within}
    assert name in likely_causes(check)[0]


def test_a_drift_is_found_once_it_has_come_far_enough(dunlin: Specification, known: ReferenceUnit) -> None:
    """2e-5 a second: 0.4 % of the supply, the limit of 12 mV at 3.3 V, is reached after 182 s."""
    rig = rig_with(dunlin, known)
    rig.ills.converter(reference_drift_s=2e-5)
    assert checked(rig).within
    rig.wait(250.0)
    check = checked(rig)
    assert {one.figure for one in check.deviations if not one.within} == {"supply_v"}


def test_another_unit_in_the_clamp_is_off(dunlin: Specification, known: ReferenceUnit) -> None:
    rig = proving_rig(dunlin, [unit(SERIAL, damping_plus=0.40, damping_minus=0.40)])
    rig.units = [known]
    check = checked(rig)
    assert {one.figure for one in check.deviations if not one.within} >= {"peak_counts"}
    assert likely_causes(check)[-1].startswith("The unit itself")


def test_a_check_without_values_is_refused_before_anything_moves(dunlin: Specification, known: ReferenceUnit) -> None:
    rig = proving_rig(dunlin, [unit(SERIAL)])
    with pytest.raises(UsageError, match=r"it has none: find the values of one first"):
        rig.begin(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {"serial": SERIAL})
    rig.units = [replace(known, rig_id="rig-9")]
    with pytest.raises(UsageError, match="rig-1"):
        rig.begin(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {"serial": SERIAL})
    rig.units = [known, replace(known, serial=OTHER)]
    with pytest.raises(UsageError, match=r"serial is missing; expected one of .*DN2-R0001, DN2-R0002"):
        rig.begin(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {})
    with pytest.raises(UsageError, match=r"serial is 'DN2-X'; expected one of"):
        rig.begin(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {"serial": "DN2-X"})
    assert rig.begin(ReferenceCheckCourse(rig.units_of), Kind.REFERENCE_CHECK, {"serial": OTHER}).opening.plan["serial"] == OTHER


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"product": "dunlin-2"}, "serial is missing"),
        ({"serial": SERIAL, "product": "starling"}, "product is 'starling'"),
        ({**VALUES, "repeats": 2}, "repeats is '2'; expected a whole number from 3 to 50"),
        ({**VALUES, "limits": {"settle_s": 1.0}}, "limits.settle_s"),
        ({**VALUES, "again": 1}, "again"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_by_key(dunlin: Specification, asked: dict[str, Any], said: str) -> None:
    rig = proving_rig(dunlin, [unit(SERIAL)])
    with pytest.raises(UsageError, match=said):
        rig.begin(ReferenceValuesCourse(), Kind.REFERENCE_VALUES, asked)


def test_every_step_warns_before_the_finger_moves(dunlin: Specification) -> None:
    course = ReferenceValuesCourse()
    plan = course.plan({**VALUES, "repeats": 4}, proving_rig(dunlin, [unit(SERIAL)]).identity, lambda product: dunlin)
    steps = course.steps(plan)
    assert [step.position for step in steps] == [1, 2, 3, 4]
    for step in steps:
        assert step.moves
        assert step.unit == SERIAL
        assert step.says[0] == CAUTION
        for word in ("pinch", "guard", "mergency stop", "local rules", "qualified"):
            assert word in " ".join(step.says)
        assert max(len(line) for line in step.says) <= 125


def made(values: list[float], scatter: float, figure: str = "peak_counts") -> list[dict[str, Any]]:
    """Repeats of one figure of one group."""
    return [{"sticks": {"main": {"x+": {figure: value}}}, "scatter": {"main": {"x+": {figure: scatter}}}} for value in values]


def test_limits_are_floor_or_four_standard_deviations_or_what_was_asked() -> None:
    """By hand: 1, 2, 3 have a standard deviation of 1; flicks that scatter by 6 leave the mean of nine 2."""
    steady = reference_values(made([2.0, 2.0, 2.0], 0.0), 8, {})["main"]["x+"]["peak_counts"]
    assert steady == ReferenceValue(2.0, FLOORS["peak_counts"])
    between = reference_values(made([1.9, 2.0, 2.1], 0.0, "reach_counts"), 8, {})["main"]["x+"]["reach_counts"]
    assert between.limit == pytest.approx(max(SPREAD_SD * 0.1, 0.5))
    within = reference_values(made([2.0, 2.0, 2.0], 1.5), 9, {})["main"]["x+"]["peak_counts"]
    assert within.limit == pytest.approx(SPREAD_SD * 0.5)
    asked = reference_values(made([1.0, 2.0, 3.0], 0.0), 8, {"peak_counts": 0.7})["main"]["x+"]["peak_counts"]
    assert asked == ReferenceValue(2.0, 0.7)


def test_a_unit_that_scatters_too_much_is_no_reference() -> None:
    with pytest.raises(UsageError, match=r"peak_counts scatters by 1 .*loose clamp"):
        reference_values(made([1.0, 2.0, 3.0], 0.0), 8, {})


def test_a_figure_that_was_not_measured_is_asked_for_again() -> None:
    repeats = made([1.0, 2.0, 3.0], 0.0)
    repeats[1]["sticks"]["main"]["x+"]["peak_counts"] = None
    with pytest.raises(UsageError, match="missing in measurement 2"):
        reference_values(repeats, 8, {})


def test_a_figure_that_is_missing_in_a_check_is_not_within(known: ReferenceUnit) -> None:
    figures = {"specification": "dunlin-2 A", "sticks": {"main": {"x+": {"peak_counts": None}}}}
    found = deviations(known, StepResult(1, "measure", json_copy(figures), "Anna", AT))
    assert all(math.isnan(one.measured) and not one.within for one in found)
    check = ReferenceCheck(0, 1, "mossgate-1", "rig-1", "rig-1", True, "emulated-1.0", "", SERIAL, "dunlin-2", found, "Anna", AT)
    assert "could not be measured" in likely_causes(check)[-1]
    assert isinstance(found[0], Deviation)


def test_steps_of_two_specifications_are_not_mixed(dunlin: Specification) -> None:
    rig, course = proving_rig(dunlin, [unit(SERIAL)]), ReferenceValuesCourse()
    procedure = rig.go_on(course, rig.begin(course, Kind.REFERENCE_VALUES, {**VALUES, "repeats": 3, "flicks": 2}), 2)
    with pytest.raises(UsageError, match="1 steps have no result"):
        rig.conclude(course, procedure)
    rig.specification = dunlin.model_copy(update={"revision": "B"})
    with pytest.raises(UsageError, match=r"dunlin-2 A, dunlin-2 B; expected one"):
        rig.conclude(course, rig.go_on(course, procedure))
