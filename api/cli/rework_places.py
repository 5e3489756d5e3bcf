"""Where rework commands ask and record: a database of this machine, or a station at an address. The same documents from both."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from api.cli.records import Document, Place, Question, database_url


class Rework(Protocol):
    """Documents as the API of a station gives them. Every method raises NotFound, NotReady, UsageError, StoreError or StationError."""

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        """Some of "orders" or "entries" of the ledger, and the cursor to go on with, None at the end."""
        ...

    def estimates(self, question: Question) -> list[Document]: ...

    def order(self, number: int) -> Document: ...

    def fit(self, number: int, stick: str, axis: str, part: str, operator: str) -> Document: ...

    def end(self, number: int, how: str, operator: str, cause: str) -> Document:
        """how: "scrap" or "withdraw"."""
        ...

    def lot(self, product: str, lot: str) -> Document: ...


@contextmanager
def open_rework(place: Place) -> Iterator[Rework]:
    """The rework desk of a place, given back at the end. Raises UsageError for two places, StoreError, ConfigurationError."""
    place.require_one()
    if place.server:
        from api.cli.remote import read_token
        from api.cli.rework_remote import RemoteRework

        with RemoteRework(place.server, read_token(place.token_file)) as remote:
            yield remote
    else:
        from api.cli.rework_local import LocalRework

        with LocalRework(database_url(place.database, place.config)) as local:
            yield local
