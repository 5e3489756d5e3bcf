"""Guard band from uncertainty: g = r k u by JCGM 106:2012, never below the specification's own, never as wide as the zone."""

import math

import pytest
from scipy import stats

from station.errors import NotReady, UsageError
from station.prove.guard import guard_band
from station.specification import Specification


def with_own(spec: Specification, counts: float) -> Specification:
    return spec.model_copy(update={"decision": spec.decision.model_copy(update={"guard_band_counts": counts})})


def test_twice_the_uncertainty(dunlin: Specification) -> None:
    counts, sentence = guard_band(0.31, dunlin)
    assert counts == pytest.approx(0.62)
    assert "0.62 counts" in sentence
    assert "0.31" in sentence
    assert "JCGM 106" in sentence
    assert guard_band(0.31, dunlin, coverage=2.0, factor=0.5)[0] == pytest.approx(0.31)
    assert guard_band(0.0, dunlin)[0] == 0.0


def test_never_less_than_the_specifications_own(dunlin: Specification) -> None:
    counts, sentence = guard_band(0.31, with_own(dunlin, 1.5))
    assert counts == 1.5
    assert "specification's own" in sentence
    assert "0.62 counts only" in sentence
    assert guard_band(1.0, with_own(dunlin, 1.5))[0] == 2.0


def test_without_a_study(dunlin: Specification) -> None:
    counts, sentence = guard_band(math.nan, with_own(dunlin, 0.5))
    assert counts == 0.5
    assert "no accepted gauge study" in sentence


def test_a_guard_band_as_wide_as_the_zone_is_refused(dunlin: Specification) -> None:
    assert guard_band(10.99, dunlin)[0] == pytest.approx(21.98)
    with pytest.raises(NotReady, match=r"22\.00 counts, the neutral zone is 22 counts"):
        guard_band(11.0, dunlin)
    with pytest.raises(NotReady, match="gauge study"):
        guard_band(math.nan, with_own(dunlin, 25.0))


@pytest.mark.parametrize("u_counts", [-0.1, math.inf])
def test_impossible_uncertainties(dunlin: Specification, u_counts: float) -> None:
    with pytest.raises(UsageError, match="expected 0 or more"):
        guard_band(u_counts, dunlin)
    with pytest.raises(UsageError, match="coverage factor"):
        guard_band(0.1, dunlin, coverage=0.0)


def test_the_stated_chance_at_the_acceptance_limit(dunlin: Specification) -> None:
    """JCGM 106:2012, 8.3.2: at most 2.3 % by the normal law with r = 1, k = 2."""
    u = 0.4
    acceptance = dunlin.host.neutral_zone_counts - guard_band(u, dunlin)[0]
    assert stats.norm.sf(dunlin.host.neutral_zone_counts, acceptance, u) == pytest.approx(0.0228, abs=5e-5)
