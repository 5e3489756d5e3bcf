"""Procedures and what comes of them, on every database."""

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import update

from db.models_proof import CalibrationRecord, ProcedureStep
from db.proof import ProofStore
from db.store import SqlStore
from station.errors import Busy, NotFound, NotReady, StoreError, UsageError
from station.proof import Kind, Standing, Study
from station.records import Verdict
from tests.db.making import START, closing, opening, trace
from tests.db.making_proof import MINUTE, NAN, RIG_ID, begun, calibration, check, closed_run, concluded, proof_of, step, study, unit


@pytest.fixture
def proof(store: SqlStore) -> ProofStore:
    return proof_of(store)


def test_a_procedure_goes_on_where_it_stood(proof: ProofStore, url: str, new_store: Callable[..., SqlStore]) -> None:
    number = proof.begin_procedure(begun())
    proof.keep_step(number, step(1, 1))
    proof.keep_step(number, step(3, 3))
    proof.keep_step(number, step(2, 2))
    proof.keep_step(number, step(1, 4, reach_counts=77.0))
    other = proof_of(new_store(url))  # as after a restart
    kept = other.open_procedure("rig-1")
    assert kept is not None
    assert kept == other.procedure(number)
    assert (kept.opening, kept.standing, kept.done) == (begun(), Standing.OPEN, frozenset({1, 2, 3}))
    assert kept.results == (step(1, 4, reach_counts=77.0), step(2, 2), step(3, 3))


def test_one_procedure_of_a_rig_is_open_at_a_time(proof: ProofStore) -> None:
    number = proof.begin_procedure(begun())
    with pytest.raises(Busy, match=f"procedure {number} \\(calibration\\) of rig rig-1 is open"):
        proof.begin_procedure(begun(Kind.GAUGE_STUDY, 1))
    other = proof.begin_procedure(begun(rig="rig-2"))
    proof.end_procedure(number, "the clamp is loose", START + MINUTE)
    again = proof.begin_procedure(begun(Kind.GAUGE_STUDY, 2))
    assert number < other < again
    assert proof.procedure(number).cause == "the clamp is loose"
    assert (proof.procedure(number).standing, proof.procedure(number).ended_at) == (Standing.ABANDONED, START + MINUTE)
    assert proof.open_procedure("rig-3") is None


def test_the_database_itself_refuses_a_second_open_procedure(proof: ProofStore) -> None:
    number = proof.begin_procedure(begun())
    table = "(station, rig, kind, rig_id, emulated, firmware, plan, opened_by, opened_at, standing, cause)"
    columns = "station, rig, kind, rig_id, emulated, firmware, plan, opened_by, opened_at, standing, cause"
    copied = f"INSERT INTO procedures {table} SELECT {columns} FROM procedures WHERE id = {number}"
    with pytest.raises(StoreError, match="refused a record"):
        proof.database.write(lambda session, _again: session.connection().exec_driver_sql(copied))


@pytest.mark.parametrize("ended", ["done", "abandoned"])
def test_an_ended_procedure_is_never_changed(proof: ProofStore, ended: str) -> None:
    number = proof.begin_procedure(begun())
    proof.keep_step(number, step())
    if ended == "done":
        proof.conclude(number, calibration(number), START)
    else:
        proof.end_procedure(number, "no time", START)
    before = proof.procedure(number)
    acts: list[Callable[[], object]] = [
        lambda: proof.keep_step(number, step(2)),
        lambda: proof.end_procedure(number, "no time", START),
        lambda: proof.conclude(number, calibration(number), START),
    ]
    for act in acts:
        with pytest.raises(NotReady, match=f"procedure {number} \\(calibration\\) has ended: it is {ended}"):
            act()
    assert proof.procedure(number) == before


