"""The schema comes from migrations alone, all or nothing, and what exists is never overwritten."""

import shutil
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing as closed
from importlib.resources import files
from pathlib import Path

import pytest
from sqlalchemy import create_engine

from db.backup import problems_in
from db.base import Base
from db.migrate import create_or_require, head, require_current, revision, upgrade
from db.models import Run
from db.queries import Queries
from db.store import SqlStore
from station.errors import SchemaMismatch, StoreError, StoreUnavailable
from tests.db.line_making import one_of_a_line
from tests.db.making import closing, opening, trace
from tests.db.making_audit import one_of_every_deed
from tests.db.making_proof import HEALTH, one_of_every_proof
from tests.db.making_rework import one_of_everything

STEP = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9999", {down!r}, None, None


def upgrade() -> None:
{body}
"""
REBUILD = """
    with op.batch_alter_table("runs", recreate="always", table_kwargs={"sqlite_autoincrement": True}) as runs:
        runs.add_column(sa.Column("shift", sa.String(), nullable=True))
    with op.batch_alter_table("units", recreate="always") as units:
        units.add_column(sa.Column("note", sa.String(), nullable=True))
"""
FAILING = {
    "a statement that cannot be": REBUILD + '    op.execute("INSERT INTO nowhere VALUES (1)")\n',
    "rows that would be lost": REBUILD + "    op.execute(\"DELETE FROM group_results WHERE stick = 'main'\")\n",
    "a table that would be lost": REBUILD + '    op.drop_table("flick_blocks")\n',
    "run numbers that would come again": REBUILD.replace(', table_kwargs={"sqlite_autoincrement": True}', ""),
    "a reference to nothing": REBUILD + '    op.execute("UPDATE run_reasons SET run_number = 4711")\n',
}


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "station.db"


@pytest.fixture
def filled(file: Path, new_store: Callable[..., SqlStore]) -> str:
    """A database of the current revision with a closed run, an open one, parts of a trace and a fitted capacitor."""
    url = f"sqlite:///{file}"
    create_or_require(url)
    store = new_store(url)
    store.close_run(store.open_run(opening()), closing(1, health=HEALTH, flicks=84))
    store.keep_part(store.open_run(opening("DL2-00002")), trace(2))
    store.record_fitted("DL2-00001", "main", "x", 3.3e-7, "a. marsh", opening().started_at)
    one_of_everything(store)
    one_of_every_proof(store)
    one_of_a_line(store)
    one_of_every_deed(store)
    store.close()
    return url


def scripts_with(folder: Path, body: str) -> Path:
    """The packaged migrations with one more step."""
    scripts = folder / "migrations"
    shutil.copytree(Path(str(files("migrations"))), scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "9999_next.py").write_text(STEP.format(down=head(), body=body), encoding="utf-8")
    return scripts


def dump(file: Path) -> list[str]:
    """Schema and rows as text."""
    with closed(sqlite3.connect(file)) as connection:
        return list(connection.iterdump())


def rows(file: Path) -> dict[str, int]:
    with closed(sqlite3.connect(file)) as connection:
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'")]
        return {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in names}


def lines(statement: str) -> list[str]:
    """Parts of a definition in any order: a later step adds a column at the end, on the line of the last one."""
    parts = statement.replace("NOT NULL, ", "NOT NULL,\n").splitlines()
    return sorted(part.strip(" ,\t") for part in parts if part.strip())


def test_migrations_make_exactly_the_tables_of_the_models(file: Path) -> None:
    create_or_require(f"sqlite:///{file}")
    engine = create_engine("sqlite://")
    query = "SELECT name, sql FROM sqlite_master WHERE name <> 'alembic_version' AND sql IS NOT NULL"
    with engine.connect() as connection, closed(sqlite3.connect(file)) as made:
        Base.metadata.create_all(connection)
        expected = {name: lines(statement) for name, statement in connection.exec_driver_sql(query).all()}
        found = {name: lines(statement) for name, statement in made.execute(query)}
    engine.dispose()
    assert Run.__tablename__ in expected
    assert found == expected


def test_a_first_start_makes_the_database_and_a_second_finds_it(file: Path) -> None:
    url = f"sqlite:///{file.parent / 'new' / 'station.db'}"
    create_or_require(url)
    before = (file.parent / "new" / "station.db").read_bytes()
    create_or_require(url)
    assert (file.parent / "new" / "station.db").read_bytes() == before
    assert revision(url) == head()
    assert upgrade(url).backup is None


def test_starts_at_the_same_moment_make_one_database(file: Path) -> None:
    url, failed = f"sqlite:///{file}", []

    def start() -> None:
        try:
            create_or_require(url)
        except StoreError as problem:
            failed.append(problem)

    threads = [threading.Thread(target=start) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert rows(file)["runs"] == 0
    assert [path.name for path in file.parent.iterdir() if path.name.endswith(".new")] == []


def test_a_half_made_database_leaves_no_file(file: Path, tmp_path: Path) -> None:
    scripts = scripts_with(tmp_path, '    op.execute("INSERT INTO nowhere VALUES (1)")')
    with pytest.raises(StoreError, match="no such table: nowhere"):
        upgrade(f"sqlite:///{file}", scripts)
    assert [path.name for path in file.parent.iterdir()] == ["migrations"]


def test_an_upgrade_keeps_every_row_and_a_copy_of_before(filled: str, file: Path, tmp_path: Path) -> None:
    """Parents are rebuilt; with foreign keys on, dropping the old table would take its children along."""
    scripts, before, old = scripts_with(tmp_path, REBUILD), rows(file), dump(file)
    with closed(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA foreign_keys = ON")
        for table in ("ledger", "followed_runs", "rework_orders", "runs"):  # what refers to a run without hanging on it goes first
            connection.execute(f"DELETE FROM {table}")
        assert connection.execute("SELECT count(*) FROM group_results").fetchone()[0] == 0  # children do hang on their run
        connection.rollback()
    done = upgrade(filled, scripts)
    assert (done.before, done.after, revision(filled)) == (head(), "9999", "9999")
    assert rows(file) == before
    assert min(before[name] for name in before) >= 1
    assert problems_in(file) == []
    assert done.backup is not None
    assert dump(done.backup) == old
    with closed(sqlite3.connect(file)) as connection:
        assert connection.execute("SELECT shift FROM runs").fetchall() == [(None,), (None,)]
        assert connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'runs'").fetchone() == (2,)  # numbers go on


@pytest.mark.parametrize("name", FAILING)
def test_a_failed_upgrade_leaves_all_as_it_was(filled: str, file: Path, tmp_path: Path, name: str) -> None:
    scripts, old = scripts_with(tmp_path, FAILING[name]), dump(file)
    with pytest.raises(StoreError, match=r"station\.db"):
        upgrade(filled, scripts)
    assert dump(file) == old
    require_current(filled)
    queries = Queries(filled)
    assert [run.verdict for run in queries.runs().items] == [None, "fail"]
    queries.close()
    backups = list(file.parent.glob(f"station.db.{head()}.*.backup"))
    assert [dump(backup) for backup in backups] == [old]


def test_an_older_database_names_the_command(filled: str, file: Path, tmp_path: Path) -> None:
    scripts = scripts_with(tmp_path, REBUILD)
    line = rf"station\.db has schema revision {head()}, this program works with 9999: run `restpoint db upgrade`$"
    with pytest.raises(SchemaMismatch, match=line) as caught:
        require_current(filled, scripts)
    assert "\n" not in str(caught.value)


def test_a_newer_database_is_refused_and_not_upgraded(filled: str, file: Path, tmp_path: Path) -> None:
    upgrade(filled, scripts_with(tmp_path, REBUILD))
    old = dump(file)
    for act in (require_current, create_or_require, upgrade):
        with pytest.raises(SchemaMismatch, match=f"has schema revision 9999, this program works with {head()}: a newer program made it"):
            act(filled)
    assert dump(file) == old


def test_what_is_no_database_of_ours_is_left_alone(file: Path) -> None:
    with closed(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE accounts (name TEXT)")
        connection.commit()
    foreign = file.read_bytes()
    cases = {
        b"": "is empty",
        b"these are notes, not a database\n" * 40: "is not a database",
        foreign: "is not one of this program: it has tables but no schema revision",
    }
    for content, words in cases.items():
        file.write_bytes(content)
        for act in (create_or_require, require_current, upgrade):
            with pytest.raises(StoreUnavailable, match=f"station.db .*{words}"):
                act(f"sqlite:///{file}")
        assert file.read_bytes() == content
        assert [path.name for path in file.parent.iterdir() if path.suffix not in (".db",)] == []


@pytest.mark.parametrize("page", [1, 2])
def test_a_damaged_database_is_refused_and_the_backup_named(filled: str, file: Path, page: int) -> None:
    with closed(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(file, file.with_name("station.db.20261124T180000Z.backup"))
    content = bytearray(file.read_bytes())
    begin = (page - 1) * 4096 + (16 if page == 1 else 0)
    content[begin : begin + 1000] = b"\xa5" * 1000
    file.write_bytes(content)
    with pytest.raises(StoreUnavailable, match=r"station\.db \(newest backup: .*20261124T180000Z\.backup\) is (damaged|not a database)"):
        create_or_require(filled)
    assert file.read_bytes() == bytes(content)


@pytest.mark.parametrize("name", ["two words", "50%41", "a#b", "a?b", "ü"])
def test_folders_may_have_any_name(tmp_path: Path, new_store: Callable[..., SqlStore], name: str) -> None:
    url = str(tmp_path / name / "station.db")
    create_or_require(url)
    assert new_store(url).open_run(opening()) == 1
    assert (tmp_path / name / "station.db").is_file()
    assert upgrade(url, scripts_with(tmp_path, REBUILD)).backup is not None
    assert revision(url) == "9999"


def test_a_database_that_is_not_there_is_named(file: Path) -> None:
    with pytest.raises(StoreUnavailable, match=r"station\.db does not exist: run `restpoint db upgrade`"):
        require_current(f"sqlite:///{file}")
    assert not file.exists()
    file.mkdir()
    with pytest.raises(StoreUnavailable, match=r"station\.db is no file"):
        create_or_require(f"sqlite:///{file}")


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("a file where a folder is wanted", encoding="utf-8")
    with pytest.raises(StoreUnavailable, match=r"notes/station\.db cannot be made: (File exists|Not a directory)"):
        create_or_require(f"sqlite:///{tmp_path / 'notes' / 'station.db'}")
