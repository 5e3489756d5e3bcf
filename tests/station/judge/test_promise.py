"""The record says by what rule and at what risks a unit was judged, and whether its flicks bear the rule."""

import numpy as np
import pytest

from station.judge.promise import correlation_document, rule_document
from station.specification import Specification


def test_rule_and_risks_of_a_unit(dunlin: Specification) -> None:
    document = rule_document(dunlin, {})
    assert document["guard_band_counts"] == 0.0
    assert document["unit_risk_good_failed"] == pytest.approx(1 - 0.99**4)  # four groups, each failed with 1 % at most
    assert list(document["statements"]) == ["guarded"]
    both = rule_document(dunlin, {"y-": "count"})
    assert set(both["statements"]) == {"guarded", "count"}


def test_drifting_peaks_are_told() -> None:
    random = np.random.default_rng(3)
    even = [random.normal(12.0, 0.7, 40) for _ in range(4)]
    quiet = correlation_document(even)
    assert quiet is not None
    assert not quiet["beyond_assumption"]
    drifting = [one + np.linspace(0.0, 4.0, 40) for one in even]
    told = correlation_document(drifting)
    assert told is not None
    assert told["beyond_assumption"]
    assert told["lower"] > 0.2
    assert correlation_document([one[:3] for one in even]) is None