def test_what_is_not_there_is_named(proof: ProofStore) -> None:
    acts: list[Callable[[], object]] = [
        lambda: proof.keep_step(7, step()),
        lambda: proof.end_procedure(7, "no time", START),
        lambda: proof.conclude(7, calibration(7), START),
        lambda: proof.procedure(7),
        lambda: proof.outcome(7),
    ]
    for act in acts:
        with pytest.raises(NotFound, match="procedure 7 does not exist"):
            act()
    with pytest.raises(NotFound, match="calibration 7 does not exist"):
        proof.calibration(7)
    number = proof.begin_procedure(begun())
    with pytest.raises(NotFound, match=f"procedure {number} is open: nothing came of it"):
        proof.outcome(number)


def test_an_outcome_must_suit_its_procedure(proof: ProofStore) -> None:
    number = proof.begin_procedure(begun())
    with pytest.raises(UsageError, match=f"outcome of procedure {number} is a gauge-study; expected a calibration"):
        proof.conclude(number, study(number), START)
    with pytest.raises(UsageError, match="record names station 'mossgate-2'; this store is of station 'mossgate-1'"):
        proof.conclude(number, calibration(number, station="mossgate-2"), START)
    with pytest.raises(UsageError, match="station 'mossgate-2'"):
        proof.begin_procedure(begun(station="mossgate-2"))
    assert proof.procedure(number).standing is Standing.OPEN


@pytest.mark.parametrize("kind", list(Kind))
def test_what_came_of_a_procedure_is_kept_whole(proof: ProofStore, kind: Kind) -> None:
    kept = concluded(proof, kind)
    number = kept.procedure
    assert proof.outcome(number) == kept
    assert (proof.procedure(number).standing, proof.open_procedure("rig-1")) == (Standing.DONE, None)
    if kind is not Kind.REFERENCE_VALUES:
        assert kept.number == 1


def test_the_newest_accepted_calibration_is_in_force(proof: ProofStore) -> None:
    assert proof.calibration_in_force(RIG_ID, True) is None
    first = concluded(proof, Kind.CALIBRATION, 0)
    refused = concluded(proof, Kind.CALIBRATION, 10, problems=("Backlash is 9 counts; at most 4 are allowed.",))
    concluded(proof, Kind.CALIBRATION, 20, rig="rig-2", rig_id="R-0002")
    concluded(proof, Kind.CALIBRATION, 30, emulated=False)
    assert proof.calibration_in_force(RIG_ID, True) == first
    assert proof.calibration(refused.number) == refused
    assert (refused.accepted, refused.name) == (False, "C-2")
    newer = concluded(proof, Kind.CALIBRATION, 40)
    assert proof.calibration_in_force(RIG_ID, True) == newer
    assert newer.number == 5


def test_calibrations_are_numbered_over_all_stations(url: str, new_store: Callable[..., SqlStore]) -> None:
    here, there = proof_of(new_store(url)), proof_of(new_store(url, station="mossgate-2"))
    numbers = [concluded(here, Kind.CALIBRATION).number, concluded(there, Kind.CALIBRATION, station="mossgate-2").number]
    assert numbers == [1, 2]
    assert here.calibration(2).station == "mossgate-2"
    assert here.calibration_in_force(RIG_ID, True) == here.calibration(1)
    assert there.calibration_in_force(RIG_ID, True) == here.calibration(2)


def test_flicks_of_a_calibration_are_those_of_its_closed_runs(store: SqlStore, proof: ProofStore) -> None:
    closed_run(store, "DL2-00001", 0, calibration="C-1", flicks=84)
    closed_run(store, "DL2-00002", 1, Verdict.INVALID, calibration="C-1", flicks=17)
    closed_run(store, "DL2-00003", 2, calibration="C-12", flicks=1000)
    store.open_run(opening("DL2-00004", calibration="C-1"))
    assert [proof.flicks_since(name) for name in ("C-1", "C-12", "C-2", "")] == [101, 1000, 0, 0]


def test_flicks_of_an_interrupted_run_are_counted_from_what_was_kept(store: SqlStore, proof: ProofStore) -> None:
    number = store.open_run(opening(calibration="C-1"))
    store.keep_part(number, trace(1, 100))
    store.keep_part(number, trace(1, 100, first=100))  # names the same two flicks again
    store.close_interrupted("mossgate-1", START)
    assert proof.flicks_since("C-1") == 2


