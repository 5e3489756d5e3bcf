"""What a station needs in order to tell the database of its line what it did, and what whoever shows the line asks that database."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Waiting:
    """What the line database has yet to get. oldest_at: when the oldest of it was put down, None without any.

    refused: how many of them it would not take; they wait aside. refusal: why it did not take the first of these.
    """

    count: int
    oldest_at: datetime | None
    refused: int
    refusal: str


class LineSender(Protocol):
    """Sends what waits, in order, each thing once. Used by one thread at a time."""

    def begin(self, at: datetime) -> None:
        """Put down from now on what the line has yet to get. Idempotent. Raises StoreError."""
        ...

    def send(self, at: datetime) -> int:
        """Send some of what waits and say how many things are done with, sent or refused: 0 when all are. Tells the line that we live.

        Raises StoreError: StoreUnavailable when the line is away, SchemaMismatch when it has another revision. Nothing is lost then.
        """
        ...

    def try_again(self) -> None:
        """Let what was refused be sent once more. Raises StoreError."""
        ...

    def waiting(self) -> Waiting:
        """Raises StoreError."""
        ...

    def close(self) -> None:
        """Give the connections back. Idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class LineStation:
    """A station as the line knows it. waiting, refused: what it had yet to send when it was heard last."""

    place: int
    name: str
    joined_at: datetime
    heard_at: datetime
    waiting: int
    refused: int


@dataclass(frozen=True, slots=True)
class CameRun:
    """A run that came to the line."""

    number: int
    station: str
    rig: str
    verdict: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class News:
    """What came since a mark, and the mark to ask with next time. orders: numbers of rework orders that are new or changed."""

    mark: Mapping[int, tuple[int, datetime]]
    runs: Sequence[CameRun]
    orders: Sequence[int]


class LineBook(Protocol):
    """What is asked of a line database about its stations."""

    def stations(self) -> Sequence[LineStation]:
        """By their places. Raises StoreError."""
        ...

    def news(self, mark: Mapping[int, tuple[int, datetime]] | None) -> News:
        """Without a mark: nothing, and the mark of now. Raises StoreError."""
        ...
