"""What a station sends to the database of its line: a batch read from one state of its own, written there, then forgotten here.

A kill between the two leaves the batch in the outbox: it is sent again, found by its keys, and nothing is there twice.
"""

import logging
from datetime import datetime
from typing import Final

from db import outbox
from db.engine import Database
from db.forward_line import LineDatabase, Origin
from db.forward_records import Record, read_record
from station.ports.line import Waiting

log = logging.getLogger(__name__)

BATCH: Final = 20
"""Things sent in one transaction. Chosen: with traces some 10 MB in memory, and the line is held for a fraction of a second."""


class Forwarding:
    """Implements station.ports.line.LineSender. database: the station's own. url: of the line's."""

    def __init__(self, database: Database, station: str, url: str) -> None:
        self._database = database
        self._station = station
        self._line = LineDatabase(url)

    def begin(self, at: datetime) -> None:
        """See the port."""
        outbox.keep_outbox(self._database, at)

    def send(self, at: datetime) -> int:
        """See the port."""
        with self._database.read() as connection:
            waiting = outbox.waiting(connection)
            origin = Origin(self._station, outbox.identity(connection))
            entries = outbox.heads(connection, BATCH)
            read = [(entry, read_record(connection, entry.kind, entry.number)) for entry in entries]
        for entry in (entry for entry, record in read if record is None):
            log.warning("%s %d is not here any more and cannot be sent to the line", entry.kind, entry.number)
        there: list[tuple[int, Record]] = [(entry.place, record) for entry, record in read if record is not None]
        refused = self._line.take(origin, [record for _, record in there], waiting, at)
        aside = {there[index][0]: sentence for index, sentence in refused.items()}
        outbox.settle(self._database, [entry.place for entry in entries if entry.place not in aside], aside)
        return len(entries)

    def try_again(self) -> None:
        """See the port."""
        outbox.try_again(self._database)

    def waiting(self) -> Waiting:
        """See the port."""
        with self._database.read() as connection:
            return outbox.waiting(connection)

    def close(self) -> None:
        """See the port."""
        self._line.close()
