"""The audit trail and the chain of digests: whatever is changed, removed or inserted is named."""

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing as closed
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from db.answers import KEPT_FOR, Answer, AnswerStore
from db.audit import AuditEntry, AuditStore, entries
from db.chain import digest_of, link_of
from db.chain_check import ChainReport, verify
from db.engine import Database
from db.store import SqlStore
from tests.db.making import SPECIFICATION, START, STATION, TEXT, closing, opening, trace

ENTRY = AuditEntry(START, "bench", "operate", "127.0.0.1", "POST /v1/rigs/a/start", 202, "{}", "0" * 64, "1" * 64)
RUNS = 4


@pytest.fixture
def store(file_url: str) -> Iterator[SqlStore]:
    one = SqlStore(file_url, STATION, keep_pass_every=1)
    one.keep_specification(TEXT, SPECIFICATION, START)
    yield one
    one.close()


@pytest.fixture
def sealed(store: SqlStore) -> Database:
    """Four runs and three entries, in turn."""
    trail = AuditStore(store.database, STATION)
    for number in range(1, RUNS + 1):
        run_once(store, number)
        if number < RUNS:
            trail.write(replace(ENTRY, at=START + timedelta(minutes=number), asked=f'{{"n":{number}}}'))
    return store.database


def run_once(store: SqlStore, seed: int) -> int:
    number = store.open_run(opening(f"DL2-0000{seed}", START + timedelta(minutes=seed)))
    store.close_run(number, closing(seed))
    return number


def tamper(database: Database, *statements: str) -> None:
    """Change a database as someone who owns the file can: without its triggers."""
    assert database.file is not None
    with closed(sqlite3.connect(database.file)) as connection, connection:
        for table, verb in (("chain", "update"), ("chain", "delete"), ("audit_entries", "update"), ("audit_entries", "delete")):
            connection.execute(f"DROP TRIGGER {table}_no_{verb}")
        for statement in statements:
            assert connection.execute(statement).rowcount > 0


def only(database: Database) -> ChainReport:
    (report,) = verify(database)
    return report


def test_a_chain_that_nobody_touched_is_sound(sealed: Database) -> None:
    report = only(sealed)
    assert report.findings == []
    assert (report.station, report.runs, report.entries, report.before) == (STATION, RUNS, RUNS - 1, 0)
    assert report.position == 1 + RUNS + RUNS - 1


def test_a_link_is_the_sha_256_of_what_stands_in_its_row() -> None:
    """Against hashlib over the text written out by hand (FIPS 180-4)."""
    text = '["' + "0" * 64 + '",1,"run",7,"abc"]'
    assert link_of("0" * 64, 1, "run", 7, "abc") == hashlib.sha256(text.encode()).hexdigest()
    assert digest_of({"b": 1, "a": None}) == hashlib.sha256(b'{"a":null,"b":1}').hexdigest()


CHANGES = [
    ("UPDATE runs SET verdict = 'pass' WHERE number = 2", "run 2 was changed"),
    ("UPDATE runs SET operator = 'nobody' WHERE number = 1", "run 1 was changed"),
    ("UPDATE runs SET evidence = '{}' WHERE number = 3", "run 3 was changed"),
    ("UPDATE units SET serial = 'DL2-99999' WHERE serial = 'DL2-00002'", "run 2 was changed"),
    ("UPDATE group_results SET peak_max_counts = 1.0 WHERE run_number = 2", "run 2 was changed"),
    ("UPDATE trace_blocks SET sha256 = 'x' WHERE run_number = 4", "run 4 was changed"),
    ("UPDATE trace_blocks SET data = x'00' WHERE run_number = 4", "run 4: the trace of stick main was changed"),
    ("UPDATE flick_blocks SET data = x'00' WHERE run_number = 1", "run 1: the flicks of stick main was changed"),
    ("UPDATE stick_results SET detail = x'00' WHERE run_number = 1", "run 1: the detail of stick main was changed"),
    ("DELETE FROM run_reasons WHERE run_number = 2", "run 2 was changed"),
    ("DELETE FROM runs WHERE number = 3", "run 3 was removed"),
    ("UPDATE audit_entries SET who = 'other' WHERE number = 2", "audit entry 2 was changed"),
    ("UPDATE audit_entries SET at = at + 1 WHERE number = 1", "audit entry 1 was changed"),
    ("DELETE FROM audit_entries WHERE number = 3", "audit entry 3 was removed"),
    (
        "INSERT INTO audit_entries SELECT 99, station, at, who, role, address, what, status, asked, before, after, left_out "
        "FROM audit_entries WHERE number = 1",
        "audit entry 99 was inserted",
    ),
    ("UPDATE chain SET digest = 'x' WHERE kind = 'run' AND key = 1", "position 2 of the chain (run 1) was changed or inserted"),
    ("DELETE FROM chain WHERE position = 3", "positions 3 to 3 of the chain were removed"),
    ("DELETE FROM chain WHERE position = 1", "positions 1 to 1 of the chain were removed"),
    ("DELETE FROM chain WHERE position = 8", "run 4 was inserted"),
    ("DELETE FROM chain_heads", "its head says nowhere"),
    ("UPDATE chain SET key = 3 WHERE position = 1", "position 1 of the chain (begin 3) was changed or inserted"),
]


