"""The ledger and what it teaches: comparisons of emulated retests, and lots of known track recovered."""

import json
from dataclasses import replace

import numpy as np
import pytest

from station.errors import UsageError
from station.judge.advice import Track
from station.judge.learning import Comparison, compare_retest, comparison_from, estimate_source, track_for
from station.judge.learning_estimate import USABLE_FROM
from station.judge.retest import checks_of, retest_document
from station.records import Fitted, UnitIdentity
from station.specification import Specification
from tests.station.judge.emulated_returns import recorded, stick_of, with_parts

X = ("x+", "x-")
PART_F = 4.7e-7
NOMINAL = Track(10_000.0, 0.20)


def compared(dunlin: Specification, seed: int, track_ohm: float, acts_f: float = PART_F, track: Track = NOMINAL) -> Comparison:
    """A unit of lot ML-2607 whose x has this track, tested, fitted with 0.47 uF, tested again."""
    stick = stick_of(np.random.default_rng(seed), 24.0, 87.0, track_ohm)
    first, second = recorded(stick, X * 8, 2 * seed), recorded(with_parts(stick, acts_f), X * 12, 2 * seed + 1)
    checks = checks_of(first, second, dunlin, Fitted(), Fitted(PART_F), track)
    assert retest_document(checks, dunlin, track)["axes"]["x"]["finding"] == checks["x"].finding
    assert compare_retest(checks["y"], UnitIdentity("DN2-1", "dunlin-2"), "y", 1, 2, track) is None
    unit = UnitIdentity(f"DN2-{seed:05d}", "dunlin-2", "ML-2607")
    found = compare_retest(checks["x"], unit, "x", 10 * seed, 10 * seed + 1, track)
    assert found is not None
    return found


def made(serial: int = 1, lot: str = "ML-2607", **figures: object) -> Comparison:
    """A comparison whose reading is residual / -5 with u 0.1, unless told otherwise."""
    given = {
        "product": "dunlin-2", "lot": lot, "serial": f"DN2-{serial:05d}", "stick": "main", "axis": "x", "run_before": serial,
        "run_after": serial + 1, "before_f": 0.0, "fitted_f": PART_F, "track_ohm": 10_000.0, "track_source": "specification",
        "predicted_peak_counts": 19.0, "measured_peak_counts": 19.0, "residual_counts": 0.0, "u_counts": 0.5, "peak_per_ohm": -5e-4,
        "predicted_return_s": 0.003, "measured_return_s": 0.003, "predicted_lag_s": 0.0011, "measured_lag_s": 0.0011,
        "finding": "as-recorded",
    }  # fmt: skip
    return Comparison(**{**given, **figures})  # type: ignore[arg-type]


def test_a_comparison_reads_the_track(dunlin: Specification) -> None:
    """Residual over sensitivity is ln(track / nominal), whichever side it lies on, within its stated uncertainty."""
    shifts = [0.85, 1.0, 1.18]
    found = [compared(dunlin, seed, 10_000.0 * shift) for seed, shift in enumerate(shifts, 1)]
    for one, shift in zip(found, shifts, strict=True):
        assert one.finding == "as-recorded"
        assert one.teaches
        assert one.residual_counts == pytest.approx(one.measured_peak_counts - one.predicted_peak_counts)
        assert 0.04 < one.u_ln < 0.15
        assert one.ln_shift == pytest.approx(np.log(shift), abs=2.0 * one.u_ln)
    assert found[0].ln_shift < found[1].ln_shift < found[2].ln_shift


def test_the_sensitivity_is_the_difference_of_two_predictions(dunlin: Specification) -> None:
    """d(peak)/dR from one check against checks that are told another track."""
    here = compared(dunlin, 4, 10_000.0)
    low, high = (compared(dunlin, 4, 10_000.0, track=Track(ohm, 0.2)) for ohm in (9_500.0, 10_500.0))
    slope = (high.predicted_peak_counts - low.predicted_peak_counts) / 1000.0
    assert here.peak_per_ohm == pytest.approx(slope, rel=0.03)
    assert here.peak_per_ohm < 0.0


def test_a_part_that_does_not_act_teaches_nothing(dunlin: Specification) -> None:
    dry = compared(dunlin, 5, 10_000.0, acts_f=0.0)
    assert dry.finding == "not-acting"
    assert not dry.teaches
    assert estimate_source([dry], dunlin).retests == 0
    assert not made(fitted_f=0.0).teaches
    assert not made(before_f=PART_F).teaches


def test_a_comparison_survives_json(dunlin: Specification) -> None:
    one = made(3)
    stored = json.loads(json.dumps(one.document(), allow_nan=False))
    assert comparison_from({**stored, "added_later": 1}) == one
    del stored["peak_per_ohm"]
    with pytest.raises(UsageError, match="peak_per_ohm is missing"):
        comparison_from(stored)


