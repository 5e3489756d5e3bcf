"""Points of charts, and what is said of them, on every database."""

from collections.abc import Callable
from threading import Thread
from typing import Any

import pytest
from sqlalchemy import select

from db.models_charts import FirstRun
from db.proof import ProofStore
from db.proof_points import FAILED_UNITS, HEALTH_OF, PEAK_UNITS
from db.store import SqlStore
from station.errors import StoreError, UsageError
from station.proof import HEALTH as FIGURES
from station.proof import ChartKey, Kind
from station.prove.chart_table import CHARTS
from station.prove.chart_table import PEAK_UNITS as PEAK_UNITS_CHARTED
from station.quantities import GROUPS
from station.records import Score, Verdict
from tests.db.making import START, STATION, closing, opening, score
from tests.db.making_proof import HEALTH, MINUTE, NAN, SPEED, baseline, closed_run, concluded, note, proof_of, signal

LATENCY = ChartKey("latency", rig="rig-1")
PEAK = ChartKey("peak", product="dunlin-2", lot="ML-2607", figure="x+")
FAILED = ChartKey("failed", product="dunlin-2")
CHECKED = ChartKey("reference", rig="rig-1", product="dunlin-2", figure="main x+ peak_counts")
OF_RIG = [ChartKey(what, rig="rig-1", figure=figure) for what, figure in HEALTH_OF]


@pytest.fixture
def proof(store: SqlStore) -> ProofStore:
    return proof_of(store)


def peaks(number: int, groups: tuple[str, ...] = GROUPS, stick: str = "main") -> dict[str, Score]:
    """A score whose mean peak is the number, in the groups named; the others are there without."""
    made = score(number, Verdict.PASS, ())
    for name in GROUPS:
        made.groups[name]["peak_counts"]["mean"] = float(number) if name in groups else None
    return {stick: made}


def units(store: SqlStore, first: int, last: int, **changes: Any) -> list[int]:
    """Runs of as many units, the mean peak of each its number."""
    return [closed_run(store, f"DL2-{number:05d}", number, scores=peaks(number), **changes) for number in range(first, last + 1)]


def keys(proof: ProofStore, chart: ChartKey, newest: int = 100) -> list[int]:
    return [int(point.key) for point in proof.chart_points(chart, newest)]


def test_the_charts_are_those_of_the_table(proof: ProofStore, store: SqlStore) -> None:
    units(store, 1, FAILED_UNITS)
    concluded(proof, Kind.REFERENCE_CHECK)
    kept = {key.what for rig in ("", "rig-1") for key in proof.chart_keys(rig)}
    assert kept == set(CHARTS)
    assert PEAK_UNITS == PEAK_UNITS_CHARTED
    assert set(HEALTH_OF.values()) <= set(FIGURES)


def test_a_run_is_a_point_of_its_rigs_charts(proof: ProofStore, store: SqlStore) -> None:
    numbers = [closed_run(store, "DL2-00001", minute, health={**HEALTH, "push_latency_s": 0.01 + minute}) for minute in range(4)]
    points = proof.chart_points(LATENCY, 3)
    assert [int(point.key) for point in points] == numbers[1:]
    assert [point.sample for point in points] == [(1.01,), (2.01,), (3.01,)]
    assert [point.at for point in points] == [START + minute * MINUTE for minute in (1, 2, 3)]
    assert proof.chart_points(ChartKey("noise", rig="rig-1", figure="y"), 1)[0].sample == (HEALTH["noise_y_counts"],)
    assert proof.chart_keys("rig-1") == OF_RIG
    assert proof.charts_of_run(numbers[3]) == OF_RIG  # the unit had its first decided run before
    assert proof.charts_of_run(numbers[0])[: len(OF_RIG)] == OF_RIG


def test_invalid_and_open_runs_and_unknown_figures_are_on_no_chart(proof: ProofStore, store: SqlStore) -> None:
    good = closed_run(store, "DL2-00001", 0)
    invalid = closed_run(store, "DL2-00002", 1, Verdict.INVALID)
    silent = closed_run(store, "DL2-00003", 2, health={**HEALTH, "push_latency_s": NAN})
    opened = store.open_run(opening("DL2-00004"))
    assert keys(proof, LATENCY) == [good]
    assert keys(proof, SPEED) == [good, silent]
    assert LATENCY not in proof.charts_of_run(silent)
    assert [proof.charts_of_run(number) for number in (invalid, opened, 4711)] == [[], [], []]
    assert [row.run_number for row in proof.health("R-0001", True, 9)] == [good, silent]


