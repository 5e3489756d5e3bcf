"""Databases for tests: always a file, never memory; PostgreSQL too where a server is given."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine, make_url

from db.engine import parse_url
from db.migrate import create_or_require
from db.queries import Queries
from db.store import SqlStore
from tests.db.making import SPECIFICATION, START, STATION, TEXT

POSTGRES = "RESTPOINT_TEST_POSTGRES_URL"
KINDS = ["sqlite", "postgresql"] if os.environ.get(POSTGRES) else ["sqlite"]


@pytest.fixture
def file_url(tmp_path: Path) -> str:
    """A SQLite database of the current revision."""
    url = f"sqlite:///{tmp_path / 'station.db'}"
    create_or_require(url)
    return url


@contextmanager
def server_database() -> Iterator[str]:
    """An empty PostgreSQL database of its own, dropped afterwards."""
    server = parse_url(os.environ[POSTGRES])
    name = f"restpoint_test_{uuid4().hex}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name}")
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
        with engine.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    finally:
        engine.dispose()


@pytest.fixture
def postgres_url() -> Iterator[str]:
    with server_database() as url:
        yield url


@pytest.fixture(params=KINDS)
def url(request: pytest.FixtureRequest) -> str:
    """A database of the current revision, of either kind; PostgreSQL only where a server is given (test_postgres.py says so)."""
    made = str(request.getfixturevalue("file_url" if request.param == "sqlite" else "postgres_url"))
    create_or_require(made)
    return made


@pytest.fixture
def new_store() -> Iterator[Callable[..., SqlStore]]:
    """Opens stores with the demo product's specification in them; closes them at the end."""
    opened: list[SqlStore] = []

    def make(url: str, keep_pass_every: int = 20, station: str = STATION) -> SqlStore:
        store = SqlStore(url, station, keep_pass_every)
        opened.append(store)
        store.keep_specification(TEXT, SPECIFICATION, START)
        return store

    yield make
    for store in opened:
        store.close()


@pytest.fixture
def store(url: str, new_store: Callable[..., SqlStore]) -> SqlStore:
    return new_store(url)


@pytest.fixture
def queries(url: str) -> Iterator[Queries]:
    made = Queries(url)
    yield made
    made.close()
