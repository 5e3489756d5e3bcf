"""The whole API asked at random by schemathesis, from its own OpenAPI document: whatever is sent, no answer is a 5xx.

Answers are also held against the document: their status, their media type and their schema. Over a database with runs, traces, rework and
a history for yield; the desk and the proving are stand-ins that do what they are told, rework is recorded by the product's own desk.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import hypothesis
import schemathesis
from hypothesis import HealthCheck, Phase, given
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance, status_code_conformance

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from db.store import SqlStore
from station.errors import NotFound, NotReady, UsageError
from station.ports.proof import ProcedureView
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk
from tests.api.fakes_proof import STEPS, FakeProof
from tests.api.filled import STATION
from tests.api.reworked import Workshop, reworked_store

ENDLESS = ("/v1/events",)
"""Streams: they end with the service, not with the answer."""

KNOWN: dict[str, tuple[Any, ...]] = {
    "number": (1, 2, 7),
    "order": (1, 2, 3),
    "serial": ("DN-0101", "DN-0103", "DN-0107"),
    "rig": ("a",),
    "lot": ("ML-2607",),
    "product": ("dunlin-2",),
    "name": ("dunlin-2",),
    "revision": ("A",),
}
"""Parts of addresses that lead somewhere; every other request gets them, since random ones never do."""

CHECKS = [not_a_server_error, content_type_conformance, response_schema_conformance, status_code_conformance]
HOST = "http://127.0.0.1:8000"
TRANSPORT = ("method", "url", "headers", "params", "json", "data", "content")


class StrictDesk(FakeDesk):
    """Knows its own alarms, as the station does."""

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        if specification not in self.alarmed:
            raise NotFound(f"specification is {specification!r}; no alarm of it is on")
        super().set_back(specification, operator, cause)


class StrictProof(FakeProof):
    """Knows its own steps, as the station does."""

    def go_on(self, number: int, operator: str, position: int = 0) -> ProcedureView:
        if position > len(STEPS):
            raise UsageError(f"position is {position}; expected 0 to {len(STEPS)}")
        if not position and self.procedure(number).next is None:
            raise NotReady(f"procedure {number} has no step left")
        return super().go_on(number, operator, position)


@dataclass
class Found:
    """operations, asked: how many. troubles: one line for each kind, with a request that shows it."""

    operations: int = 0
    asked: int = 0
    statuses: dict[int, int] = field(default_factory=dict)
    troubles: dict[str, str] = field(default_factory=dict)


@contextmanager
def fuzzed_service(folder: Path) -> Iterator[tuple[TestClient, Any]]:
    """A client of a service over a filled database, and the schema of its API."""
    url = reworked_store(folder)
    store, queries = SqlStore(url, STATION), Queries(url)
    settings = WebSettings(station=STATION, version="0.1.0", zone="Europe/Berlin")
    app = build_app(StrictDesk(), queries, Access(), settings, Workshop(store).desk, StrictProof())
    try:
        with TestClient(app, base_url=HOST, raise_server_exceptions=False, client=("127.0.0.1", 50000)) as client:
            yield client, schemathesis.openapi.from_dict(app.openapi())
    finally:
        queries.close()
        store.close()


def operations(schema: Any) -> list[Any]:
    """All that can be asked, without what never ends."""
    found = [result.ok() for result in schema.get_all_operations()]
    return [one for one in found if one.path not in ENDLESS]


def ask(operation: Any, client: TestClient, examples: int, seed: int, found: Found) -> None:
    """Some random requests of one kind; what goes wrong is noted and never raised."""

    @hypothesis.seed(seed)
    @hypothesis.settings(
        max_examples=examples,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate],
    )
    @given(case=operation.as_strategy())
    def once(case: Any) -> None:
        _ask_once(case, client, found)

    once()


def _ask_once(case: Any, client: TestClient, found: Found) -> None:
    found.asked += 1
    if found.asked % 2:
        case.path_parameters = {name: _known(name, found.asked, value) for name, value in (case.path_parameters or {}).items()}
    sent = case.as_transport_kwargs(base_url=HOST)
    response = client.request(**{key: value for key, value in sent.items() if key in TRANSPORT})
    found.statuses[response.status_code] = found.statuses.get(response.status_code, 0) + 1
    try:
        case.validate_response(response, checks=CHECKS)
    except BaseExceptionGroup as group:
        for problem in group.exceptions:
            said = " | ".join(line.strip() for line in str(problem).splitlines() if line.strip())
            where = f"{case.method} {case.operation.path}: {said.partition(' | ')[0]} ({response.status_code})"
            found.troubles.setdefault(where, f"{response.request.url} {said[:300]} {response.text[:300]}")


def _known(name: str, turn: int, value: Any) -> Any:
    known = KNOWN.get(name)
    return known[turn % len(known)] if known else value


def fuzz(
    folder: Path,
    seconds: float,
    seed: int,
    examples: int,
    chosen: Sequence[str] = (),
    rounds: int = 1_000_000,
    tell: Callable[[str], None] = print,
) -> Found:
    """Rounds over all operations until they are done or the time is over. chosen: beginnings of paths, () all."""
    found, end_s = Found(), time.monotonic() + seconds
    with fuzzed_service(folder) as (client, schema):
        some = [one for one in operations(schema) if not chosen or one.path.startswith(tuple(chosen))]
        found.operations = len(some)
        for turn in range(rounds):
            for operation in some:
                ask(operation, client, examples, seed + turn, found)
                if time.monotonic() >= end_s:
                    return found
            tell(f"{found.asked} requests, {len(found.troubles)} kinds of trouble")
    return found