def test_runs_of_another_machine_or_an_emulated_one_are_on_no_chart_of_a_rig(proof: ProofStore, store: SqlStore) -> None:
    emulated = closed_run(store, "DL2-00001", 0)
    assert keys(proof, SPEED) == [emulated]
    older = closed_run(store, "DL2-00002", 1, emulated=False, rig_id="R-0007")
    real = [closed_run(store, f"DL2-0001{minute}", minute, emulated=False) for minute in (2, 3)]
    later = closed_run(store, "DL2-00003", 4)
    assert keys(proof, SPEED) == real
    assert [key for number in (emulated, older, later) for key in proof.charts_of_run(number) if key.rig] == []
    assert proof.charts_of_run(real[0])[: len(OF_RIG)] == OF_RIG
    assert [row.run_number for row in proof.health("R-0001", True, 9)] == [emulated, later]


def test_health_of_a_machine_goes_on_under_another_name(proof: ProofStore, store: SqlStore) -> None:
    numbers = [closed_run(store, "DL2-00001", minute, rig_name=f"rig-{1 + minute % 2}") for minute in range(5)]
    assert [row.run_number for row in proof.health("R-0001", True, 3)] == numbers[2:]
    assert keys(proof, SPEED) == numbers[::2]


def test_five_units_in_a_row_of_a_lot_are_a_point(proof: ProofStore, store: SqlStore) -> None:
    numbers = units(store, 1, 7)
    other = units(store, 101, 103, lot="ML-2608")
    numbers += units(store, 8, 14)
    points = proof.chart_points(PEAK, 100)
    assert [int(point.key) for point in points] == [numbers[4], numbers[9]]
    assert [point.sample for point in points] == [(1.0, 2.0, 3.0, 4.0, 5.0), (6.0, 7.0, 8.0, 9.0, 10.0)]
    assert points[1].at == START + 10 * MINUTE + (points[0].at - START - 5 * MINUTE)
    assert [int(point.key) for point in proof.chart_points(PEAK, 1)] == [numbers[9]]
    assert proof.chart_keys("") == [ChartKey("peak", product="dunlin-2", lot="ML-2607", figure=group) for group in GROUPS]
    assert proof.charts_of_run(other[0])[-1] == ChartKey("peak", product="dunlin-2", lot="ML-2608", figure="y-")


def test_points_stay_what_they_were_when_units_come_again(proof: ProofStore, store: SqlStore) -> None:
    """Retests after rework, invalid and undecided runs take no place."""
    numbers = units(store, 1, 4)
    closed_run(store, "DL2-00001", 20, Verdict.PASS, scores=peaks(99))
    closed_run(store, "DL2-00005", 21, Verdict.INVALID)
    closed_run(store, "DL2-00005", 22, Verdict.UNDECIDED, scores=peaks(98))
    last = closed_run(store, "DL2-00005", 23, scores=peaks(5))
    assert [(int(point.key), point.sample) for point in proof.chart_points(PEAK, 9)] == [(last, (1.0, 2.0, 3.0, 4.0, 5.0))]
    assert numbers[3] < last


def test_places_are_given_in_the_order_of_closing(proof: ProofStore, store: SqlStore) -> None:
    early = store.open_run(opening("DL2-00099", START))
    numbers = units(store, 1, 4)
    store.close_run(early, closing(1, Verdict.PASS, scores=peaks(50), traces={}))
    assert [(int(point.key), point.sample) for point in proof.chart_points(PEAK, 9)] == [(early, (1.0, 2.0, 3.0, 4.0, 50.0))]
    assert numbers[0] > early


