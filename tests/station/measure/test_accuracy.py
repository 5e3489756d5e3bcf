"""Accuracy per group on recordings of known truth, and coverage of uncertainties. Long form: python -m tests.campaign_accuracy."""

import numpy as np
import pytest

from tests.campaign_accuracy import CORNERS, Errors, campaign

# figure: (bias in counts or ms, rms): what is promised from 8 kS/s and 12 bit, and in the worst corner
PROMISED = {"peak_counts": (0.06, 0.12), "over_zone_s": (0.06, 0.06), "return_s": (0.06, 0.06), "reach_counts": (0.06, 0.06)}
WORST = {"peak_counts": (0.15, 0.30), "over_zone_s": (0.12, 0.12), "return_s": (0.15, 0.15), "reach_counts": (0.3, 0.3)}
ASKED = {"8 kS/s and more, 12 bit and more": PROMISED, "8 kS/s, 12 bit, with a capacitor": PROMISED, "4 kS/s, 10 bit, 4 mV": WORST}


@pytest.fixture(scope="module")
def errors() -> dict[str, Errors]:
    return {name: campaign(CORNERS[name], 24, seed=11) for name in ASKED}


@pytest.mark.parametrize("corner", list(ASKED))
def test_every_group_is_as_accurate_as_promised(errors: dict[str, Errors], corner: str) -> None:
    found = errors[corner]
    assert found.miscounted == 0
    for name, (bias, rms) in ASKED[corner].items():
        scale = 1e3 if name.endswith("_s") else 1.0
        assert max(np.abs(found.bias[name])) * scale <= bias, name
        if name == "over_zone_s":  # near the zone's edge time runs away with the square root of the height: the middle is held to it
            assert np.quantile(found.rms[name], 0.9) * scale <= rms
        else:
            assert max(found.rms[name]) * scale <= rms, name


@pytest.mark.parametrize("corner", list(ASKED))
@pytest.mark.parametrize("name", ["peak_counts", "reach_counts", "return_s", "rest_shift_counts", "t_release_s", "over_zone_s", "settle_s"])
def test_two_standard_uncertainties_cover(errors: dict[str, Errors], corner: str, name: str) -> None:
    """JCGM 100:2008, 6.3: k = 2 is to cover about 95 %; errors share a recording's rest, so the bound is wide."""
    assert errors[corner].coverage(name) >= 0.88


def test_an_accuracy_test_can_fail(errors: dict[str, Errors]) -> None:
    """The worst corner does not meet what is promised for faster sampling."""
    assert max(errors["4 kS/s, 10 bit, 4 mV"].rms["peak_counts"]) > PROMISED["peak_counts"][1]
