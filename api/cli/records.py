"""What the query commands ask, wherever the answer comes from: a database of this machine or a station at an address."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Protocol

import typer

from station.errors import UsageError

Document = dict[str, Any]
Question = Mapping[str, str]

LIMIT: Final = 20  # rows of a list when nothing is said: a screenful
PAGE_MAX: Final = 500  # most rows a station gives at once; larger wishes are gathered page by page

Server = Annotated[str, typer.Option("--server", metavar="URL", help="Ask the station at this address instead of a database.")]
TokenFile = Annotated[
    Path | None,
    typer.Option("--token-file", metavar="FILE", help="File with the access token; else the environment variable RESTPOINT_TOKEN."),
]
DatabaseUrl = Annotated[str, typer.Option("--database", metavar="URL", help="The database instead of the configured one: sqlite:///FILE.")]
ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file that names the database.")]
Limit = Annotated[int | None, typer.Option("--limit", min=1, max=100_000, help="Most rows to show; 20 if left out.")]
After = Annotated[str, typer.Option("--after", metavar="CURSOR", help="Go on where an earlier answer's `next` points.")]


class Records(Protocol):
    """Documents as the API of a station gives them. Every method raises NotFound, UsageError, StoreError or StationError."""

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        """Some of "runs" or "units", and the cursor to go on with, None at the end. limit: at most PAGE_MAX."""
        ...

    def run(self, number: int) -> Document: ...

    def unit(self, serial: str) -> Document: ...


@dataclass(frozen=True, slots=True)
class Place:
    """Where to ask, from the options of a query command."""

    server: str
    token_file: Path | None
    database: str
    config: Path | None

    def require_one(self) -> None:
        """Raises UsageError when two places are named, or a token without a station."""
        if self.server and (self.database or self.config):
            raise UsageError("--server is given beside --database or --config; expected one place to ask")
        if self.token_file and not self.server:
            raise UsageError("--token-file is given without --server; expected both, a database needs no token")


@contextmanager
def open_records(place: Place) -> Iterator[Records]:
    """The records at a place, given back at the end. Raises UsageError when the place is named twice, StoreError, ConfigurationError."""
    place.require_one()
    if place.server:
        from api.cli.remote import RemoteRecords, read_token

        with RemoteRecords(place.server, read_token(place.token_file)) as remote:
            yield remote
    else:
        from api.cli.local import LocalRecords

        with LocalRecords(database_url(place.database, place.config)) as local:
            yield local


def database_url(database: str, config: Path | None) -> str:
    """Address of the database: as named, or as configured. Raises ConfigurationError."""
    if database:
        return database
    from api.config import load_config

    return load_config(config, {}).database_url


@dataclass(frozen=True, slots=True)
class Span:
    """Which part of a list: from a cursor on, "" for the beginning, so many rows."""

    after: str
    limit: int | None

    @property
    def asked(self) -> bool:
        """Whether anything was asked for."""
        return bool(self.after) or self.limit is not None


def gather(records: Records, what: str, question: Question, span: Span) -> tuple[list[Document], str | None]:
    """As many rows as wished, page by page, and the cursor to go on with."""
    limit, after = LIMIT if span.limit is None else span.limit, span.after
    found: list[Document] = []
    cursor: str | None = after or None
    while True:
        rows, cursor = records.page(what, question, cursor, min(PAGE_MAX, limit - len(found)))
        found.extend(rows)
        if cursor is None or len(found) >= limit:
            return found, cursor
