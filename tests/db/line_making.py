"""A station and its line for tests, and whether the line has what the station has: key by key, digest by digest."""

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Select, func, select
from sqlalchemy.orm import Session

from db.engine import Database
from db.forward import Forwarding
from db.forward_records import PARTS, Record, read_record
from db.line_numbers import NUMBERS_MAX, from_line, line_number
from db.models import FittedPart, Run, Unit
from db.models_charts import Chart
from db.models_line import LineRecord, LineStation, OutboxEntry
from db.models_proof import ProcedureRecord
from db.models_rework import Advice, ReworkOrder
from db.outbox import Kind
from db.store import SqlStore
from db.yield_check import yield_problems
from station.ports.line import Waiting
from station.records import Verdict
from tests.db.making import START, STATION, closing, opening
from tests.db.making_proof import HEALTH, one_of_every_proof
from tests.db.making_rework import MINUTE, advise, checked, failed, job, retested, rework_of

ENOUGH = 10_000

ALL: dict[Kind, Select[Any]] = {
    Kind.RUN: select(Run.number).where(Run.verdict.is_not(None)),
    Kind.UNIT: select(FittedPart.unit_key).distinct(),
    Kind.ORDER: select(ReworkOrder.id),
    Kind.ADVICE: select(Advice.run_number).distinct(),
    Kind.PROCEDURE: select(ProcedureRecord.id).where(ProcedureRecord.ended_at.is_not(None)),
    Kind.CHART: select(Chart.id),
}


def run_at(store: SqlStore, verdict: Verdict = Verdict.FAIL, serial: str = "DL2-00001", minute: int = 0, lot: str = "ML-2607") -> int:
    number = store.open_run(opening(serial, START + minute * MINUTE, station=store.station, lot=lot))
    store.close_run(number, closing(number, verdict, START + minute * MINUTE + MINUTE / 3, health=HEALTH, monitor=None))
    return number


def one_of_all(store: SqlStore) -> None:
    """Runs of every verdict, an order that ended after a retest and one that is open, advice, ledger, proofs and charts."""
    for minute, verdict in enumerate(Verdict):
        run_at(store, verdict, f"DL2-{minute:05d}", minute)
    order = failed(store, "DL2-00007", minute=10)
    advise(store)
    retested(store, order, Verdict.PASS, 12, serial="DL2-00007")
    rework_of(store).keep_check(job(store, "check"), checked(), START)
    failed(store, "DL2-00008", minute=14)
    store.record_fitted("DL2-00001", "main", "x", 3.3e-7, "a. marsh", START)
    one_of_every_proof(store)
    store.open_run(opening("DL2-00009"))


def forwarding(store: SqlStore, line: str) -> Forwarding:
    """A sender that keeps an outbox from now on."""
    sender = Forwarding(store.database, store.station, line)
    sender.begin(START)
    return sender


def send_all(sender: Forwarding) -> Waiting:
    """Send until nothing waits but what was refused."""
    for _ in range(ENOUGH):
        if not sender.send(START):
            return sender.waiting()
    raise AssertionError("the outbox does not get empty")


def place_of_station(line: Connection, name: str = STATION) -> int:
    return line.execute(select(LineStation.id).where(LineStation.name == name)).scalar_one()


def differences(station: Database, line: Database, name: str = STATION) -> list[str]:
    """What the line has otherwise than the station, or not, or more than it; empty when all is the same."""
    found: list[str] = []
    with station.read() as ours, line.read() as theirs:
        place = place_of_station(theirs, name)
        for kind, query in ALL.items():
            for number in ours.scalars(query.order_by(query.selected_columns[0])):
                record = read_record(ours, kind, number)
                came = _on_line(ours, theirs, kind, number, place)
                if record is None or came is None:
                    found.append(f"{kind} {number} is missing")
                elif record.sha256() != came.sha256() or _traces(record) != _traces(came):
                    found.append(f"{kind} {number} is not the same")
        found += [f"{name} has {more} rows more" for name, more in _surplus(ours, theirs, place).items()]
        found += yield_problems(theirs)
    return found


def _on_line(station: Connection, line: Connection, kind: Kind, number: int, place: int) -> Record | None:
    """A thing of the line in the station's own numbers."""
    if kind is Kind.UNIT:
        serial = station.execute(select(Unit.serial).where(Unit.id == number)).scalar_one()
        here = line.execute(select(Unit.id).where(Unit.serial == serial)).scalar_one_or_none()
        came = None if here is None else read_record(line, kind, here)
        if came is None:
            return None
        mine = [row for row in came.rows["fitted_parts"] if row["id"] // NUMBERS_MAX == place]
        return replace(came, number=number, rows=from_line({"fitted_parts": mine}, place))
    came = read_record(line, kind, line_number(place, number))
    return None if came is None else replace(came, number=number, rows=from_line(came.rows, place))


def _traces(record: Record) -> list[Any]:
    blocks = record.rows.get("trace_blocks", ())
    return sorted((row["stick"], row["first_sample"], row["whole"], row["sha256"], row["data"]) for row in blocks)


def _surplus(station: Connection, line: Connection, place: int) -> dict[str, int]:
    """Rows of the place that the station does not have, by table."""
    found = {}
    for table, column in ((table, column) for kind in PARTS.values() for table, column in kind.items()):
        if table is FittedPart:
            column = "id"
        own = select(func.count()).select_from(table)
        if table is Run:
            own = own.where(Run.verdict.is_not(None))
        if table is ProcedureRecord:
            own = own.where(ProcedureRecord.ended_at.is_not(None))
        theirs = select(func.count()).select_from(table)
        theirs = theirs.where(getattr(table, column).between(place * NUMBERS_MAX, (place + 1) * NUMBERS_MAX - 1))
        more = line.execute(theirs).scalar_one() - station.execute(own).scalar_one()
        if more:
            found[table.__tablename__] = more
    return found


def one_of_a_line(store: SqlStore) -> None:
    """Rows in every table of a line, in a database that is both ends of one, which no real one is."""

    def enter(session: Session, _again: bool) -> None:
        session.add(OutboxEntry(kind="run", number=1, put_at=START, refusal=""))
        session.add(LineStation(id=1, name=STATION, identity="0", joined_at=START, heard_at=START, waiting=0, refused=0))
        session.flush()
        session.add(LineRecord(station_key=1, kind="run", number=1, sha256="0", came_at=START))

    store.database.write(enter)
