"""The rework loop's verbs over a SQL database, each one transaction. What moves an order is said by station.rework."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from db.blocks import pack_json, plain
from db.engine import Database
from db.models import FittedPart, Run
from db.models_rework import Advice, FollowedRun, LedgerEntry, ReworkOrder, ReworkPart, ReworkTry, SourceEstimate
from db.outbox import Kind, put
from db.queries.rework import ReworkQueries, advice_about
from db.queries.rework_due import jobs, lots_to_learn, scoped, unfollowed
from db.rework_steps import active_order, current_try, next_try, require_stick, steps_of
from station.errors import NotFound, NotReady, StoreError
from station.records import Verdict
from station.rework import (
    STATE_AFTER,
    Checked,
    Computed,
    EstimateRow,
    Followed,
    Job,
    Lesson,
    LotKey,
    LotNews,
    Meaning,
    Outcome,
    Part,
    State,
    closing_of,
    outcome_of,
)

T = TypeVar("T")


class ReworkStore(ReworkQueries):
    """Implements station.ports.rework.ReworkBook for one station, over the same database as its results. Safe to use from any thread."""

    def __init__(self, database: Database, station: str) -> None:
        super().__init__(database)
        self.station = station

    def unfollowed(self) -> Sequence[int]:
        """See the port."""
        with self.database.read() as connection:
            return unfollowed(connection, self.station)

    def jobs(self) -> Sequence[Job]:
        """See the port."""
        with self.database.read() as connection:
            return jobs(connection, self.station)

    def follow(self, run_number: int, tries_max: int, at: datetime) -> Followed:
        """See the port."""

        def work(session: Session) -> Followed:
            seen = session.get(FollowedRun, run_number)
            if seen is not None:
                return Followed(Meaning(seen.meaning), seen.order_key or 0)
            run = session.get(Run, run_number)
            if run is None or run.verdict is None:
                raise NotFound(f"run {run_number} does not exist or has not ended")
            followed = steps_of(session, run, tries_max, at)
            if followed.meaning is not Meaning.WAITS:
                session.add(FollowedRun(run_number=run_number, meaning=followed.meaning, order_key=followed.order or None))
            if followed.order:
                put(session, Kind.ORDER, followed.order, at)
            return followed

        return self._write(work)

    def keep_advice(
        self, job: Job, documents: Mapping[str, Mapping[str, Any]], steps: Sequence[Mapping[str, Any]], by: str, at: datetime
    ) -> None:
        """See the port. by: the program that made it."""
        rows = [_advice_row(job.run, stick, document, by, at) for stick, document in documents.items()]

        def work(session: Session) -> None:
            session.execute(delete(Advice).where(Advice.run_number == job.run))
            if rows:
                session.execute(insert(Advice), rows)
                put(session, Kind.ADVICE, job.run, at)
            _advised(session, job, Computed.MADE, "", plain(list(steps)), at)

        self._write(work)

    def advice_failed(self, job: Job, sentence: str, at: datetime) -> None:
        """See the port."""
        self._write(lambda session: _advised(session, job, Computed.FAILED, sentence, [], at))

    def keep_check(self, job: Job, checked: Checked, at: datetime) -> Outcome:
        """See the port."""

        def work(session: Session) -> Outcome:
            order, tried = _order_and_try(session, job)
            if tried.retest_run != job.run or tried.retest_check != Computed.PENDING:
                return Outcome(tried.outcome)
            tried.retest_check = Computed.FAILED.value if checked.sentence else Computed.MADE.value
            tried.check_sentence, tried.findings = checked.sentence, plain(checked.findings)
            run = session.get_one(Run, job.run)
            for lesson in checked.lessons:
                session.add(_entry(order, run, job, lesson, at))
            outcome = Outcome.ENDED if order.closed_at else outcome_of(Verdict(str(run.verdict)), job.number, order.tries_max)
            tried.outcome = outcome.value
            if outcome is not Outcome.ENDED:
                _move(session, order, outcome, job, at)
            put(session, Kind.ORDER, order.id, at)
            return outcome

        return self._write(work)

    def lots_to_learn(self) -> Sequence[LotNews]:
        """See the port."""
        with self.database.read() as connection:
            return lots_to_learn(connection)

    def lessons(self, key: LotKey) -> Sequence[Mapping[str, Any]]:
        """See the port."""
        query = select(LedgerEntry.document).filter_by(product=key.product, emulated=key.emulated).order_by(LedgerEntry.id)
        with self.database.read() as connection:
            return list(connection.scalars(query if key.lot is None else query.where(LedgerEntry.lot == key.lot)))

    def keep_estimate(self, estimate: EstimateRow, last_entry: int) -> int:
        """See the port."""

        def work(session: Session) -> int:
            query = select(SourceEstimate).filter_by(**scoped(estimate.key)).order_by(SourceEstimate.version.desc()).limit(1)
            newest = session.scalar(query)
            if newest is not None and (newest.last_entry >= last_entry or newest.digest == estimate.digest):
                newest.last_entry = max(newest.last_entry, last_entry)
                return newest.version
            version = newest.version + 1 if newest else 1
            figures = {name: getattr(estimate, name) for name in ("digest", "name", "retests", "ohm", "tolerance", "used", "made_at")}
            document = plain(estimate.document)
            session.add(SourceEstimate(**scoped(estimate.key), version=version, last_entry=last_entry, document=document, **figures))
            return version

        return self._write(work)

    def keep_documents(self, run_number: int, documents: Mapping[str, Mapping[str, Any]], by: str, at: datetime) -> None:
        """See the port."""
        rows = [_advice_row(run_number, stick, document, by, at) for stick, document in documents.items()]

        def work(session: Session) -> None:
            kept = session.scalar(select(Advice.stick).where(Advice.run_number == run_number).limit(1))
            if rows and kept is None:
                session.execute(insert(Advice), rows)
                put(session, Kind.ADVICE, run_number, at)

        self._write(work)

    def fit(self, order_number: int, part: Part, by: str, at: datetime) -> bool:
        """See the port."""

        def work(session: Session) -> bool:
            order = active_order(session, order_number)
            if order.state == State.RETESTED:
                raise NotReady(f"order {order_number}: its retest is being checked; wait for the finding, then record the next part")
            require_stick(session, order, part.stick)
            place = (order_number, order.tries, part.stick, part.axis)
            known = session.get(ReworkPart, place)
            if known is not None and known.farads == part.farads:
                return False
            if known is None:
                known = ReworkPart(order_key=order_number, try_number=order.tries, stick=part.stick, axis=part.axis)
                session.add(known)
            known.farads, known.text, known.fitted_by, known.fitted_at = part.farads, part.text, by, at
            session.add(
                FittedPart(unit_key=order.unit_key, stick=part.stick, axis=part.axis, farads=part.farads, fitted_by=by, fitted_at=at)
            )
            order.state, order.note, order.changed_at = State.FITTED.value, "", at
            put(session, Kind.UNIT, order.unit_key, at)
            put(session, Kind.ORDER, order_number, at)
            return True

        return self._write(work)

    def end_order(self, order_number: int, state: State, by: str, cause: str, at: datetime) -> None:
        """See the port."""

        def work(session: Session, again: bool) -> None:
            if again and _ended_so(session, order_number, (state, by, cause, at)):
                return  # the first try was committed although its answer got lost
            order = active_order(session, order_number)
            order.state, order.closing, order.closed_by = state.value, cause, by
            order.closed_at = order.changed_at = at
            tried = current_try(session, order)
            if tried.retest_check != Computed.PENDING:
                tried.outcome = Outcome.ENDED.value
            if tried.advice == Computed.PENDING:
                tried.advice = Computed.WAITING.value
            put(session, Kind.ORDER, order_number, at)

        self.database.write(work)

    def _write(self, work: Callable[[Session], T]) -> T:
        """These verbs may be done twice with one effect, so that a second try after a lost answer needs no care."""
        return self.database.write(lambda session, _again: work(session))


def _advice_row(run: int, stick: str, document: Mapping[str, Any], by: str, at: datetime) -> dict[str, Any]:
    packed = pack_json(document, advice_about(run, stick))
    source = str(document.get("track", {}).get("source", ""))
    about = {"run_number": run, "stick": stick, "source": source, "software": by, "made_at": at}
    return {**about, "codec": packed.codec, "document": packed.data, "sha256": packed.sha256}


def _advised(session: Session, job: Job, state: Computed, sentence: str, steps: list[dict[str, Any]], at: datetime) -> None:
    """Write it down unless the try has meanwhile got another run to advise from, or its order has ended."""
    order, tried = _order_and_try(session, job)
    if tried.advice_run == job.run and tried.advice == Computed.PENDING:
        tried.advice, tried.advice_sentence, tried.steps, tried.advice_at = state.value, sentence, steps, at
        order.changed_at = at
        put(session, Kind.ORDER, order.id, at)


def _ended_so(session: Session, number: int, ending: tuple[State, str, str, datetime]) -> bool:
    order = session.get(ReworkOrder, number)
    return order is not None and (State(order.state), order.closed_by, order.closing, order.closed_at) == ending


def _order_and_try(session: Session, job: Job) -> tuple[ReworkOrder, ReworkTry]:
    order = session.get(ReworkOrder, job.order, with_for_update=True)
    tried = session.get(ReworkTry, (job.order, job.number))
    if order is None or tried is None:
        raise StoreError(f"rework order {job.order} has no try {job.number}")
    return order, tried


def _move(session: Session, order: ReworkOrder, outcome: Outcome, job: Job, at: datetime) -> None:
    order.state, order.changed_at = STATE_AFTER[outcome].value, at
    order.closing = closing_of(outcome, job.run, job.number)
    if outcome is Outcome.GOES_ON:
        next_try(session, order, job.run)
    else:
        order.closed_at, order.closed_by = at, order.station


def _entry(order: ReworkOrder, run: Run, job: Job, lesson: Lesson, at: datetime) -> LedgerEntry:
    same = ("stick", "axis", "farads", "predicted_counts", "measured_counts", "finding", "source")
    return LedgerEntry(
        **{name: getattr(lesson, name) for name in same},
        document=plain(lesson.document),
        order_key=order.id,
        try_number=job.number,
        run_number=run.number,
        product=run.product,
        lot=run.lot,
        emulated=run.emulated,
        made_at=at,
    )
