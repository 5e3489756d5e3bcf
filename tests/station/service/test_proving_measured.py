"""A unit measured with a fixed number of flicks over the real bytes, and what must not be kept."""

import math
from typing import Any

import pytest

from rigs.emulated.bench import plain_unit
from rigs.emulated.hands import Hands
from station.errors import LinkBad, LinkLost, NotReady, RigError, UsageError
from station.proof import HEALTH
from station.records import Fitted, RunClosing
from station.service.judging import commanded_flicks, rig_health
from station.service.proving.measured import FINGER, SUPPLY, kept, unit_values
from station.service.proving.measured_plan import names_of, positives, require_keys, whole
from station.service.proving.measuring import FixedRounds, measure_unit, wanted_of
from station.specification import Specification
from tests.station.service.proving_bench import ProvingRig, json_copy, proving_rig, unit
from tests.station.service.virtual import VirtualStation

SERIAL = "DN2-00001"


@pytest.fixture
def rig(dunlin: Specification) -> ProvingRig:
    return proving_rig(dunlin, [unit(SERIAL)])


def test_figures_of_every_group_and_axis(rig: ProvingRig) -> None:
    found = json_copy(rig.measure(SERIAL, flicks=4))
    places = found["sticks"]["main"]
    assert set(places) == {"x+", "x-", "y+", "y-", "x", "y", FINGER, SUPPLY}
    for group in ("x+", "x-", "y+", "y-"):
        assert set(places[group]) == {
            "peak_counts", "reach_counts", "return_s", "settle_s", "rest_shift_counts", "cross_axis_counts",
            "push_latency_s", "push_s", "release_s",
        }  # fmt: skip
        assert places[group]["reach_counts"] == pytest.approx(77.0, abs=0.5)
        assert len(found["peaks"]["main"][group]) == 4
        assert found["scatter"]["main"][group]["peak_counts"] > 0.0
    assert places["x"]["rest_counts"] == pytest.approx(128.0, abs=0.5)
    assert places[SUPPLY]["supply_v"] == pytest.approx(3.302, abs=0.003)
    assert found["moved"] == 4 * 4 + 4  # one warm-up flick of every group
    assert found["evidence"]["sticks"][0]["samples_received"] == found["evidence"]["sticks"][0]["samples_expected"]
    assert any("3 of 4 rounds" in one for one in rig.said)


def test_peaks_are_those_of_the_stick(rig: ProvingRig) -> None:
    """Overshoot of a second-order step, exp(-pi z / sqrt(1 - z^2)) of the reach (Ogata; from memory); friction takes some."""
    places = rig.measure(SERIAL)["sticks"]["main"]
    overshoot = 77.0 * math.exp(-math.pi * 0.47 / math.sqrt(1.0 - 0.47**2))
    for group in ("x+", "x-", "y+", "y-"):
        assert overshoot - 1.0 < float(places[group]["peak_counts"] or 0.0) < overshoot + 0.5


def test_added_lag_where_a_part_is_fitted(rig: ProvingRig) -> None:
    Hands(rig.rig).fit(SERIAL, "main", "x", 2.2e-7)
    rig.fitted[SERIAL] = {"main": Fitted(x_f=2.2e-7)}
    places = rig.measure(SERIAL, flicks=2)["sticks"]["main"]
    assert float(places["x+"]["added_lag_s"] or 0.0) > 0.0001
    assert "added_lag_s" not in places["y+"]


def test_values_of_the_unit_leave_out_those_of_the_rig(rig: ProvingRig) -> None:
    values = unit_values(rig.measure(SERIAL, flicks=2))
    assert {name.rsplit(" ", 1)[-1] for name in values} == {
        "peak_counts", "reach_counts", "return_s", "settle_s", "rest_shift_counts", "cross_axis_counts", "rest_counts", "noise_counts",
    }  # fmt: skip
    assert len(values) == 4 * 6 + 2 * 2


def test_what_is_no_number_is_kept_as_none() -> None:
    assert kept(math.nan) is None
    assert kept(None) is None
    assert kept(1.0 / 3.0) == 0.333333333


@pytest.mark.parametrize(
    ("figures", "said"),
    [({"dead": True}, r"x\+ \(0 of 4 seen"), ({"reach_plus_counts": 2.0}, r"x\+ \(0 of 4 seen")],
)
def test_a_unit_that_does_not_answer_is_refused_by_name(dunlin: Specification, figures: dict[str, Any], said: str) -> None:
    rig = proving_rig(dunlin, [plain_unit(SERIAL, figures)])
    with pytest.raises(NotReady, match=said) as refusal:
        rig.measure(SERIAL, flicks=4)
    assert SERIAL in str(refusal.value)


def test_swapped_axes_are_refused(dunlin: Specification) -> None:
    rig = proving_rig(dunlin, [unit(SERIAL)])
    rig.ills.unit(SERIAL, "main", "", swapped=True)
    with pytest.raises(NotReady, match=r"not kept"):
        rig.measure(SERIAL, flicks=2)


