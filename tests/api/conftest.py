"""Fixtures of the doors' tests: a filled database made once, a desk and an app per test."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

HOST = "http://127.0.0.1:8000"


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Address of a database with one run per story."""
    from tests.api.filled import filled_store

    return filled_store(tmp_path_factory.mktemp("filled"))


@pytest.fixture
def queries(filled: str) -> Iterator[Queries]:
    asked = Queries(filled)
    yield asked
    asked.close()


@pytest.fixture
def empty_queries(tmp_path: Path) -> Iterator[Queries]:
    from db.migrate import create_or_require

    url = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    create_or_require(url)
    asked = Queries(url)
    yield asked
    asked.close()


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk()


@pytest.fixture
def settings() -> WebSettings:
    return WebSettings(station="Mossgate bench", version="0.1.0", zone="Europe/London")


@pytest.fixture
def app(desk: FakeDesk, queries: Queries, settings: WebSettings) -> FastAPI:
    """Without tokens: open to this machine."""
    return build_app(desk, queries, Access(), settings)


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, follow_redirects=False, client=("127.0.0.1", 50000)) as one:
        yield one
