"""The port's promises, on every kind of database."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import delete

from db.models import Run
from db.queries import Queries
from db.rows import RunFilter
from db.store import SqlStore
from station.errors import NotFound, SpecificationError, StoreError, UsageError
from station.records import CommandedFlick, Fitted, LastRun, Verdict
from tests.db import making
from tests.db.making import SPECIFICATION, START, STATION, TEXT, closing, opening, trace

LATER = START + timedelta(hours=1)


def test_a_run_is_open_until_it_is_closed(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    run = queries.run(number).run
    assert (run.verdict, run.ended_at, run.reasons, run.started_at) == (None, None, (), START)
    assert [one.number for one in queries.runs(RunFilter(verdict="open")).items] == [number]


def test_what_is_closed_comes_back_whole(store: SqlStore, queries: Queries) -> None:
    given = closing(3)
    number = store.open_run(opening())
    store.close_run(number, given)
    detail = queries.run(number)
    assert (detail.run.verdict, detail.run.reasons, detail.run.ended_at) == ("fail", ("snapback:x+",), given.ended_at)
    assert (detail.explanation, detail.evidence, detail.timing) == (given.explanation, given.evidence, given.timing)
    assert (detail.run.specification, detail.specification_digest) == (SPECIFICATION.label, SPECIFICATION.digest)
    assert (detail.calibration, detail.software, detail.firmware, detail.boot) == ("cal-12", "0.1.0", "1.4", 7)
    assert detail.fitted == {"main": Fitted(0.0, 3.3e-7)}
    assert (detail.run.rig, detail.run.rig_id, detail.run.emulated) == ("rig-1", "R-0001", True)
    assert detail.sticks["main"].groups == {name: dict(group) for name, group in given.scores["main"].groups.items()}
    assert detail.sticks["main"].figures["noise_counts"] == {"x": 0.3, "y": None}  # JSON has no NaN


def test_groups_stand_in_columns(store: SqlStore, queries: Queries) -> None:
    given = closing(3)
    number = store.open_run(opening())
    store.close_run(number, given)
    rows = {row.group: row for row in queries.run(number).sticks["main"].rows}
    assert list(rows) == ["x+", "x-", "y+", "y-"]
    peaks = given.scores["main"].groups["y-"]["peak_counts"]
    assert (rows["y-"].peak_mean_counts, rows["y-"].peak_max_counts) == (peaks["mean"], peaks["max"])
    assert (rows["x+"].fitted_f, rows["y-"].fitted_f) == (0.0, 3.3e-7)
    assert (rows["x+"].settle_s, rows["x+"].misread_upper, rows["x+"].flicks_used) == (None, 0.27, 12)
    assert (rows["x+"].over_zone, rows["x+"].rest_shift_counts, rows["x+"].accepted_by) == (11, None, "")


def test_flicks_come_back_bit_for_bit(store: SqlStore, queries: Queries) -> None:
    given = closing(4)
    number = store.open_run(opening())
    store.close_run(number, given)
    found, expected = queries.flicks(number), given.scores["main"].flicks
    assert found.flags == expected.flags
    np.testing.assert_array_equal(found.group, expected.group)
    assert list(found.columns) == list(expected.columns)
    for name, column in expected.columns.items():
        np.testing.assert_array_equal(found.columns[name], column)


def test_a_recording_is_codes_times_scale(store: SqlStore, queries: Queries) -> None:
    given = closing(5)
    block = given.traces["main"]
    number = store.open_run(opening())
    store.close_run(number, given)
    found = queries.recording(number)
    np.testing.assert_array_equal(found.x_v, block.codes[:, 0] * block.scale_v)
    np.testing.assert_array_equal(found.y_v, block.codes[:, 1] * block.scale_v)
    assert (found.rate_hz, found.supply_v, found.quantum_v, found.t_first_s) == (10_000.0, 3.29, block.scale_v, 0.0)
    assert (found.commanded, found.distrust) == (block.commanded, ())


def test_a_closed_run_is_never_changed(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    store.close_run(number, closing(1, Verdict.FAIL))
    before = queries.run(number)
    with pytest.raises(StoreError, match=f"run {number} is closed already, with verdict fail"):
        store.close_run(number, closing(2, Verdict.PASS))
    with pytest.raises(StoreError, match="closed already"):
        store.keep_part(number, trace(1))
    assert store.close_interrupted(STATION, LATER) == []
    assert queries.run(number) == before


def test_unknown_runs_are_named(store: SqlStore, queries: Queries) -> None:
    for act in (
        lambda: store.close_run(77, closing(1)),
        lambda: store.keep_part(77, trace(1)),
        lambda: queries.run(77),
        lambda: queries.flicks(77),
        lambda: queries.recording(77),
    ):
        with pytest.raises(NotFound, match="run 77 does not exist"):
            act()


def test_numbers_are_never_used_again(store: SqlStore) -> None:
    first, newest = store.open_run(opening()), store.open_run(opening("DL2-00002"))
    store.database.write(lambda session, _: session.execute(delete(Run).where(Run.number == newest)))
    assert store.open_run(opening("DL2-00003")) > newest > first >= 1


def test_the_whole_trace_replaces_its_parts(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    for first in (0, 200):
        store.keep_part(number, trace(9, 200, first))
    assert queries.run(number).traces == {"main": 400}
    store.close_run(number, closing(9, traces={"main": trace(9, 450)}))
    assert queries.run(number).traces == {"main": 450}
    assert len(queries.recording(number).x_v) == 450


def test_a_run_that_never_ended_becomes_invalid_and_keeps_its_parts(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    for first in (0, 150):
        store.keep_part(number, trace(9, 150 if first == 0 else 250, first))
    assert store.close_interrupted("another-station", LATER) == []
    assert store.close_interrupted(STATION, LATER) == [number]
    assert store.close_interrupted(STATION, LATER) == []
    detail = queries.run(number)
    assert (detail.run.verdict, detail.run.reasons, detail.run.ended_at) == ("invalid", ("interrupted",), LATER)
    assert detail.evidence == {"samples_kept": {"main": 400}}
    whole = trace(9)
    np.testing.assert_array_equal(queries.recording(number).x_v, whole.codes[:, 0] * whole.scale_v)
    assert queries.recording(number).commanded == whole.commanded
    assert [one.number for one in queries.runs(RunFilter(reason="interrupted")).items] == [number]


def test_holes_between_parts_are_told(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    store.keep_part(number, trace(9, 100, 50))
    store.keep_part(number, trace(9, 100, 200))
    found = queries.recording(number)
    assert found.distrust == ("samples 150 to 199 are missing",)
    assert (len(found.x_v), found.t_first_s) == (200, 50 / 10_000.0)
    assert found.commanded == (CommandedFlick("x+", 50), CommandedFlick("y-", 200))


def test_a_part_is_kept_once(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    store.keep_part(number, trace(9, 0))
    store.keep_part(number, trace(9, 100))
    with pytest.raises(StoreError, match=f"run {number}: a part of stick main that begins at sample 0 is kept already"):
        store.keep_part(number, trace(9, 120))
    assert queries.run(number).traces == {"main": 100}


def test_parts_of_a_stick_without_a_trace_stand_for_it(store: SqlStore, queries: Queries) -> None:
    number = store.open_run(opening())
    store.keep_part(number, trace(9, 100))
    store.close_run(number, closing(1, Verdict.INVALID, scores={}, traces={}))
    assert queries.run(number).traces == {"main": 100}
    with pytest.raises(NotFound, match=f"run {number} has no flicks of stick 'main'"):
        queries.flicks(number)


@pytest.mark.parametrize("verdict", list(Verdict))
def test_retention_keeps_all_but_passes(url: str, new_store: Callable[..., SqlStore], queries: Queries, verdict: Verdict) -> None:
    store = new_store(url, keep_pass_every=3)
    numbers = [store.open_run(opening()) for _ in range(6)]
    for number in numbers:
        store.keep_part(number, trace(number, 100))
        store.close_run(number, closing(number, verdict))
    kept = [number for number in numbers if queries.run(number).traces]
    assert kept == (numbers if verdict is not Verdict.PASS else [number for number in numbers if number % 3 == 1])
    assert all(len(queries.flicks(number)) == 8 for number in numbers)
    dropped = set(numbers) - set(kept)
    for number in dropped:
        with pytest.raises(NotFound, match=f"run {number} has no trace of stick 'main' kept"):
            queries.recording(number)


def test_keeping_every_trace(url: str, new_store: Callable[..., SqlStore], queries: Queries) -> None:
    store = new_store(url, keep_pass_every=1)
    for _ in range(3):
        number = store.open_run(opening())
        store.close_run(number, closing(1, Verdict.PASS))
        assert queries.run(number).traces == {"main": 400}
    with pytest.raises(UsageError, match="keep_pass_every is 0; expected 1"):
        SqlStore(url, STATION, 0)


def test_sticks_and_their_reasons_are_told_apart(store: SqlStore, queries: Queries) -> None:
    both = ("snapback:x+", "sluggish:y-")
    scores = {
        "left": making.score(1, Verdict.FAIL, ("snapback:x+",)),
        "right": making.score(2, Verdict.FAIL, both),
    }
    traces = {stick: trace(index, 300 + index, stick=stick) for index, stick in enumerate(scores)}
    number = store.open_run(opening(fitted={"left": Fitted(1e-7, 0.0)}))
    store.close_run(number, closing(1, reasons=both, scores=scores, traces=traces))
    detail = queries.run(number)
    assert {stick: found.reasons for stick, found in detail.sticks.items()} == {"left": ("snapback:x+",), "right": both}
    assert detail.run.reasons == both
    assert detail.traces == {"left": 300, "right": 301}
    assert (detail.sticks["left"].rows[0].fitted_f, detail.sticks["right"].rows[0].fitted_f) == (1e-7, None)
    for reason in ("snapback", "snapback:x+", "sluggish:y-"):
        assert [one.number for one in queries.runs(RunFilter(reason=reason)).items] == [number]
    assert queries.counts_since(START).emulated_reasons == (("sluggish:y-", 1), ("snapback:x+", 1))


def test_a_specification_is_never_edited(store: SqlStore, queries: Queries) -> None:
    store.keep_specification("# the same values, other words\n" + TEXT, SPECIFICATION, LATER)
    assert queries.specification_text("dunlin-2", "A") == TEXT
    other = SPECIFICATION.model_copy(update={"limits": SPECIFICATION.limits.model_copy(update={"return_s": 0.02})})
    with pytest.raises(SpecificationError, match="revision is 'A'; expected a new revision, since dunlin-2 A is stored already"):
        store.keep_specification("other", other, LATER)
    store.keep_specification("newer", other.model_copy(update={"revision": "B"}), LATER)
    assert [(one.label, one.created_at) for one in queries.specifications()] == [("dunlin-2 B", LATER), ("dunlin-2 A", START)]
    with pytest.raises(NotFound, match="'dunlin-2' revision 'C'"):
        queries.specification_text("dunlin-2", "C")


def test_a_run_needs_its_specification(store: SqlStore, queries: Queries) -> None:
    with pytest.raises(NotFound, match="'dunlin-2 Z'"):
        store.open_run(opening(specification="dunlin-2 Z"))
    with pytest.raises(StoreError, match="has other values"):
        store.open_run(opening(specification_digest="0" * 64))
    assert queries.runs().items == ()
    assert queries.units().items == ()


def test_only_its_own_station_and_times_with_a_zone(store: SqlStore) -> None:
    with pytest.raises(UsageError, match="names station 'elsewhere'; this store is of station 'mossgate-1'"):
        store.open_run(opening(station="elsewhere"))
    with pytest.raises(UsageError, match="has no zone"):
        store.open_run(opening(at=datetime(2026, 11, 25, 7, 30)))  # noqa: DTZ001 - that is the point
    number = store.open_run(opening())
    with pytest.raises(UsageError, match="has no zone"):
        store.close_run(number, replace(closing(1), ended_at=datetime(2026, 11, 25)))  # noqa: DTZ001


def test_codes_of_another_kind_are_refused(store: SqlStore) -> None:
    number = store.open_run(opening())
    with pytest.raises(StoreError, match=f"trace of run {number}, stick main: codes are uint16 3; expected uint16 n x 2"):
        store.keep_part(number, replace(trace(1), codes=np.arange(3, dtype=np.uint16)))


def test_the_newest_part_on_an_axis_is_what_is_fitted(store: SqlStore, queries: Queries) -> None:
    assert store.fitted("DL2-00001") == {}
    with pytest.raises(NotFound, match="unit 'DL2-00001' is not known here"):
        store.record_fitted("DL2-00001", "main", "x", 1e-7, "a. marsh", START)
    store.open_run(opening())
    assert store.fitted("DL2-00001") == {}
    for axis, farads in (("x", 1e-7), ("y", 3.3e-7), ("x", 2.2e-7), ("y", 0.0)):
        store.record_fitted("DL2-00001", "main", axis, farads, "a. marsh", START)
    assert store.fitted("DL2-00001") == queries.unit("DL2-00001").fitted == {"main": Fitted(2.2e-7, 0.0)}
    assert [(part.axis, part.farads) for part in queries.unit("DL2-00001").parts][-1] == ("y", 0.0)
    with pytest.raises(UsageError, match="axis is 'z'"):
        store.record_fitted("DL2-00001", "main", "z", 1e-7, "a. marsh", START)
    with pytest.raises(UsageError, match=r"capacitance is 4\.7 F; expected 0"):
        store.record_fitted("DL2-00001", "main", "x", 4.7, "a. marsh", START)


def test_the_newest_run_of_a_unit(store: SqlStore, queries: Queries) -> None:
    assert store.last_run("DL2-00001") is None
    first = store.open_run(opening())
    rests_on = {"specification_digest": SPECIFICATION.digest, "fitted": opening().fitted}
    assert store.last_run("DL2-00001") == LastRun(first, None, (), (), None, **rests_on)
    doubtful = making.score(1, Verdict.UNDECIDED, ())
    doubtful.groups["y-"]["verdict"] = Verdict.PASS  # type: ignore[index]
    store.close_run(first, closing(1, Verdict.UNDECIDED, scores={"main": doubtful}, evidence={"continues": 7}))
    groups = ("main x+", "main x-", "main y+")
    assert store.last_run("DL2-00001") == LastRun(
        first, Verdict.UNDECIDED, (), groups, START + timedelta(seconds=20), **rests_on, continues=7
    )
    earlier = store.open_run(opening(at=START - timedelta(days=1)))
    store.close_run(earlier, closing(2))
    newest = store.last_run("DL2-00001")
    assert newest is not None
    assert newest.number == first


def test_a_run_keeps_the_lot_and_rig_it_had(store: SqlStore, queries: Queries) -> None:
    first = store.open_run(opening(lot="ML-2607"))
    second = store.open_run(opening(lot="ML-2611", rig=making.rig(emulated=False, rig_id="R-0002"), at=LATER))
    third = store.open_run(opening(lot="", at=LATER + timedelta(hours=1)))
    assert [queries.run(number).run.unit.lot for number in (first, second, third)] == ["ML-2607", "ML-2611", ""]
    assert queries.unit("DL2-00001").unit.lot == "ML-2611"
    assert [(rig.rig_id, rig.emulated, rig.last_run) for rig in queries.rigs()] == [("R-0001", True, third), ("R-0002", False, second)]
