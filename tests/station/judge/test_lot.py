"""The lot view: the single value for the largest share of sticks, with exact binomial intervals."""

import json
from typing import Any

import pytest

from station.judge.advice import advise
from station.judge.lot import FORMAT, clopper_pearson, lot_advice, lot_entries
from station.specification import Specification
from tests.conftest import DATA
from tests.truth import Scene, simulate

INTERVALS = {one["name"]: one for one in json.loads((DATA / "binomial_intervals.json").read_text())["entries"]}


def entry(dunlin: Specification, serial: int, meeting: tuple[float, ...], axis: str = "x", chance: float = 0.9) -> dict[str, Any]:
    """An axis that passes with these values. The lag of a value is 2 ms a microfarad."""
    candidates = [
        {
            "capacitance_f": value,
            "meets": value in meeting,
            "chance_to_pass": chance if value in meeting else 0.02,
            "added_lag_s": 2e3 * value,
        }
        for value in (0.0, *dunlin.stock.values_f)
    ]
    return {"serial": f"DN2-{serial:05d}", "stick": "main", "axis": axis, "candidates": candidates}


def by_value(values: list[dict[str, Any]]) -> dict[float, dict[str, Any]]:
    return {one["capacitance_f"]: one for one in values}


def test_clopper_pearson_published_values() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.2; Newcombe, Statistics in Medicine 17 (1998), table I; sources beside the values."""
    nist = INTERVALS["clopper_pearson_nist_4_of_20"]
    assert clopper_pearson(4, 20, 0.90) == pytest.approx(tuple(nist["expected"]["interval"]), abs=1e-9)
    for name, count, total in (("newcombe_81_of_263", 81, 263), ("newcombe_0_of_20", 0, 20)):
        expected = tuple(INTERVALS[name]["expected"]["clopper_pearson"])
        assert clopper_pearson(count, total, 0.95) == pytest.approx(expected, abs=1e-9)
    assert clopper_pearson(20, 20, 0.95)[1] == 1.0
    none = INTERVALS["zero_failures_upper"]
    for total, upper in zip(none["inputs"]["n"], none["expected"]["exact_one_sided"], strict=True):
        assert clopper_pearson(0, total, 0.90)[1] == pytest.approx(upper, abs=1e-9)


def test_the_value_that_passes_most(dunlin: Specification) -> None:
    entries = [entry(dunlin, k, (3.3e-7, 4.7e-7)) for k in range(7)]
    entries += [entry(dunlin, 10 + k, (4.7e-7, 6.8e-7)) for k in range(2)]
    entries += [entry(dunlin, 20, (0.0,))]
    document = lot_advice(entries, dunlin)
    json.dumps(document, allow_nan=False)
    best, values = document["best"], by_value(document["values"])
    assert (document["format"], document["sticks"], document["left_out"]) == (FORMAT, 10, 0)
    assert (best["capacitance_f"], best["marking"], best["passing"], best["share"]) == (4.7e-7, "474", 9, 0.9)
    assert (best["share_low"], best["share_high"]) == clopper_pearson(9, 10, 0.95)
    assert best["added_lag_s"] == pytest.approx({"mean": 9.4e-4, "max": 9.4e-4})
    assert best["lag_cost_s"] == pytest.approx(9.4e-4)
    assert best["expected_share"] == pytest.approx((9 * 0.9 + 0.02) / 10)
    assert {value: one["passing"] for value, one in values.items()} == {
        0.0: 1, 1e-7: 0, 1.5e-7: 0, 2.2e-7: 0, 3.3e-7: 7, 4.7e-7: 9, 6.8e-7: 2,
    }  # fmt: skip
    assert best["within_interval_f"] == [3.3e-7]  # 7 of 10 reach up to 93 %
    assert "0.47 uF (474) on every axis" in document["in_words"]
    assert "9 of 10 sticks" in document["in_words"]


def test_all_axes_of_a_stick_must_pass(dunlin: Specification) -> None:
    """One value sits on every axis: what x needs can be too much for y. Each axis alone is answered beside it."""
    entries = [
        entry(dunlin, 1, (4.7e-7,)),
        entry(dunlin, 1, (0.0,), "y"),
        entry(dunlin, 2, (4.7e-7,)),
        entry(dunlin, 2, (0.0, 4.7e-7), "y"),
    ]
    document = lot_advice(entries, dunlin)
    assert document["sticks"] == 2
    assert (document["best"]["capacitance_f"], document["best"]["passing"]) == (4.7e-7, 1)
    assert document["axes"]["x"]["best"]["passing"] == 2
    assert document["axes"]["y"]["best"]["capacitance_f"] == 0.0


def test_of_equal_shares_the_smallest_value(dunlin: Specification) -> None:
    document = lot_advice([entry(dunlin, k, (2.2e-7, 3.3e-7)) for k in range(4)], dunlin)
    assert document["best"]["capacitance_f"] == 2.2e-7


def test_a_small_chance_does_not_count(dunlin: Specification) -> None:
    document = lot_advice([entry(dunlin, 1, (3.3e-7,), chance=dunlin.stock.asked_chance - 0.01)], dunlin)
    assert document["best"] is None
    assert document["in_words"] == "No single value in stock makes any of 1 sticks pass."


def test_sticks_without_all_figures_are_left_out_and_counted(dunlin: Specification) -> None:
    broken = entry(dunlin, 2, (3.3e-7,))
    broken["candidates"] = broken["candidates"][:-1]
    document = lot_advice([entry(dunlin, 1, (3.3e-7,)), broken, entry(dunlin, 2, (3.3e-7,), "y")], dunlin)
    assert (document["sticks"], document["left_out"]) == (1, 1)
    empty = lot_advice([], dunlin)
    assert (empty["sticks"], empty["best"], empty["values"]) == (0, None, [])
    assert "nothing can be said" in empty["in_words"]


def test_entries_from_advice(dunlin: Specification) -> None:
    """Three sticks of the same make, two of which swing beyond the zone: the value that cures them does not spoil the third."""
    entries = []
    for k, peak in enumerate((23.5, 24.0, 13.0)):
        peaks = {"x+": peak, "x-": peak - 0.5, "y+": 13.0, "y-": 14.0}
        recording = simulate(Scene(order=("x+", "x-", "y+", "y-") * 10, peak_counts=peaks, ring_hz=85.0), k, with_truth=False).recording
        entries += lot_entries(f"DN2-{k:05d}", advise(recording, dunlin))
    assert [one["axis"] for one in entries] == ["x", "y"] * 3
    document = lot_advice(entries, dunlin)
    bare = by_value(document["values"])[0.0]
    assert (bare["passing"], document["best"]["passing"]) == (1, 3)
    assert document["best"]["capacitance_f"] in (3.3e-7, 4.7e-7)
    assert 0.0 < document["best"]["lag_cost_s"] < dunlin.limits.added_lag_s
    assert document["axes"]["y"]["best"]["capacitance_f"] == 0.0


def test_a_stick_with_a_dead_channel_does_not_count_by_its_other_axis(dunlin: Specification) -> None:
    whole = entry(dunlin, 1, (0.0, 1e-7))
    dead = {"axes": {"x": {"candidates": []}, "y": {"candidates": entry(dunlin, 2, (0.0,), "y")["candidates"]}}}
    document = lot_advice([whole, *lot_entries("DN2-00002", dead)], dunlin)
    assert (document["sticks"], document["left_out"]) == (1, 1)
    assert by_value(document["values"])[0.0]["passing"] == 1
    assert "y" not in document["axes"]
