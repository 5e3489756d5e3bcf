"""Rework orders of a chunk of finished runs: opened, retested and ended by station.rework's own rules, written once they have ended.

Every retest counts as made with the part of its try: whoever fills a database fits it between two runs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from db.models import FittedPart
from db.models_rework import FollowedRun, ReworkOrder, ReworkPart, ReworkTry
from station.records import Verdict
from station.rework import STATE_AFTER, Computed, Meaning, Outcome, State, closing_of, meaning_of, outcome_of

Row = dict[str, Any]
FARADS = 4.7e-7  # of every fitted part; chosen, one of the demo product's stock


@dataclass(slots=True)
class _Order:
    """tries: advice run, retest run (None before) and its outcome, of each try."""

    failing: Row
    serial: str
    opened_at: datetime
    tries: list[tuple[int, int | None, Outcome]] = field(default_factory=list)
    fitted_at: list[datetime] = field(default_factory=list)
    followed: list[tuple[int, Meaning]] = field(default_factory=list)
    state: State = State.OPEN
    changed_at: datetime | None = None
    closing: str = ""


class Reworking:
    """Orders that go on, by the key of their unit."""

    def __init__(self, tries_max: int) -> None:
        self._tries_max = tries_max
        self._open: dict[int, _Order] = {}

    def add(self, session: Session, closed: Sequence[Row], serials: Mapping[int, str]) -> None:
        """closed: rows of the runs with their numbers, oldest first. serials: by the key of the unit."""
        ended: list[_Order] = []
        for run in closed:
            verdict, order = Verdict(run["verdict"]), self._open.get(run["unit_key"])
            meaning = meaning_of(verdict, None if order is None else State.FITTED, carried=True)
            if meaning is Meaning.OPENS:
                self._open[run["unit_key"]] = _opened(run, serials[run["unit_key"]])
            elif order is not None and meaning is not Meaning.NOTHING:
                order.followed.append((run["number"], meaning))
                if meaning is Meaning.RETESTS and self._retested(order, run, verdict):
                    ended.append(self._open.pop(run["unit_key"]))
        _write(session, ended, self._tries_max)

    def write_open(self, session: Session) -> None:
        """Write the orders that no run has ended."""
        _write(session, list(self._open.values()), self._tries_max)
        self._open.clear()

    def _retested(self, order: _Order, run: Row, verdict: Verdict) -> bool:
        """Whether it ended the order."""
        number = len(order.tries)
        outcome = outcome_of(verdict, number, self._tries_max)
        order.tries[-1] = (order.tries[-1][0], run["number"], outcome)
        order.fitted_at.append(run["started_at"])
        order.state, order.changed_at = STATE_AFTER[outcome], run["ended_at"]
        order.closing = closing_of(outcome, run["number"], number)
        if outcome is Outcome.GOES_ON:
            order.tries.append((run["number"], None, Outcome.NONE))
            return False
        return True


def _opened(run: Row, serial: str) -> _Order:
    order = _Order(run, serial, run["ended_at"], changed_at=run["ended_at"])
    order.tries.append((run["number"], None, Outcome.NONE))
    order.followed.append((run["number"], Meaning.OPENS))
    return order


def _write(session: Session, orders: Sequence[_Order], tries_max: int) -> None:
    if not orders:
        return
    rows = [_order_row(order, tries_max) for order in orders]
    keys = session.scalars(insert(ReworkOrder).returning(ReworkOrder.id, sort_by_parameter_order=True), rows).all()
    pairs = list(zip(keys, orders, strict=True))
    tries = [_try_row(key, number, one, order) for key, order in pairs for number, one in enumerate(order.tries, 1)]
    session.execute(insert(ReworkTry), tries)
    fitted = [(key, order, number, at) for key, order in pairs for number, at in enumerate(order.fitted_at, 1)]
    if fitted:
        session.execute(insert(ReworkPart), [{**_part(at), "order_key": key, "try_number": n, "text": "474"} for key, _, n, at in fitted])
        session.execute(insert(FittedPart), [{**_part(at), "unit_key": order.failing["unit_key"]} for _, order, _, at in fitted])
    followed = [
        {"run_number": number, "meaning": meaning.value, "order_key": key} for key, order in pairs for number, meaning in order.followed
    ]
    session.execute(insert(FollowedRun), followed)


def _order_row(order: _Order, tries_max: int) -> Row:
    run = order.failing
    same = {name: run[name] for name in ("station", "unit_key", "product", "lot", "emulated", "specification_key")}
    ended = order.state in (State.CLOSED, State.SCRAPPED)
    return {
        **same,
        "serial": order.serial,
        "failing_run": run["number"],
        "state": order.state.value,
        "tries": len(order.tries),
        "tries_max": tries_max,
        "note": "",
        "opened_at": order.opened_at,
        "changed_at": order.changed_at,
        "closed_at": order.changed_at if ended else None,
        "closed_by": run["station"] if ended else "",
        "closing": order.closing,
    }


def _try_row(key: int, number: int, one: tuple[int, int | None, Outcome], order: _Order) -> Row:
    advice_run, retest_run, outcome = one
    return {
        "order_key": key,
        "number": number,
        "advice_run": advice_run,
        "advice": Computed.MADE.value,
        "advice_sentence": "",
        "advice_at": order.opened_at,
        "steps": [],
        "retest_run": retest_run,
        "retest_check": (Computed.WAITING if retest_run is None else Computed.MADE).value,
        "check_sentence": "",
        "findings": {},
        "outcome": outcome.value,
    }


def _part(at: datetime) -> Row:
    return {"stick": "main", "axis": "x", "farads": FARADS, "fitted_by": "a. marsh", "fitted_at": at}
