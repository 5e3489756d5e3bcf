"""The clock of a recording: uniform within 1 % plus print rounding, strictly increasing, 1 to 100 kS/s (the product's contract)."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rigs.replayed.csv_recording import read_recording
from rigs.replayed.sampler_step import sampler_step_v
from station.records import Floats, Recording


def read_stamped(folder: Path, time_s: Floats, style: Callable[[float], str]) -> Recording:
    path = folder / "stamped.csv"
    path.write_text("t_s,x_v,y_v\n" + "".join(f"{style(t)},1.65,1.66\n" for t in time_s.tolist()))
    return read_recording(path)


STYLES: list[Callable[[float], str]] = [repr, "{:.6f}".format, "{:.9g}".format, "{:.18e}".format, "{:.5f}".format]


@pytest.mark.parametrize("rate_hz", [1_000.0, 4_000.0, 4_800.0, 8_000.0, 10_000.0, 24_000.0])
@pytest.mark.parametrize("style", STYLES, ids=["shortest", "6 decimals", "9 digits", "18 digits", "5 decimals"])
@pytest.mark.parametrize("first_s", [0.0, -0.25, 17.0])
def test_even_clocks_are_trusted_however_printed_and_a_gap_never_is(
    tmp_path: Path, rate_hz: float, style: Callable[[float], str], first_s: float
) -> None:
    time_s = first_s + np.arange(6_000) / rate_hz
    good = read_stamped(tmp_path, time_s, style)
    assert good.distrust == ()
    assert good.rate_hz == pytest.approx(rate_hz, rel=1e-4)
    for missing in (1, 7):
        gapped = read_stamped(tmp_path, np.delete(time_s, slice(3_000, 3_000 + missing)), style)
        assert gapped.distrust
        assert gapped.rate_hz == pytest.approx(rate_hz, rel=1e-3)


@pytest.mark.parametrize(
    ("rate_hz", "decimals", "trusted"), [(1_000.0, 3, True), (10_000.0, 4, True), (8_000.0, 4, True), (4_000.0, 3, False)]
)
def test_stamps_coarser_than_a_sample(tmp_path: Path, rate_hz: float, decimals: int, trusted: bool) -> None:
    time_s = np.arange(5_000) / rate_hz
    assert (read_stamped(tmp_path, time_s, f"{{:.{decimals}f}}".format).distrust == ()) is trusted
    for at in (100, 2_500, 4_900):
        assert read_stamped(tmp_path, np.delete(time_s, at), f"{{:.{decimals}f}}".format).distrust


@pytest.mark.parametrize(("jitter", "trusted"), [(0.004, True), (0.02, False)])
def test_uneven_steps(tmp_path: Path, jitter: float, trusted: bool) -> None:
    rng = np.random.default_rng(5)
    time_s = (np.arange(4_000) + jitter * rng.uniform(-1.0, 1.0, 4_000)) / 8_000.0
    assert (read_stamped(tmp_path, time_s, repr).distrust == ()) is trusted


@pytest.mark.parametrize("change", ["doubled", "backward", "frozen", "reversed", "constant"])
def test_time_must_strictly_increase(tmp_path: Path, change: str) -> None:
    time_s = np.arange(2_000) / 8_000.0
    if change == "doubled":
        time_s[1_000] = time_s[999]
    elif change == "backward":
        time_s[1_000:] -= 0.05
    elif change == "frozen":
        time_s[1_000:1_100] = time_s[1_000]
    elif change == "reversed":
        time_s = time_s[::-1].copy()
    else:
        time_s[:] = 1.0
    found = read_stamped(tmp_path, time_s, repr)
    assert any("increase" in sentence for sentence in found.distrust)
    assert np.isfinite(found.rate_hz)
    assert found.rate_hz > 0


@pytest.mark.parametrize(("rate_hz", "trusted"), [(500.0, False), (1_000.0, True), (100_000.0, True), (250_000.0, False)])
def test_rates_of_the_contract(tmp_path: Path, rate_hz: float, trusted: bool) -> None:
    found = read_stamped(tmp_path, np.arange(3_000) / rate_hz, repr)
    assert (found.distrust == ()) is trusted
    assert found.rate_hz == pytest.approx(rate_hz, rel=1e-9)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("decimals", [5, 6, 17])
def test_the_step_of_a_converter_is_found_where_its_codes_are_evident(bits: int, decimals: int) -> None:
    rng = np.random.default_rng(bits)
    step_v = 3.3 / 2**bits
    true_v = 1.65 + np.sin(np.arange(40_000) / 300.0) * 0.9 + 0.003 * rng.standard_normal(40_000)
    levels_v = np.round(np.round(true_v / step_v) * step_v, decimals)
    found = sampler_step_v(levels_v)
    evident = 10.0**-decimals < 0.1 * step_v and bits < 16
    if evident:
        assert found == pytest.approx(step_v, rel=0.01)
    else:  # print rounding as coarse as the codes, or more codes than come again
        assert found == 0.0 or found == pytest.approx(max(step_v, 10.0**-decimals), rel=0.2)


def test_levels_without_codes_have_no_step() -> None:
    rng = np.random.default_rng(1)
    assert sampler_step_v(rng.normal(1.65, 0.01, 20_000)) == 0.0
    assert sampler_step_v(np.full(500, 1.65)) == 0.0
