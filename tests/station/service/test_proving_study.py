"""Gauge and type 1 studies over the real bytes: order, resuming, and what they find."""

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from db.migrate import create_or_require
from db.proof import ProofStore
from db.store import SqlStore
from station.errors import UsageError
from station.proof import Kind, ReferenceUnit, ReferenceValue, Standing, Study
from station.service.proving.measured_steps import CAUTION
from station.service.proving.reference_course import ReferenceValuesCourse
from station.service.proving.study_course import GaugeStudyCourse, drawn_order
from station.service.proving.type1_course import Type1Course
from station.specification import Specification
from tests.station.service.proving_bench import ProvingRig, json_copy, proving_rig, unit

PARTS = ("DN2-P0001", "DN2-P0002", "DN2-P0003")
DAMPING = (0.42, 0.46, 0.50)
ASKED: dict[str, Any] = {"product": "dunlin-2", "parts": list(PARTS), "operators": ["Anna", "Ben"], "trials": 2, "flicks": 4, "seed": 4}
COURSE = GaugeStudyCourse()


def study_rig(specification: Specification, seed: int = 7) -> ProvingRig:
    """Three parts whose peaks lie some two counts apart."""
    parts = [unit(serial, damping_plus=damping, damping_minus=damping) for serial, damping in zip(PARTS, DAMPING, strict=True)]
    return proving_rig(specification, parts, seed)


@pytest.fixture(scope="module")
def rig(dunlin: Specification) -> ProvingRig:
    return study_rig(dunlin)


def test_the_order_is_drawn_in_blocks_and_is_the_same_for_the_same_seed() -> None:
    order = drawn_order(5, 3, 4, 11)
    assert order == drawn_order(5, 3, 4, 11)
    assert order != drawn_order(5, 3, 4, 12)
    assert Counter(order) == Counter((part, who, trial) for part in range(1, 6) for who in range(1, 4) for trial in range(1, 5))
    for block in range(12):  # one operator measures all parts of a trial before the next comes
        inside = order[5 * block : 5 * block + 5]
        assert len({(who, trial) for _, who, trial in inside}) == 1
        assert inside[0][2] == 1 + block // 3
    assert len({tuple(part for part, _, _ in order[5 * k : 5 * k + 5]) for k in range(12)}) > 6


def test_every_place_comes_first_equally_often() -> None:
    """Lots drawn 600 times: each of six first places 100 times, give or take four standard deviations of a binomial law, 36."""
    first = Counter(drawn_order(3, 2, 2, seed)[0][:2] for seed in range(600))
    assert len(first) == 6
    assert all(abs(count - 100) < 37 for count in first.values())


def test_steps_say_who_and_which_part(rig: ProvingRig) -> None:
    plan = rig.begin(COURSE, Kind.GAUGE_STUDY, ASKED).opening.plan
    steps = COURSE.steps(plan)
    assert len(steps) == 12
    assert len({step.name for step in steps}) == 12
    for step, (part, who, trial) in zip(steps, plan["order"], strict=True):
        assert (step.unit, step.operator) == (PARTS[part - 1], ("Anna", "Ben")[who - 1])
        assert step.title == f"Trial {trial} of 2, {step.operator}: part {part}"
        assert step.says[0] == CAUTION
        assert step.says[1].startswith(step.operator)
        assert f"part {part}" in " ".join(step.says)


def test_a_study_in_two_lives_is_the_study_in_one(tmp_path: Path, dunlin: Specification) -> None:
    """Life one ends in the middle; the second knows only the database. The document is that of all measurements in one hand."""
    rig, url = study_rig(dunlin), f"sqlite:///{tmp_path / 'results.db'}"
    create_or_require(url)
    first = SqlStore(url, "mossgate-1")
    begun = rig.begin(COURSE, Kind.GAUGE_STUDY, ASKED)
    begun = replace(begun, number=ProofStore(first.database, "mossgate-1").begin_procedure(begun.opening))
    whole = rig.go_on(COURSE, begun, 5)
    for result in whole.results:
        ProofStore(first.database, "mossgate-1").keep_step(begun.number, result)
    first.close()
    rig.driver.close()

    rig.begin_life()
    second = SqlStore(url, "mossgate-1")
    book = ProofStore(second.database, "mossgate-1")
    kept = book.open_procedure("rig-1")
    assert kept is not None
    assert kept.done == frozenset(range(1, 6))
    kept = rig.go_on(GaugeStudyCourse(), kept)
    for result in kept.results[5:]:
        book.keep_step(kept.number, result)
    outcome = book.conclude(kept.number, GaugeStudyCourse().conclude(book.procedure(kept.number), rig.around()), rig.clock.utc())
    assert isinstance(outcome, Study)
    assert book.procedure(kept.number).standing is Standing.DONE

    in_one_hand = rig.conclude(COURSE, replace(whole, results=(*whole.results, *kept.results[5:])))
    assert isinstance(in_one_hand, Study)
    assert json_copy(outcome.document) == json_copy(in_one_hand.document)
    assert outcome.peak_u_counts == in_one_hand.peak_u_counts
    stored = book.studies("dunlin-2", True)[0]
    assert json_copy(stored.document) == json_copy(outcome.document)
    second.close()
    require_found(outcome)