def test_probes_on_nothing_are_refused(rig: ProvingRig) -> None:
    rig.clamp(SERIAL)
    rig.ills.signal("open")
    with pytest.raises(NotReady, match="No unit on the probes"):
        measure_unit(rig.bench(), wanted_of(rig.bench(), SERIAL, "dunlin-2", 2))


@pytest.mark.parametrize(
    ("ill", "said"),
    [
        ({"supply_v": 2.4}, "supply is 2.4"),
        ({"sag_v_s": 0.02}, "supply went from"),
    ],
)
def test_a_measurement_that_cannot_be_trusted_is_not_kept(rig: ProvingRig, ill: dict[str, Any], said: str) -> None:
    rig.ills.converter(**ill)
    with pytest.raises(NotReady, match=said):
        rig.measure(SERIAL, flicks=4)


def test_a_sampler_that_is_off_the_rigs_clock_is_named(rig: ProvingRig) -> None:
    rig.ills.clock(sampler_error=0.003)
    with pytest.raises(NotReady, match=r"0\.30% off the rig's clock"):
        rig.measure(SERIAL, flicks=2)


def test_missing_samples_end_it(rig: ProvingRig) -> None:
    rig.ills.converter(lost_at=9000, lost=300)
    with pytest.raises(LinkBad, match="samples are missing"):
        rig.measure(SERIAL, flicks=4)


def test_an_opened_guard_ends_it_with_the_finger_at_rest(rig: ProvingRig) -> None:
    rig.clamp(SERIAL)
    rig.rig.at(rig.rig.now_s + 1.5, Hands(rig.rig).open_guard)
    with pytest.raises(RigError):
        measure_unit(rig.bench(), wanted_of(rig.bench(), SERIAL, "dunlin-2", 4))
    rig.wait(0.3)
    assert rig.rig.plant.at_rest(rig.rig.now_s)


def test_a_lost_link_is_no_measurement(rig: ProvingRig) -> None:
    rig.clamp(SERIAL)
    rig.rig.at(rig.rig.now_s + 1.5, rig.ills.unplug)
    with pytest.raises(LinkLost):
        measure_unit(rig.bench(), wanted_of(rig.bench(), SERIAL, "dunlin-2", 4))


def test_without_a_specification_nothing_moves(rig: ProvingRig) -> None:
    with pytest.raises(NotReady, match="starling"):
        wanted_of(rig.bench(), SERIAL, "starling", 4)


def test_rounds_are_interleaved_and_turn() -> None:
    rounds = FixedRounds(2)
    assert rounds.next_round() == ("x+", "x-", "y+", "y-")
    assert rounds.next_round() == ("x-", "y+", "y-", "x+")
    assert rounds.next_round() == ()


def test_every_run_tells_of_its_rig(bench: VirtualStation, monkeypatch: pytest.MonkeyPatch) -> None:
    closings: list[RunClosing] = []
    keep = bench.store.close_run

    def close_run(number: int, closing: RunClosing) -> None:
        closings.append(closing)
        keep(number, closing)

    monkeypatch.setattr(bench.store, "close_run", close_run)
    bench.test()
    (closing,) = closings
    assert set(closing.health) == set(HEALTH)
    assert closing.health["push_latency_s"] == pytest.approx(0.01446, abs=0.0002)
    assert closing.flicks == len(bench.told("flick")) + 4


def test_health_of_no_sticks_is_empty(dunlin: Specification) -> None:
    assert rig_health([], dunlin) == {}
    assert commanded_flicks([]) == 0


@pytest.mark.parametrize("value", [True, 1, 201, "8", 2.0, None])
def test_whole_numbers_of_a_plan(value: Any) -> None:
    with pytest.raises(UsageError, match=r"plan: flicks .*expected a whole number from 2 to 200"):
        whole({"flicks": value}, "flicks", 8, 2, 200)
    assert whole({}, "flicks", 8, 2, 200) == 8


@pytest.mark.parametrize("value", [["Anna"], ["Anna", "Anna "], ["Anna", ""], "Anna, Ben", None, ["Anna", 7]])
def test_names_of_a_plan(value: Any) -> None:
    with pytest.raises(UsageError, match="operators"):
        names_of({"operators": value}, "operators", 2, 20, "names")
    assert names_of({"operators": [" Anna", "Ben"]}, "operators", 2, 20, "names") == ["Anna", "Ben"]


@pytest.mark.parametrize("value", [{"peak": 1.0}, {"peak_counts": 0.0}, {"peak_counts": "1"}, {"peak_counts": math.inf}, 3])
def test_limits_of_a_plan(value: Any) -> None:
    with pytest.raises(UsageError, match=r"limits.*expected"):
        positives({"limits": value}, "limits", ("peak_counts",))
    assert positives({"limits": {"peak_counts": 1}}, "limits", ("peak_counts",)) == {"peak_counts": 1.0}


def test_unknown_keys_of_a_plan() -> None:
    with pytest.raises(UsageError, match=r"plan: flick is '3'; expected one of the keys serial, flicks"):
        require_keys({"flick": 3}, ("serial", "flicks"))
