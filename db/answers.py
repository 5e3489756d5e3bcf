"""Answers kept by the key that a request came with, so that its repetition is answered and not done again, also after a restart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import delete, insert, update
from sqlalchemy.orm import Session

from db.engine import Database
from db.models_audit import KeptAnswer

KEPT_FOR: Final = timedelta(hours=24)  # chosen: a shift's outage and a night; the IETF draft leaves it to the service


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered. headers: pairs of those that belong to it."""

    status: int
    headers: Sequence[tuple[str, str]]
    body: bytes


@dataclass(frozen=True, slots=True)
class Earlier:
    """A request that came before with the same key. answer: None while it is not answered."""

    digest: str
    answer: Answer | None


class AnswerStore:
    """Keys and answers. Safe to use from any thread."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def begin(self, who: str, key: str, digest: str, at: datetime) -> Earlier | None:
        """Take a key for a request; None when it is free, else what came before. Forgets what is a day old. Raises StoreError."""

        def work(session: Session, _again: bool) -> Earlier | None:
            session.execute(delete(KeptAnswer).where(KeptAnswer.at < at - KEPT_FOR))
            kept = session.get(KeptAnswer, (who, key))
            if kept is None:
                row = {"who": who, "key": key, "digest": digest, "at": at, "status": None, "headers": [], "body": b""}
                session.execute(insert(KeptAnswer).values(row))
                return None
            pairs = [(name, value) for name, value in kept.headers]
            return Earlier(kept.digest, None if kept.status is None else Answer(kept.status, pairs, kept.body))

        return self._database.write(work)

    def keep(self, who: str, key: str, answer: Answer) -> None:
        """The answer to a request that was begun. Raises StoreError."""
        values = {"status": answer.status, "headers": [list(pair) for pair in answer.headers], "body": answer.body}
        mine = update(KeptAnswer).where(KeptAnswer.who == who, KeptAnswer.key == key).values(values)
        self._database.write(lambda session, _again: session.execute(mine))

    def forget(self, who: str, key: str) -> None:
        """Give a key free again: its request was refused and changed nothing. Raises StoreError."""
        mine = delete(KeptAnswer).where(KeptAnswer.who == who, KeptAnswer.key == key)
        self._database.write(lambda session, _again: session.execute(mine))
