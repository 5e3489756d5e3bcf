"""Where reports and files are asked: a database of this machine, or a running station. Both give the same bytes."""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from api.cli.records import Document, Place, Question, database_url


class What(StrEnum):
    """What a file is about: failed units, yield, one unit, the trace of a run."""

    YIELD = "yield"
    FAILED = "failed"
    UNIT = "unit"
    TRACE = "trace"


@dataclass(frozen=True, slots=True)
class Wanted:
    """A file. form: its format as the API names it. key: serial number or run. question: as the API takes it, without the format."""

    what: What
    form: str
    key: str = ""
    question: Question = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Download:
    """A file on its way. rows: how many the whole list has from where it was asked to go on, None where there is no list."""

    pieces: Iterator[bytes]
    rows: int | None


class Yields(Protocol):
    """Every method raises NotFound, UsageError, StoreError or StationError; so does taking the pieces of a file."""

    def report(self, question: Question) -> Document:
        """A yield report as the API gives it."""
        ...

    def file(self, wanted: Wanted) -> AbstractContextManager[Download]: ...


@contextmanager
def open_yields(place: Place) -> Iterator[Yields]:
    """Reports of a place, given back at the end. Raises UsageError for two places, StoreError, ConfigurationError."""
    place.require_one()
    if place.server:
        from api.cli.remote import read_token
        from api.cli.yields_remote import RemoteYields

        with RemoteYields(place.server, read_token(place.token_file)) as remote:
            yield remote
    else:
        from api.cli.yields_local import LocalYields
        from api.config import load_config

        with LocalYields(database_url(place.database, place.config), load_config(place.config, {}).station) as local:
            yield local