def test_two_rigs_that_close_at_once_take_different_places(proof: ProofStore, store: SqlStore) -> None:
    failed: list[StoreError] = []
    units(store, 1, 1)

    def work(first: int) -> None:
        try:
            units(store, first, first + 9, rig_name=f"rig-{first}", lot=f"ML-{first}")
        except StoreError as problem:
            failed.append(problem)

    threads = [Thread(target=work, args=(first,)) for first in (100, 200)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    with store.database.read() as connection:
        assert list(connection.scalars(select(FirstRun.place_in_product).order_by(FirstRun.place_in_product))) == list(range(1, 22))


def test_groups_that_an_earlier_run_passed_are_taken_from_it(proof: ProofStore, store: SqlStore) -> None:
    units(store, 1, 4)
    undecided = closed_run(store, "DL2-00005", 5, Verdict.UNDECIDED, scores=peaks(5))
    closed_run(store, "DL2-00005", 6, scores=peaks(77, ("y-",)), evidence={"continues": undecided})
    closed_run(store, "DL2-00006", 7, scores=peaks(6, ("x+",)))
    for number in range(7, 11):
        closed_run(store, f"DL2-{number:05d}", number + 10, scores=peaks(number))
    assert [point.sample for point in proof.chart_points(PEAK, 9)] == [(1.0, 2.0, 3.0, 4.0, 5.0), (6.0, 7.0, 8.0, 9.0, 10.0)]
    other = ChartKey("peak", product="dunlin-2", lot="ML-2607", figure="y-")
    assert [point.sample for point in proof.chart_points(other, 9)] == [(1.0, 2.0, 3.0, 4.0, 77.0), (7.0, 8.0, 9.0, 10.0)]


def test_the_stick_is_named_where_there_are_two(proof: ProofStore, store: SqlStore) -> None:
    for number in range(1, 6):
        both = {**peaks(number, stick="left"), **peaks(number + 10, stick="right")}
        last = closed_run(store, f"DL2-{number:05d}", number, scores=both)
    figures = [f"{stick} {group}" for stick in ("left", "right") for group in GROUPS]
    assert [key.figure for key in proof.chart_keys("")] == figures
    assert [key.figure for key in proof.charts_of_run(last) if key.what == "peak"] == figures
    right = ChartKey("peak", product="dunlin-2", lot="ML-2607", figure="right x+")
    assert [point.sample for point in proof.chart_points(right, 9)] == [(11.0, 12.0, 13.0, 14.0, 15.0)]


def test_failed_units_are_counted_fifty_at_a_time(proof: ProofStore, store: SqlStore) -> None:
    numbers = []
    for number in range(1, 2 * FAILED_UNITS + 9):
        verdict = Verdict.FAIL if number in (3, 50, 51, 77, 99, 104) else Verdict.PASS
        numbers.append(closed_run(store, f"DL2-{number:05d}", number, verdict, lot=f"ML-26{number % 3:02d}", scores={}))
    points = proof.chart_points(FAILED, 100)
    assert [(int(point.key), point.sample) for point in points] == [(numbers[49], (2.0, 50.0)), (numbers[99], (3.0, 50.0))]
    assert proof.chart_points(FAILED, 1) == [points[1]]
    assert proof.chart_keys("") == [FAILED]  # no lot has a figure


def test_real_units_put_emulated_ones_off_the_charts_of_a_product(proof: ProofStore, store: SqlStore) -> None:
    units(store, 1, 5)
    proof.keep_baseline(baseline(PEAK))
    assert len(proof.chart_points(PEAK, 9)) == 1
    real = units(store, 11, 16, emulated=False)
    assert [(int(point.key), point.sample) for point in proof.chart_points(PEAK, 9)] == [(real[4], (11.0, 12.0, 13.0, 14.0, 15.0))]
    assert proof.baseline(PEAK) is None
    later = closed_run(store, "DL2-00020", 30, scores=peaks(20))
    assert [key for key in proof.charts_of_run(later) if key.product] == []


def test_other_stations_have_charts_of_their_own(url: str, new_store: Callable[..., SqlStore]) -> None:
    here, there = new_store(url), new_store(url, station="mossgate-2")
    mine = [closed_run(here, f"DL2-{number:05d}", number, scores=peaks(number)) for number in range(1, 6)]
    theirs = [closed_run(there, f"DL2-{number:05d}", number, scores=peaks(number), station="mossgate-2") for number in range(11, 16)]
    closed_run(there, "DL2-00001", 40, station="mossgate-2", scores=peaks(1))  # tested here before: no first run
    assert (keys(proof_of(here), PEAK), keys(proof_of(there), PEAK)) == ([mine[4]], [theirs[4]])
    assert (keys(proof_of(here), SPEED), len(keys(proof_of(there), SPEED))) == (mine, 6)
    assert proof_of(here).charts_of_run(theirs[0]) == []


def test_a_check_is_a_point_of_every_figure_it_measured(proof: ProofStore) -> None:
    for minute, peak in enumerate((19.7, NAN, 19.2, 19.9)):
        concluded(proof, Kind.REFERENCE_CHECK, minute, peak=peak, at=START + minute * MINUTE)
    concluded(proof, Kind.REFERENCE_CHECK, 7, product="heron")
    points = proof.chart_points(CHECKED, 100)
    assert [(point.key, round(point.sample[0], 9)) for point in points] == [("1", 0.2), ("3", -0.3), ("4", 0.4)]
    assert [point.at for point in points] == [START + minute * MINUTE for minute in (0, 2, 3)]
    assert proof.chart_points(CHECKED, 1) == points[-1:]
    assert [(key.product, key.figure) for key in proof.chart_keys("rig-1")] == [
        (product, figure) for product in ("dunlin-2", "heron") for figure in ("main x+ peak_counts", "main x rest_counts")
    ]
    concluded(proof, Kind.REFERENCE_CHECK, 8, emulated=False)
    assert [point.key for point in proof.chart_points(CHECKED, 100)] == ["6"]


@pytest.mark.parametrize(
    ("chart", "words"),
    [
        (
            ChartKey("colour", rig="rig-1"),
            "chart is 'colour', figure ''; expected reference, peak, failed or one of release-speed, noise x",
        ),
        (ChartKey("noise", rig="rig-1"), "chart is 'noise', figure ''"),
        (ChartKey("reference", rig="rig-1", figure="x+"), "figure of a reference chart is 'x\\+'; expected stick, place and name"),
    ],
)
def test_charts_that_do_not_exist_are_refused(proof: ProofStore, chart: ChartKey, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        proof.chart_points(chart, 9)
    with pytest.raises(UsageError, match="number of points is 0"):
        proof.chart_points(SPEED, 0)


def test_charts_without_a_point_are_empty(proof: ProofStore) -> None:
    assert [list(proof.chart_points(chart, 9)) for chart in (SPEED, PEAK, FAILED, CHECKED)] == [[], [], [], []]
    assert [proof.chart_keys(rig) for rig in ("", "rig-1")] == [[], []]
    assert (proof.baseline(SPEED), proof.signals(SPEED, 9), proof.notes(SPEED)) == (None, [], [])


def test_the_newest_baseline_counts(proof: ProofStore) -> None:
    proof.keep_baseline(baseline(minute=0))
    proof.keep_baseline(baseline(minute=1, first="30", last="60"))
    proof.keep_baseline(baseline(LATENCY, minute=2))
    assert proof.baseline(SPEED) == baseline(minute=1, first="30", last="60")
    assert proof.baseline(LATENCY) == baseline(LATENCY, minute=2)


def test_a_signal_is_kept_once(proof: ProofStore) -> None:
    first = [signal("21"), signal("21", "one-side"), signal("21", chart=LATENCY)]
    assert proof.keep_signals(first) == first
    second = [signal("21", minute=5), signal("22", minute=5), signal("22", minute=5)]
    assert proof.keep_signals(second) == [second[1]]
    assert proof.keep_signals([]) == ()
    assert list(proof.signals(SPEED, 2)) == [second[1], first[1]]
    assert list(proof.signals(LATENCY, 9)) == [first[2]]


def test_notes_are_added_and_never_changed(proof: ProofStore) -> None:
    notes = [note("21"), note("21", minute=3), note("40")]
    for one in [*notes, note("21", LATENCY)]:
        proof.keep_note(one)
    assert proof.notes(SPEED) == notes


def test_what_was_said_of_an_emulated_rigs_chart_is_not_said_of_the_real_ones(proof: ProofStore, store: SqlStore) -> None:
    closed_run(store, "DL2-00001", 0)
    proof.keep_baseline(baseline())
    proof.keep_signals([signal()])
    proof.keep_note(note())
    closed_run(store, "DL2-00002", 1, emulated=False)
    assert (proof.baseline(SPEED), list(proof.signals(SPEED, 9)), list(proof.notes(SPEED))) == (None, [], [])
    assert proof.keep_signals([signal()]) == [signal()]
    assert store.station == STATION
