"""Lists of proving as pages and the API ask for them, on every database."""

import math
from collections.abc import Callable
from typing import Any

import pytest

from db.proof import ProofStore
from db.queries.proof import ProofQueries
from db.rows import Page
from db.rows_proof import ProcedureFilter, ProofFilter
from db.store import SqlStore
from station.errors import NotFound, UsageError
from station.proof import ChartKey, Kind, Standing
from tests.db.making import START
from tests.db.making_proof import MINUTE, NAN, SPEED, begun, closed_run, concluded, note, proof_of, signal, step


@pytest.fixture
def proof(store: SqlStore) -> ProofStore:
    return proof_of(store)


@pytest.fixture
def lists(store: SqlStore) -> ProofQueries:
    return ProofQueries(store.database)


def all_pages(ask: Callable[..., Page[Any]], limit: int, **which: Any) -> list[Any]:
    found: list[Any] = []
    page = ask(limit=limit, **which)
    while True:
        assert len(page.items) <= limit
        found += page.items
        if page.next is None:
            return found
        page = ask(after=page.next, limit=limit, **which)


def test_procedures_are_listed_page_by_page(proof: ProofStore, lists: ProofQueries) -> None:
    done = [concluded(proof, kind, minute).procedure for minute, kind in enumerate(Kind)]
    ended = proof.begin_procedure(begun(minute=8))
    proof.end_procedure(ended, "no time", START + 9 * MINUTE)
    opened = proof.begin_procedure(begun(Kind.GAUGE_STUDY, 10, rig="rig-2"))
    for attempt in range(2):
        proof.keep_step(opened, step(1, attempt))
    rows = all_pages(lists.procedures, 2)
    assert [row.number for row in rows] == [opened, ended, *reversed(done)]
    assert [(row.standing, row.steps_done, row.outcome) for row in rows[:3]] == [
        (Standing.OPEN, 1, None),
        (Standing.ABANDONED, 0, None),
        (Standing.DONE, 1, 2),
    ]
    assert rows[1].cause == "no time"
    chosen = {
        ProcedureFilter(rig="rig-2"): [opened],
        ProcedureFilter(kind=Kind.GAUGE_STUDY): [opened, done[3]],
        ProcedureFilter(standing=Standing.DONE, kind=Kind.CALIBRATION): [done[0]],
        ProcedureFilter(station="mossgate-2"): [],
    }
    for which, numbers in chosen.items():
        assert [row.number for row in lists.procedures(which).items] == numbers
    assert [(one.attempt, one.at) for one in lists.attempts(opened)] == [(1, START), (2, START + MINUTE)]
    with pytest.raises(NotFound, match="procedure 99 does not exist"):
        lists.attempts(99)


def test_calibrations_are_listed_with_the_flicks_they_saw(store: SqlStore, proof: ProofStore, lists: ProofQueries) -> None:
    first = concluded(proof, Kind.CALIBRATION, 0)
    refused = concluded(proof, Kind.CALIBRATION, 1, problems=("Backlash is 9 counts; at most 4 are allowed.",))
    other = concluded(proof, Kind.CALIBRATION, 2, rig="rig-2", rig_id="R-0002", emulated=False)
    closed_run(store, "DL2-00001", 5, calibration=first.name, flicks=84)
    closed_run(store, "DL2-00002", 6, calibration=first.name, flicks=80)
    rows = all_pages(lists.calibrations, 1)
    assert [(row.number, row.flicks, row.accepted) for row in rows] == [(3, 0, True), (2, 0, False), (1, 164, True)]
    assert rows[1].problems == refused.problems
    assert [row.number for row in lists.calibrations(ProofFilter(rig="rig-1")).items] == [2, 1]
    assert [row.number for row in lists.calibrations(ProofFilter(accepted=True, emulated=True)).items] == [1]
    assert lists.calibration(3) == other
    with pytest.raises(NotFound, match="calibration 9 does not exist"):
        lists.calibration(9)


def test_reference_units_and_checks_are_listed(proof: ProofStore, lists: ProofQueries) -> None:
    units = [concluded(proof, Kind.REFERENCE_VALUES, minute) for minute in range(3)]
    checks = [concluded(proof, Kind.REFERENCE_CHECK, 10 + minute, peak=19.5 + minute) for minute in range(3)]
    assert all_pages(lists.reference_units, 2) == units[::-1]
    assert all_pages(lists.checks, 2) == checks[::-1]
    assert lists.checks(ProofFilter(accepted=False)).items == (checks[2], checks[1])
    assert lists.checks(ProofFilter(rig="rig-2")).items == ()
    assert lists.check(2) == checks[1]


def test_studies_are_listed_without_their_documents(proof: ProofStore, lists: ProofQueries) -> None:
    made = [concluded(proof, Kind.GAUGE_STUDY, 0), concluded(proof, Kind.TYPE_1_STUDY, 1, peak_u_counts=NAN)]
    rows = all_pages(lists.studies, 1)
    assert [(row.number, row.kind) for row in rows] == [(2, Kind.TYPE_1_STUDY), (1, Kind.GAUGE_STUDY)]
    assert math.isnan(rows[0].peak_u_counts)
    assert lists.study(1) == made[0]
    assert lists.studies(ProofFilter(product="heron")).items == ()


def test_signals_wait_until_somebody_notes_why(proof: ProofStore, lists: ProofQueries) -> None:
    latency = ChartKey("latency", rig="rig-1")
    proof.keep_signals([signal("21"), signal("22"), signal("22", "one-side"), signal("22", chart=latency)])
    proof.keep_note(note("22"))
    rows = all_pages(lists.signals, 1)
    assert [row.signal for row in rows] == [signal("22", chart=latency), signal("21")]
    assert [row.signal for row in lists.signals(without_note=False).items][:2] == [signal("22", chart=latency), signal("22", "one-side")]
    assert lists.signals(station="mossgate-2").items == ()
    proof.keep_note(note("21"))
    noted = all_pages(lists.notes, 1)
    assert [row.note for row in noted] == [note("21"), note("22")]
    assert noted[0].note.chart == SPEED


def test_pages_of_no_size_and_foreign_cursors_are_refused(lists: ProofQueries) -> None:
    for ask in (lists.procedures, lists.calibrations, lists.reference_units, lists.checks, lists.studies, lists.signals, lists.notes):
        with pytest.raises(UsageError, match="limit is 0"):
            ask(limit=0)
        with pytest.raises(UsageError, match="page cursor is 'x'"):
            ask(after="x")
