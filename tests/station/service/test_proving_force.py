"""Whether a rig is proven: age, flicks, firmware, reference unit."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from station.proof import Calibration, Deviation, ReferenceCheck, ReferenceUnit, ReferenceValue
from station.service.proving.conductor import summary
from station.service.proving.force import ProofFacts, proof_of
from tests.station.service.books import calibration_there
from tests.station.service.words import IDENTITY

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SHIFT = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
MADE = NOW - timedelta(days=10)
VALUE = ReferenceValue(12.0, 0.5)
UNIT = ReferenceUnit("REF-1", "dunlin-2", "RP-1", True, {"main": {"x+": {"peak_counts": VALUE}}}, "dunlin-2 A", 1, "tester", MADE)


def calibration() -> Calibration:
    return calibration_there(IDENTITY.rig_id, IDENTITY.firmware, MADE)


def check(measured: float = 12.1) -> ReferenceCheck:
    deviation = Deviation("main", "x+", "peak_counts", measured, VALUE)
    at = SHIFT + timedelta(minutes=5)
    words = ("mossgate-1", "rig-1", IDENTITY.rig_id, True, IDENTITY.firmware, "C-1", "REF-1", "dunlin-2")
    return ReferenceCheck(1, 2, *words, (deviation,), "tester", at)


def blocks(facts: ProofFacts, now: datetime = NOW) -> str:
    return " ".join(proof_of("rig-1", facts, IDENTITY, now, SHIFT, 0).blocks)


GOOD = ProofFacts(calibration(), 1_000, (UNIT,), check())


def test_a_proven_rig_has_nothing_against_it() -> None:
    proof = proof_of("rig-1", GOOD, IDENTITY, NOW, SHIFT, 0)
    assert (proof.valid, proof.blocks, proof.warns, proof.reference_due) == (True, (), (), False)
    assert (proof.flicks_left, round(proof.days_left)) == (499_000, 80)


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        (replace(GOOD, calibration=None), "no accepted calibration"),
        (replace(GOOD, flicks=500_000), "500000 flicks"),
        (replace(GOOD, calibration=replace(calibration(), valid_until=NOW - timedelta(seconds=1))), "ran out on 2026-11-25"),
        (replace(GOOD, calibration=replace(calibration(), firmware="other")), "firmware"),
        (replace(GOOD, check=None), "REF-1 is due"),
        (replace(GOOD, check=replace(check(), at=SHIFT - timedelta(seconds=1))), "REF-1 is due"),
        (replace(GOOD, check=replace(check(), calibration="C-0")), "REF-1 is due"),
        (replace(GOOD, check=replace(check(), firmware="other")), "REF-1 is due"),
        (replace(GOOD, check=check(12.6)), "peak_counts 12.6, expected 12 within 0.5"),
        (replace(GOOD, check=check(float("nan"))), "peak_counts nan"),
    ],
)
def test_what_blocks_says_so(facts: ProofFacts, says: str) -> None:
    assert says in blocks(facts)


def test_an_outcome_with_an_unmeasured_figure_is_still_json() -> None:
    told = summary(check(float("nan")))
    assert json.loads(json.dumps(told, allow_nan=False))["deviations"][0]["measured"] is None
    assert not told["accepted"]


def test_a_check_without_figures_is_not_within() -> None:
    assert not replace(check(), deviations=()).within


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        (replace(GOOD, flicks=460_000), "40000 more flicks"),
        (
            replace(GOOD, calibration=replace(calibration(), made_at=NOW - timedelta(days=85), valid_until=NOW + timedelta(days=5))),
            "5.0 days",
        ),
        (replace(GOOD, units=(), check=None), "no reference unit"),
    ],
)
def test_what_is_near_its_end_warns_and_blocks_nothing(facts: ProofFacts, says: str) -> None:
    proof = proof_of("rig-1", facts, IDENTITY, NOW, SHIFT, 0)
    assert proof.blocks == ()
    assert says in " ".join(proof.warns)
