"""An audit entry and a kept answer for the tests of the store."""

from db.answers import Answer, AnswerStore
from db.audit import AuditEntry, AuditStore
from db.store import SqlStore
from tests.db.making import START


def one_of_every_deed(store: SqlStore) -> None:
    """One row in every table of who did what."""
    entry = AuditEntry(START, "bench", "operate", "127.0.0.1", "POST /v1/rigs/a/start", 202, "{}", "0" * 64, "1" * 64)
    AuditStore(store.database, store.station).write(entry)
    answers = AnswerStore(store.database)
    answers.begin("bench", "k1", "d" * 64, START)
    answers.keep("bench", "k1", Answer(202, [("content-type", "application/json")], b"{}"))
