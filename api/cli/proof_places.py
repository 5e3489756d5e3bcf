"""Where the commands of proving ask: a database of this machine, or a running station. What moves a finger needs a station."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from api.cli.records import Document, Place, Question, database_url

if TYPE_CHECKING:
    from api.cli.proof_remote import RemoteProof


class Proofs(Protocol):
    """Documents as the API of a station gives them. Every method raises NotFound, UsageError, StoreError or StationError."""

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        """Some of "procedures", "calibrations", "checks" or "studies", and the cursor to go on with, None at the end."""
        ...

    def units(self, question: Question, limit: int) -> list[Document]:
        """Values of reference units, newest first."""
        ...

    def calibration(self, number: int) -> Document: ...

    def certificate(self, number: int) -> bytes:
        """As PDF."""
        ...

    def study(self, number: int) -> Document: ...

    def charts(self, rig: str) -> list[Document]: ...

    def chart(self, key: str, newest: int) -> Document: ...

    def freeze(self, key: str, first: str, last: str, rules: list[str], operator: str) -> Document: ...

    def note(self, key: str, point: str, cause: str, action: str, operator: str) -> Document: ...


@contextmanager
def open_proofs(place: Place) -> Iterator[Proofs]:
    """What is kept at a place, given back at the end. Raises UsageError for two places, StoreError, ConfigurationError."""
    place.require_one()
    if place.server:
        with open_station(place.server, place.token_file) as remote:
            yield remote
    else:
        from api.cli.proof_local import LocalProof

        with LocalProof(database_url(place.database, place.config)) as local:
            yield local


@contextmanager
def open_station(server: str, token_file: Path | None) -> Iterator["RemoteProof"]:
    """A running station, given back at the end. Raises UsageError for an address that is none."""
    from api.cli.proof_remote import RemoteProof
    from api.cli.remote import read_token

    with RemoteProof(server, read_token(token_file)) as station:
        yield station
