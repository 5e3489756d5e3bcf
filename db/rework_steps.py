"""Steps of an order inside a transaction that somebody else has begun."""

from collections.abc import Callable
from datetime import datetime
from typing import Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from db.models import Run, Specification, Unit
from db.models_rework import FollowedRun, ReworkOrder, ReworkTry
from db.queries.rework_due import parts_of_try
from station.errors import NotFound, NotReady, UsageError
from station.records import Fitted, Verdict
from station.rework import Computed, Followed, Meaning, State, carries, meaning_of, note_of
from station.specification import parse_specification


def active_order(session: Session, number: int) -> ReworkOrder:
    """An order that is not ended, locked. Raises NotFound, NotReady."""
    order = session.get(ReworkOrder, number, with_for_update=True)
    if order is None:
        raise NotFound(f"rework order {number} does not exist")
    if order.closed_at is not None:
        raise NotReady(f"rework order {number} of unit {order.serial} has ended ({order.state}): {order.closing}", order=number)
    return order


def require_stick(session: Session, order: ReworkOrder, stick: str) -> None:
    """Raises UsageError for a stick that the order's product does not have."""
    names = parse_specification(session.get_one(Specification, order.specification_key).text).stick.names
    if stick not in names:
        raise UsageError(f"stick is {stick!r}; expected one of the sticks of {order.product}: {', '.join(names)}")


def current_try(session: Session, order: ReworkOrder) -> ReworkTry:
    return session.get_one(ReworkTry, (order.id, order.tries))


def next_try(session: Session, order: ReworkOrder, run_number: int) -> None:
    """A new try, to be advised from a run."""
    order.tries += 1
    waiting = Computed.WAITING.value
    session.add(
        ReworkTry(
            order_key=order.id,
            number=order.tries,
            advice_run=run_number,
            advice=Computed.PENDING.value,
            advice_sentence="",
            steps=[],
            retest_check=waiting,
            check_sentence="",
            findings={},
            outcome="",
        )
    )


def steps_of(session: Session, run: Run, tries_max: int, at: datetime) -> Followed:
    """What a closed run means for its unit's order, and the order changed accordingly."""
    if _overtaken(session, run):
        return Followed(Meaning.NOTHING)
    query = select(ReworkOrder).where(ReworkOrder.unit_key == run.unit_key, ReworkOrder.closed_at.is_(None))
    order = session.scalar(query.with_for_update())
    state = State(order.state) if order else None
    parts = parts_of_try(session.connection(), order.id, order.tries) if order else ()
    fitted = {stick: Fitted(kept["x_f"], kept["y_f"]) for stick, kept in run.fitted.items()}
    meaning = meaning_of(Verdict(str(run.verdict)), state, carries(fitted, parts))
    if meaning is Meaning.OPENS:
        order = _opened(session, run, tries_max, at)
    elif order is not None and meaning in CHANGES:
        CHANGES[meaning](session, order, run)
        order.changed_at = at
    if order is None:
        return Followed(meaning)
    return Followed(meaning, order.id, order.note)


def _overtaken(session: Session, run: Run) -> bool:
    """Whether a later run of the unit has been followed up already: then this one changes nothing."""
    later = select(func.max(FollowedRun.run_number)).join(Run, Run.number == FollowedRun.run_number).where(Run.unit_key == run.unit_key)
    return (session.scalar(later) or 0) > run.number


def _opened(session: Session, run: Run, tries_max: int, at: datetime) -> ReworkOrder:
    unit = session.get_one(Unit, run.unit_key)
    order = ReworkOrder(
        station=run.station,
        unit_key=run.unit_key,
        serial=unit.serial,
        product=run.product,
        lot=run.lot or unit.lot,
        emulated=run.emulated,
        specification_key=run.specification_key,
        failing_run=run.number,
        state=State.OPEN.value,
        tries=0,
        tries_max=tries_max,
        note="",
        opened_at=at,
        changed_at=at,
        closed_by="",
        closing="",
    )
    session.add(order)
    session.flush()
    next_try(session, order, run.number)
    return order


def _repeat(session: Session, order: ReworkOrder, run: Run) -> None:
    tried = current_try(session, order)
    tried.advice_run, tried.advice, tried.advice_sentence, tried.steps = run.number, Computed.PENDING.value, "", []
    order.note = f"Run {run.number} failed before a part was recorded: the advice is from it."


def _retest(session: Session, order: ReworkOrder, run: Run) -> None:
    tried = current_try(session, order)
    tried.retest_run, tried.retest_check = run.number, Computed.PENDING.value
    order.state, order.note = State.RETESTED.value, ""


def _note(session: Session, order: ReworkOrder, run: Run) -> None:
    order.note = note_of(run.number, Verdict(str(run.verdict)), tuple(run.reasons), State(order.state))


CHANGES: Final[dict[Meaning, Callable[[Session, ReworkOrder, Run], None]]] = {
    Meaning.REPEATS: _repeat,
    Meaning.RETESTS: _retest,
    Meaning.NOTED: _note,
}