def require_found(study: Study) -> None:
    """What the study must say of parts two counts apart, measured by means of four flicks that scatter by half a count."""
    assert (study.kind, study.product, study.specification, study.problems) == (Kind.GAUGE_STUDY, "dunlin-2", "dunlin-2 A", ())
    assert 0.1 < study.peak_u_counts < 0.7
    for group in ("x+", "x-", "y+", "y-"):
        figure = study.document["figures"][f"main {group} peak_counts"]
        assert figure["standing"] == "accepted"
        assert 1.0 < figure["part_sd"] < 4.0
    assert [row["part"] for row in study.document["rows"]] == [PARTS[part - 1] for part, _, _ in study.document["plan"]["order"]]
    assert study.document["notes"] == []
    assert not [name for name in study.document["figures"] if "jitter" in name or "latency" in name or "supply" in name]


def test_steps_signed_by_another_are_noted(rig: ProvingRig) -> None:
    procedure = rig.go_on(COURSE, rig.begin(COURSE, Kind.GAUGE_STUDY, {**ASKED, "flicks": 2, "parts": list(PARTS[:2])}))
    results = tuple(replace(one, by="Carl") if one.position == 3 else one for one in procedure.results)
    study = rig.conclude(COURSE, replace(procedure, results=results))
    assert isinstance(study, Study)
    (note,) = study.document["notes"]
    assert "3 (planned" in note
    assert "done by Carl" in note
    rig.specification, known = rig.specification.model_copy(update={"revision": "B"}), rig.specification
    with pytest.raises(UsageError, match="in force is dunlin-2 B"):
        rig.conclude(COURSE, procedure)
    rig.specification = known


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"parts": [PARTS[0]]}, "parts .*expected 2 to 50 different serial numbers"),
        ({"operators": ["Anna", "Anna"]}, "operators"),
        ({"trials": 1}, "trials is '1'; expected a whole number from 2 to 20"),
        ({"seed": -1}, "seed"),
        ({"product": "starling"}, "product is 'starling'"),
        ({"order": []}, "order"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_by_key(rig: ProvingRig, changed: dict[str, Any], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        rig.begin(COURSE, Kind.GAUGE_STUDY, {**ASKED, **changed})


def test_a_type_1_study_finds_bias_and_spread(dunlin: Specification) -> None:
    rig = study_rig(dunlin)
    rig.carry_through(
        ReferenceValuesCourse(), Kind.REFERENCE_VALUES, {"serial": PARTS[1], "product": "dunlin-2", "repeats": 3, "flicks": 4}
    )
    course = Type1Course(rig.units_of)
    procedure = rig.go_on(course, rig.begin(course, Kind.TYPE_1_STUDY, {"flicks": 2}))
    assert len(procedure.results) == 25
    study = rig.conclude(course, procedure)
    assert isinstance(study, Study)
    json_copy(study.document)
    figures = study.document["figures"]
    assert len(figures) == 4 * 3 + 2 * 2
    assert figures["main x+ reach_counts"]["cg"] > 1.33
    assert figures["main x+ peak_counts"]["tolerance"] == pytest.approx(2.0 * (22.0 - figures["main x+ peak_counts"]["reference"]))
    assert 0.1 < figures["main x+ peak_counts"]["repeatability_sd"] < 0.9

    shifted = {**procedure.opening.plan["references"]}
    shifted["main x rest_counts"] += 1.5  # a rig that reads 1.5 counts low
    biased = rig.conclude(
        course, replace(procedure, opening=replace(procedure.opening, plan={**procedure.opening.plan, "references": shifted}))
    )
    assert isinstance(biased, Study)
    assert not biased.accepted
    assert any("main x rest_counts" in one and "Cgk" in one for one in biased.problems)


def test_a_type_1_study_wants_a_reference_unit_and_enough_repeats(dunlin: Specification) -> None:
    rig = study_rig(dunlin)
    course = Type1Course(rig.units_of)
    with pytest.raises(UsageError, match="it has none: find the values of one first"):
        rig.begin(course, Kind.TYPE_1_STUDY, {})
    value = {"main": {"x+": {"peak_counts": ReferenceValue(14.0, 0.5)}}}
    rig.units = [known_unit(rig, value)]
    with pytest.raises(UsageError, match="repeats is '24'; expected a whole number from 25 to 200"):
        rig.begin(course, Kind.TYPE_1_STUDY, {"repeats": 24})
    with pytest.raises(UsageError, match=r"tolerances\.settle_s"):
        rig.begin(course, Kind.TYPE_1_STUDY, {"tolerances": {"settle_s": 1.0}})
    plan = rig.begin(course, Kind.TYPE_1_STUDY, {"tolerances": {"peak_counts": 8.0}}).opening.plan
    assert plan["references"] == {"main x+ peak_counts": 14.0}
    assert (plan["repeats"], plan["product"], plan["tolerances"]) == (25, "dunlin-2", {"peak_counts": 8.0})


def known_unit(rig: ProvingRig, values: dict[str, dict[str, dict[str, ReferenceValue]]]) -> ReferenceUnit:
    one = rig.identity
    return ReferenceUnit(PARTS[0], "dunlin-2", one.rig_id, one.emulated, values, "dunlin-2 A", 1, "Anna", rig.clock.utc())
