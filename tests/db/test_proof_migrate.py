"""What runs tell that ended before proving was kept: flicks, and the places of units, as if they had been kept all along."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, MetaData, create_engine, insert, select, text

import db.migrate
from db.engine import Role, make_engine, parse_url
from db.migrate import upgrade
from db.store import SqlStore
from station.errors import StoreError, StoreUnavailable
from station.records import Verdict
from tests.db.conftest import server_database
from tests.db.making import START, opening, trace
from tests.db.making_proof import MINUTE, closed_run
from tests.db.making_rework import follow
from tests.db.test_fail_at_n import FailAt
from tests.db.test_migrate import dump, rows, scripts_with

NEW = ("first_runs", "unit_counts")


@pytest.fixture
def empty_url(url: str, tmp_path: Path) -> Iterator[str]:
    """A database of the same kind without any table."""
    with ExitStack() as last:
        yield f"sqlite:///{tmp_path / 'old.db'}" if url.startswith("sqlite") else last.enter_context(server_database())


def scripts_to(folder: Path, revision: str) -> Path:
    """The packaged migrations up to a revision."""
    scripts = folder / f"to-{revision}"
    shutil.copytree(Path(str(files("migrations"))), scripts, ignore=shutil.ignore_patterns("__pycache__"))
    for script in (scripts / "versions").glob("0*.py"):
        if script.name[:4] > revision:
            script.unlink()
    return scripts


def shift(store: SqlStore) -> None:
    """Every way a run can end, some units more than once, two lots, two products, real and emulated."""
    decided = (Verdict.PASS, Verdict.FAIL)
    for number in range(1, 13):
        lot, product = f"ML-260{number % 2}", "heron" if number > 9 else "dunlin-2"
        closed_run(
            store, f"DL2-{number:05d}", number, decided[number % 3 == 0], lot=lot, product=product, emulated=number % 5 != 0, health={}
        )
    follow(store, closed_run(store, "DL2-00003", 20, Verdict.FAIL, lot="ML-2601", health={}))
    closed_run(store, "DL2-00003", 21, Verdict.PASS, lot="ML-2601", emulated=False, health={})
    undecided = closed_run(store, "DL2-00020", 22, Verdict.UNDECIDED, health={})
    closed_run(store, "DL2-00020", 23, Verdict.PASS, evidence={"continues": undecided}, health={})
    closed_run(store, "DL2-00021", 24, Verdict.INVALID, scores={}, health={})
    store.open_run(opening("DL2-00022", START + 25 * MINUTE))


def carried_back(new: Engine, old: Engine) -> None:
    """All rows of a database into one of an older revision, as far as it knows their columns."""
    tables, known = MetaData(), MetaData()
    tables.reflect(new)
    known.reflect(old)
    with new.connect() as source, old.connect() as target, target.begin():
        for table in known.sorted_tables:
            if table.name == "alembic_version":
                continue
            columns = [tables.tables[table.name].c[column.name] for column in table.columns]
            found = [dict(row) for row in source.execute(select(*columns)).mappings()]
            if found:
                target.execute(insert(table), found)


def asked(engine: Engine, sentence: str) -> list[tuple[Any, ...]]:
    with engine.connect() as connection:
        return [tuple(row) for row in connection.execute(text(sentence))]


@pytest.fixture
def engines(url: str, empty_url: str, tmp_path: Path, new_store: Callable[..., SqlStore]) -> Iterator[tuple[Engine, Engine]]:
    """A database of the current revision with a shift in it, and one of the revision before proving with the same."""
    upgrade(empty_url, scripts_to(tmp_path, "0002"))
    shift(new_store(url))
    new, old = (create_engine(parse_url(one)) for one in (url, empty_url))
    carried_back(new, old)
    yield new, old
    new.dispose()
    old.dispose()


def test_runs_from_before_are_counted_as_they_would_have_been(engines: tuple[Engine, Engine], empty_url: str, tmp_path: Path) -> None:
    new, old = engines
    done = upgrade(empty_url, scripts_to(tmp_path, "0003"))
    assert (done.before, done.after) == ("0002", "0003")
    for table in NEW:
        expected = asked(new, f"SELECT * FROM {table}")
        assert len(expected) > 3
        assert sorted(asked(old, f"SELECT * FROM {table}")) == sorted(expected)
    found = dict(asked(old, "SELECT number, flicks FROM runs"))
    groups = dict(asked(old, "SELECT run_number, sum(flicks) FROM group_results GROUP BY run_number"))
    assert found == {number: groups.get(number) for number in found}
    assert sorted(found.items())[-2:] == [(17, None), (18, None)]  # nothing was scored; it goes on
    assert asked(old, "SELECT count(*) FROM run_health") == [(0,)]


def test_a_failure_on_the_way_leaves_the_older_schema(
    tmp_path: Path, new_store: Callable[..., SqlStore], file_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "old.db"
    address = f"sqlite:///{file}"
    upgrade(address, scripts_to(tmp_path, "0002"))
    store = new_store(file_url)
    shift(store)
    store.keep_part(18, trace(2, 50))
    new, older = create_engine(file_url), create_engine(address)
    carried_back(new, older)
    new.dispose()
    older.dispose()
    before, counted = dump(file), rows(file)
    with pytest.raises(StoreError, match="no such table: nowhere"):
        upgrade(address, scripts_with(tmp_path, '    op.execute("INSERT INTO nowhere VALUES (1)")'))
    assert dump(file) == before
    scripts, armed, at = scripts_to(tmp_path, "0003"), [], 1

    def make(place: Any, role: Role) -> Engine:
        engine = make_engine(place, role)
        armed.append(FailAt(engine, at))
        return engine

    monkeypatch.setattr(db.migrate, "make_engine", make)
    while True:
        try:
            upgrade(address, scripts)
        except StoreUnavailable:
            assert armed.pop().end()
            assert dump(file) == before, f"statement {at}"
            at += 1 + at // 8
            continue
        assert not armed.pop().end()
        break
    assert at > 50
    assert {name: count for name, count in rows(file).items() if name in counted} == counted
