"""Nothing but whole evidence can lead to a pass."""

from dataclasses import replace

import numpy as np
import pytest

from station.records import FlickTable, Score, Verdict
from station.service.evidence import SealedEvidence, conclude, seal
from tests.station.service.words import IDENTITY, INPUTS, STICK, evidence

NO_FLICKS = FlickTable(np.empty(0, np.int8), {}, ())


def score(verdict: Verdict, *reasons: str) -> Score:
    return Score(verdict, reasons, {}, {}, NO_FLICKS)


def test_whole_evidence_is_sealed_and_may_pass() -> None:
    sealed = seal(evidence())
    assert isinstance(sealed, SealedEvidence)
    assert conclude(sealed, {"main": score(Verdict.PASS)}) == (Verdict.PASS, ())


def test_sealed_evidence_cannot_be_made_by_hand() -> None:
    with pytest.raises(TypeError):
        SealedEvidence(evidence(), object())


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"sticks": (replace(STICK, samples_received=149_999),)}, "rig-link"),
        ({"sticks": (replace(STICK, contiguous=False),)}, "rig-link"),
        ({"sticks": (replace(STICK, missing_flicks=("x+",)),)}, "rig-stimulus"),
        ({"sticks": (replace(STICK, tick_span_s=15.1),)}, "rig-clock"),
        ({"boot_after": 8}, "rig-link"),
        ({"fault_after": "OVERRUN"}, "rig-link"),
        ({"inputs_after": replace(INPUTS, stop_events=1)}, "rig-stop"),
        ({"inputs_after": replace(INPUTS, stop_good=False)}, "rig-stop"),
        ({"inputs_after": replace(INPUTS, guard_openings=3)}, "rig-guard"),
        ({"inputs_after": replace(INPUTS, guard_closed=False)}, "rig-guard"),
        ({"inputs_after": replace(INPUTS, clamp_openings=4)}, "rig-clamp"),
        ({"inputs_after": replace(INPUTS, clamp_closed=False)}, "rig-clamp"),
        ({"supply_before_v": 2.9, "supply_after_v": 2.9}, "rig-supply"),
        ({"supply_before_v": float("nan")}, "rig-supply"),
        ({"supply_after_v": 3.25}, "rig-supply"),
        ({"supply_after_v": float("nan")}, "rig-supply"),
        ({"rig_seconds": 15.3}, "rig-clock"),
        ({"rig_seconds": 14.7}, "rig-clock"),
        ({"calibration": ""}, "rig-calibration"),
        ({"calibration_problem": "Calibration C-1 ran out during the run."}, "rig-calibration"),
    ],
)
def test_one_thing_amiss_is_enough(changes: dict[str, object], reason: str) -> None:
    found = seal(evidence(**changes))
    assert not isinstance(found, SealedEvidence)
    assert [one.reason for one in found] == [reason]
    assert found[0].sentence.endswith(".")


def test_all_that_is_amiss_is_told() -> None:
    found = seal(evidence(boot_after=IDENTITY.boot + 1, supply_after_v=3.0))
    assert not isinstance(found, SealedEvidence)
    assert [one.reason for one in found] == ["rig-link", "rig-supply"]


@pytest.mark.parametrize(
    ("scores", "expected"),
    [
        ({"left": score(Verdict.PASS), "right": score(Verdict.FAIL, "snapback:x+")}, (Verdict.FAIL, ("snapback:x+",))),
        ({"left": score(Verdict.UNDECIDED, "missing-group:y-"), "right": score(Verdict.PASS)}, (Verdict.UNDECIDED, ("missing-group:y-",))),
        (
            {"left": score(Verdict.FAIL, "snapback:x+"), "right": score(Verdict.INVALID, "bad-recording")},
            (Verdict.INVALID, ("bad-recording",)),
        ),
        ({}, (Verdict.UNDECIDED, ())),
    ],
)
def test_precedence_over_sticks(scores: dict[str, Score], expected: tuple[Verdict, tuple[str, ...]]) -> None:
    sealed = seal(evidence())
    assert isinstance(sealed, SealedEvidence)
    assert conclude(sealed, scores) == expected


def test_a_run_without_sticks_never_passes() -> None:
    sealed = seal(evidence(sticks=()))
    assert isinstance(sealed, SealedEvidence)
    assert conclude(sealed, {"main": score(Verdict.PASS)})[0] is Verdict.UNDECIDED