def test_a_lot_of_emulated_sticks_is_learnt(dunlin: Specification) -> None:
    """A lot 15 % above the specification: its estimate lies nearer the truth than the specification, and says how sure it is."""
    random = np.random.default_rng(9)
    true_ohm = 11_500.0 * np.exp(0.03 * random.standard_normal(9))
    ledger = [compared(dunlin, 20 + k, float(ohm)) for k, ohm in enumerate(true_ohm)]
    estimate = estimate_source(ledger, dunlin, "ML-2607")
    assert estimate.usable
    assert estimate.retests >= USABLE_FROM
    off = np.log(estimate.track_ohm / 11_500.0)
    assert abs(off) < 2.0 * estimate.u_share
    assert abs(off) < 0.06
    assert estimate.tolerance < dunlin.stick.track_tolerance
    track = track_for(dunlin, [estimate], "ML-2607")
    assert (track.ohm, track.tolerance) == (estimate.track_ohm, estimate.tolerance)
    assert "lot ML-2607" in track.source
    assert estimate.version in track.source


def test_without_retests_the_specification_stands(dunlin: Specification) -> None:
    estimate = estimate_source([], dunlin, "ML-2607")
    assert (estimate.retests, estimate.usable, estimate.inputs) == (0, False, ())
    assert estimate.track_ohm == pytest.approx(10_000.0)
    assert estimate.tolerance == pytest.approx(dunlin.stick.track_tolerance, rel=0.03)
    assert track_for(dunlin, [estimate], "ML-2607") == Track(10_000.0, 0.20, "specification")


def test_used_from_the_stated_number_only(dunlin: Specification) -> None:
    ledger = [made(k, residual_counts=-0.5) for k in range(1, USABLE_FROM + 1)]
    short, enough = estimate_source(ledger[:-1], dunlin, "ML-2607"), estimate_source(ledger, dunlin, "ML-2607")
    assert (short.usable, enough.usable) == (False, True)
    assert track_for(dunlin, [short], "ML-2607").source == "specification"
    assert track_for(dunlin, [short, enough], "ML-2607").source == enough.name


def test_the_lot_before_the_product_before_the_specification(dunlin: Specification) -> None:
    ledger = [made(k, residual_counts=-0.5) for k in range(1, 11)] + [made(k, "ML-2611", residual_counts=0.5) for k in range(11, 21)]
    product, lot = estimate_source(ledger, dunlin), estimate_source(ledger, dunlin, "ML-2607")
    assert (product.retests, lot.retests) == (20, 10)
    assert lot.track_ohm > product.track_ohm
    assert track_for(dunlin, [product, lot], "ML-2607").ohm == lot.track_ohm
    assert track_for(dunlin, [product, lot], "ML-2614").ohm == product.track_ohm
    assert track_for(dunlin, [lot], "ML-2614").source == "specification"
    assert track_for(dunlin, [replace(product, product="other"), replace(lot, product="other")], "ML-2607").source == "specification"


def test_the_newest_retest_of_an_axis_counts(dunlin: Specification) -> None:
    first, again = made(1, residual_counts=-1.0), made(1, residual_counts=0.5, run_before=2, run_after=3)
    both, last = estimate_source([again, first], dunlin), estimate_source([again], dunlin)
    assert (both.retests, both.track_ohm, both.version) == (1, last.track_ohm, last.version)


def test_an_unclear_reading_is_left_out(dunlin: Specification) -> None:
    assert estimate_source([made(1, u_counts=2.0), made(2, peak_per_ohm=0.0)], dunlin).retests == 0


def test_predictions_that_used_an_estimate_still_read_the_track_itself(dunlin: Specification) -> None:
    """A residual of nothing from 11 kohm and one of -ln(1.1) * 5 counts from 10 kohm are the same reading."""
    plain = estimate_source([made(1, residual_counts=-5.0 * float(np.log(1.1)))], dunlin)
    later = estimate_source([made(1, track_ohm=11_000.0, peak_per_ohm=-5.0 / 11_000.0)], dunlin)
    assert later.track_ohm == pytest.approx(plain.track_ohm)


def test_versions_follow_what_they_rest_on(dunlin: Specification) -> None:
    ledger = [made(k) for k in range(1, 10)]
    one = estimate_source(ledger, dunlin)
    assert estimate_source(ledger[::-1], dunlin).version == one.version
    assert estimate_source(ledger[:-1], dunlin).version != one.version
    assert estimate_source([*ledger[:-1], made(9, residual_counts=0.1)], dunlin).version != one.version
    assert one.inputs == tuple(sorted(entry.name for entry in ledger))
    json.dumps(one.document(), allow_nan=False)