@pytest.mark.parametrize(("statement", "finding"), CHANGES, ids=[statement[:60] for statement, _ in CHANGES])
def test_whatever_is_touched_is_named(sealed: Database, statement: str, finding: str) -> None:
    tamper(sealed, statement)
    assert any(finding in one for one in only(sealed).findings), only(sealed).findings


def test_an_inserted_run_is_named(sealed: Database) -> None:
    columns = (
        "station, rig, rig_key, unit_key, specification_key, product, lot, calibration, software, firmware, boot, operator, emulated, "
    )
    columns += "fitted, started_at, ended_at, verdict, reasons, explanation, evidence, timing, flicks"
    tamper(sealed, f"INSERT INTO runs (number, {columns}) SELECT 77, {columns} FROM runs WHERE number = 1")
    assert only(sealed).findings == ["run 77 was inserted"]


def test_the_end_of_a_chain_that_was_cut_off_with_its_head_is_found_by_what_was_noted(sealed: Database) -> None:
    """Without a note nobody can tell a chain that was cut from one that was never longer."""
    noted = (only(sealed).position, only(sealed).link)
    assert verify(sealed, noted)[0].sound
    link = "(SELECT link FROM chain WHERE position = 7)"
    tamper(
        sealed,
        "DELETE FROM chain WHERE position = 8",
        "DELETE FROM runs WHERE number = 4",
        f"UPDATE chain_heads SET position = 7, link = {link}",
    )
    assert only(sealed).sound
    assert "not the link that was noted" in verify(sealed, noted)[0].findings[0]


def test_runs_from_before_the_chain_are_counted(store: SqlStore) -> None:
    run_once(store, 1)
    run_once(store, 2)
    tamper(store.database, "DELETE FROM chain", "DELETE FROM chain_heads")
    run_once(store, 3)
    assert (only(store.database).before, only(store.database).runs, only(store.database).findings) == (2, 1, [])
    with closed(sqlite3.connect(str(store.database.file))) as connection, connection:
        connection.execute("DELETE FROM runs WHERE number = 1")
    assert "1 runs older than the chain, another number" in only(store.database).findings[0]


def test_an_interrupted_run_is_sealed_too(store: SqlStore) -> None:
    number = store.open_run(opening())
    store.keep_part(number, trace(1))
    assert store.close_interrupted(STATION, START + timedelta(hours=1)) == [number]
    assert (only(store.database).runs, only(store.database).findings) == (1, [])


@pytest.mark.parametrize("table", ["audit_entries", "chain"])
@pytest.mark.parametrize("verb", ["UPDATE {} SET station = 'x'", "DELETE FROM {}"])
def test_the_database_itself_refuses_to_change_the_trail(sealed: Database, table: str, verb: str) -> None:
    with closed(sqlite3.connect(str(sealed.file))) as connection, pytest.raises(sqlite3.IntegrityError, match="only ever added"):
        connection.execute(verb.format(table))


def test_entries_come_newest_first_and_page_by_number(sealed: Database) -> None:
    newest = entries(sealed, None, 2)
    assert [one.number for one in newest] == [3, 2]
    assert [one.number for one in entries(sealed, 2, 2)] == [1]
    assert newest[0].entry == replace(ENTRY, at=START + timedelta(minutes=3), asked='{"n":3}')


def test_both_kinds_of_database_seal_alike(url: str) -> None:
    store = SqlStore(url, STATION)
    store.keep_specification(TEXT, SPECIFICATION, START)
    run_once(store, 1)
    AuditStore(store.database, STATION).write(ENTRY)
    (report,) = verify(store.database)
    store.close()
    assert (report.runs, report.entries, report.findings) == (1, 1, [])


def test_a_key_is_taken_answered_and_kept_for_a_day(file_url: str) -> None:
    database = Database(file_url)
    answers = AnswerStore(database)
    assert answers.begin("bench", "k1", "d", START) is None
    going_on = answers.begin("bench", "k1", "d", START)
    assert going_on is not None
    assert going_on.answer is None
    assert answers.begin("other", "k1", "d", START) is None
    answers.keep("bench", "k1", Answer(202, [("content-type", "application/json")], b"{}"))
    database.close()
    restarted = Database(file_url)
    kept = AnswerStore(restarted).begin("bench", "k1", "d", START + KEPT_FOR)
    assert kept is not None
    assert kept.answer == Answer(202, [("content-type", "application/json")], b"{}")
    assert AnswerStore(restarted).begin("bench", "k1", "d", START + KEPT_FOR + timedelta(seconds=1)) is None
    AnswerStore(restarted).forget("bench", "k1")
    assert AnswerStore(restarted).begin("bench", "k1", "d", START) is None
    restarted.close()


def test_the_trail_names_no_file_of_its_own(sealed: Database, tmp_path: Path) -> None:
    """Entries lie in the station's database and go with its backups."""
    assert {path.name.split("-")[0] for path in tmp_path.iterdir()} == {"station.db"}
