"""Copies made while somebody writes."""

import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing as closed
from pathlib import Path

import pytest

from db.backup import copy_database, newest_backup, problems_in
from db.migrate import require_current
from db.queries import Queries
from db.store import SqlStore
from station.errors import StoreError, StoreUnavailable
from tests.db.making import closing, opening


def test_a_copy_holds_all_that_was_acknowledged_before_it(file_url: str, new_store: Callable[..., SqlStore], tmp_path: Path) -> None:
    store = new_store(file_url)
    source = Path(file_url.removeprefix("sqlite:///"))
    acknowledged: list[int] = []
    stop = threading.Event()

    def write() -> None:
        while not stop.is_set():
            number = store.open_run(opening())
            store.close_run(number, closing(number))
            acknowledged.append(number)

    writer = threading.Thread(target=write)
    writer.start()
    promised: list[tuple[Path, list[int]]] = []
    while len(promised) < 8:
        before = list(acknowledged)
        promised.append((copy_database(source, tmp_path / f"copy-{len(promised)}.db"), before))
    stop.set()
    writer.join()
    assert len(promised[-1][1]) > len(promised[0][1])
    for copy, numbers in promised:
        require_current(f"sqlite:///{copy}")
        assert problems_in(copy) == []
        queries = Queries(f"sqlite:///{copy}")
        there = {run.number for run in queries.runs(limit=500).items if run.verdict}
        assert set(numbers) <= there
        for number in numbers[-3:]:
            assert len(queries.recording(number).x_v) == 400
        queries.close()


def test_a_copy_replaces_nothing(file_url: str, tmp_path: Path) -> None:
    source, target = Path(file_url.removeprefix("sqlite:///")), tmp_path / "kept.db"
    target.write_bytes(b"something else")
    with pytest.raises(StoreError, match=r"kept\.db exists already; name another file"):
        copy_database(source, target)
    assert target.read_bytes() == b"something else"
    with pytest.raises(StoreUnavailable, match=r"backup of .*station\.db to .*copy\.db failed: unable to open database file"):
        copy_database(source, tmp_path / "nowhere" / "copy.db")
    assert not (tmp_path / "nowhere").exists()


def test_a_damaged_database_makes_no_backup(file_url: str, new_store: Callable[..., SqlStore], tmp_path: Path) -> None:
    store = new_store(file_url)
    store.close_run(store.open_run(opening()), closing(1))
    assert store.database.tidy()
    store.close()
    source = Path(file_url.removeprefix("sqlite:///"))
    with closed(sqlite3.connect(source)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_runs_started_at_number'").fetchone()[0]
    content = bytearray(source.read_bytes())
    content[page * 4096 - 20 : page * 4096] = b"\x7f" * 20
    source.write_bytes(content)
    assert problems_in(source) != []
    with pytest.raises(StoreUnavailable, match="is not sound"):
        copy_database(source, tmp_path / "copy.db")
    assert list(tmp_path.glob("copy*")) == []


def test_the_newest_backup_is_found(file_url: str) -> None:
    source = Path(file_url.removeprefix("sqlite:///"))
    assert newest_backup(source) is None
    for stamp in ("20261124T180000Z", "20261125T180000Z"):
        copy_database(source, source.with_name(f"{source.name}.{stamp}.backup"))
    (source.parent / "other.db.20261126T180000Z.backup").write_bytes(b"")
    assert newest_backup(source) == source.with_name("station.db.20261125T180000Z.backup")