def test_the_newest_values_of_each_reference_unit_count(proof: ProofStore) -> None:
    concluded(proof, Kind.REFERENCE_VALUES, 0, serial="REF-02")
    concluded(proof, Kind.REFERENCE_VALUES, 1, serial="REF-01", peak=19.5)
    newest = concluded(proof, Kind.REFERENCE_VALUES, 2, serial="REF-01", peak=19.8)
    concluded(proof, Kind.REFERENCE_VALUES, 3, serial="REF-03", emulated=False)
    units = proof.reference_units(RIG_ID, True)
    assert [one.serial for one in units] == ["REF-01", "REF-02"]
    assert units[0] == newest == replace(unit(newest.procedure, peak=19.8))
    assert proof.reference_units("R-0002", True) == []


def test_the_last_check_is_kept_with_what_could_not_be_measured(proof: ProofStore) -> None:
    assert proof.last_check(RIG_ID, True) is None
    concluded(proof, Kind.REFERENCE_CHECK, 0)
    concluded(proof, Kind.REFERENCE_CHECK, 1, emulated=False)
    kept = concluded(proof, Kind.REFERENCE_CHECK, 2, peak=NAN)
    found = proof.last_check(RIG_ID, True)
    assert found is not None
    assert (found.number, found.within) == (kept.number, False)
    assert math.isnan(found.deviations[0].measured)
    assert found.deviations[1] == check(0).deviations[1]


def test_the_newest_accepted_study_of_a_product_counts(proof: ProofStore) -> None:
    first = concluded(proof, Kind.GAUGE_STUDY, 0)
    refused = concluded(proof, Kind.GAUGE_STUDY, 1, problems=("Too few distinct categories.",), peak_u_counts=NAN)
    concluded(proof, Kind.GAUGE_STUDY, 2, product="heron")
    concluded(proof, Kind.GAUGE_STUDY, 3, emulated=False)
    of_type_1 = concluded(proof, Kind.TYPE_1_STUDY, 4)
    assert proof.study_in_force(Kind.GAUGE_STUDY, "dunlin-2", True) == first
    assert proof.study_in_force(Kind.TYPE_1_STUDY, "dunlin-2", True) == of_type_1
    assert proof.study_in_force(Kind.TYPE_1_STUDY, "dunlin-2", False) is None
    studies: list[Study] = list(proof.studies("dunlin-2", True))
    assert [one.number for one in studies] == [of_type_1.number, refused.number, first.number]
    assert math.isnan(studies[1].peak_u_counts)


def test_damaged_documents_are_not_shown(proof: ProofStore) -> None:
    kept = concluded(proof, Kind.CALIBRATION)
    number = proof.begin_procedure(begun(minute=20))
    proof.keep_step(number, step())
    damage = (update(CalibrationRecord).values(document=b"other"), update(ProcedureStep).values(figures=b"other"))
    proof.database.write(lambda session, _again: [session.execute(one) for one in damage])
    with pytest.raises(StoreError, match="calibration 1 does not match its SHA-256"):
        proof.calibration_in_force(RIG_ID, True)
    with pytest.raises(StoreError, match=f"procedure {number}, step 1 does not match its SHA-256"):
        proof.procedure(number)
    assert kept.number == 1


def test_times_come_back_to_the_microsecond(proof: ProofStore) -> None:
    at = START + timedelta(microseconds=123_457)
    number = proof.begin_procedure(begun(at=at))
    assert proof.procedure(number).opening.at == at


def test_a_run_closes_with_its_flicks_and_health(store: SqlStore, proof: ProofStore) -> None:
    number = store.open_run(opening())
    store.close_run(number, closing(1, flicks=84, health={"push_latency_s": 0.012, "noise_x_counts": NAN}))
    told = proof.health(RIG_ID, True, 10)
    assert [(row.run_number, row.at) for row in told] == [(number, START)]
    assert told[0].figures["push_latency_s"] == 0.012
    assert math.isnan(told[0].figures["noise_x_counts"])
    silent = closed_run(store, "DL2-00002", 5, health={})
    assert silent not in [row.run_number for row in proof.health(RIG_ID, True, 10)]
