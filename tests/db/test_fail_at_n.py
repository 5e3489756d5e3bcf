"""The Nth statement fails, for every N until a whole transaction runs untouched: all or nothing each time."""

import shutil
import sqlite3
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

import db.migrate
from db.engine import Role, make_engine
from db.migrate import create_or_require, head, upgrade
from db.queries import Queries
from db.store import SqlStore
from station.errors import StoreUnavailable
from tests.db.making import START, STATION, closing, opening, trace
from tests.db.test_migrate import REBUILD, STEP, dump


class FailAt:
    """Raises an error of the disk at the Nth statement or commit of an engine; counts them."""

    def __init__(self, engine: Engine, at: int) -> None:
        self.at, self.seen = at, 0
        event.listen(engine, "before_cursor_execute", self.count)
        event.listen(engine, "commit", self.count)
        self.engine = engine

    def count(self, *about: Any) -> None:
        if len(about) > 2 and "sqlite_temp_master" in about[2]:
            return  # the library's reflection asks in another way when this question fails
        self.seen += 1
        if self.seen == self.at:
            problem = sqlite3.OperationalError("disk I/O error")
            problem.sqlite_errorname = "SQLITE_IOERR_FSYNC"
            raise problem

    def end(self) -> bool:
        """Whether it failed."""
        event.remove(self.engine, "before_cursor_execute", self.count)
        event.remove(self.engine, "commit", self.count)
        return self.seen >= self.at


def verbs(store: SqlStore) -> dict[str, Callable[[], object]]:
    number = store.open_run(opening())
    return {
        "open": lambda: store.open_run(opening("DL2-00002", lot="ML-2611")),
        "part": lambda: store.keep_part(number, trace(1, 100)),
        "close": lambda: store.close_run(number, closing(1)),
        "interrupted": lambda: store.close_interrupted(STATION, START),
        "fitted": lambda: store.record_fitted("DL2-00001", "main", "x", 1e-7, "a. marsh", START),
    }


@pytest.mark.parametrize("verb", ["open", "part", "close", "interrupted", "fitted"])
def test_a_verb_is_done_wholly_or_not_at_all(
    file_url: str, new_store: Callable[..., SqlStore], monkeypatch: pytest.MonkeyPatch, verb: str
) -> None:
    monkeypatch.setattr("db.engine.worth_another_try", lambda _problem: False)
    store = new_store(file_url)
    file = Path(file_url.removeprefix("sqlite:///"))
    act = verbs(store)[verb]
    before = dump(file)
    at = 1
    while True:
        broken = FailAt(store.database.writer, at)
        try:
            act()
        except StoreUnavailable:
            assert broken.end()
            assert dump(file) == before, f"statement {at}"
            at += 1
            continue
        assert not broken.end()
        break
    assert at > 2
    assert dump(file) != before


def test_one_failure_anywhere_is_overcome(file_url: str, new_store: Callable[..., SqlStore]) -> None:
    """The second try, on a new connection, brings the result home without doing anything twice."""
    store, queries = new_store(file_url), Queries(file_url)
    at, failed = 1, True
    while failed:
        number = store.open_run(opening())
        store.keep_part(number, trace(number, 100))
        broken = FailAt(store.database.writer, at)
        store.close_run(number, closing(number))
        failed = broken.end()
        detail = queries.run(number)
        assert (detail.run.verdict, detail.traces, len(detail.sticks["main"].rows)) == ("fail", {"main": 400}, 4)
        at += 1
    assert at > 8
    queries.close()


def test_an_upgrade_is_done_wholly_or_not_at_all(
    tmp_path: Path, new_store: Callable[..., SqlStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "station.db"
    url = f"sqlite:///{file}"
    create_or_require(url)
    store = new_store(url)
    store.close_run(store.open_run(opening()), closing(1))
    store.close()
    scripts = tmp_path / "migrations"
    shutil.copytree(Path(str(files("migrations"))), scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "9999_next.py").write_text(STEP.format(down=head(), body=REBUILD), encoding="utf-8")
    old = dump(file)
    armed: list[FailAt] = []
    at = 1

    def make(address: Any, role: Role) -> Engine:
        engine = make_engine(address, role)
        armed.append(FailAt(engine, at))
        return engine

    monkeypatch.setattr(db.migrate, "make_engine", make)
    while True:
        try:
            done = upgrade(url, scripts)
        except StoreUnavailable:
            assert armed.pop().end()
            assert dump(file) == old, f"statement {at}"
            at += 1 + at // 8  # all of the first, every few of the rest
            continue
        assert not armed.pop().end()
        break
    assert at > 40
    assert done.after == "9999"
    assert dump(file) != old
