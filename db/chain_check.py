"""Recomputes a chain of digests and everything it seals, and names what was changed, removed or inserted."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, select

from db import blocks, writing
from db.chain import NO_LINK, Kind, begin_digest, entry_digest, link_of, run_digest, unsealed
from db.engine import Database
from db.models import FlickBlock, Run, StickResult, TraceBlock
from db.models_audit import AuditRow, ChainHead, ChainRow

PAGE = 500  # links read at once


@dataclass(slots=True)
class ChainReport:
    """What was found of one station's chain. position, link: its end, to be noted elsewhere. before: runs older than the chain."""

    station: str
    runs: int = 0
    entries: int = 0
    before: int = 0
    position: int = 0
    link: str = NO_LINK
    findings: list[str] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        return not self.findings


def verify(database: Database, noted: tuple[int, str] | None = None) -> list[ChainReport]:
    """Every chain of a database. noted: a position and its link as they were written down earlier. Raises StoreError."""
    with database.read() as connection:
        stations = set(connection.execute(select(ChainRow.station)).scalars()) | set(
            connection.execute(select(ChainHead.station)).scalars()
        )
        stations |= set(connection.execute(select(AuditRow.station)).scalars())
        reports = [_verify(connection, station) for station in sorted(stations)]
        if noted is not None:
            _compare(connection, reports, noted)
    return reports


def _verify(connection: Connection, station: str) -> ChainReport:
    report = ChainReport(station)
    highest = 0
    for row in _links(connection, station):
        _follow(report, row)
        if row.kind == Kind.BEGIN:
            highest = row.key
            _older(connection, report, row)
        elif row.kind == Kind.RUN:
            report.runs += 1
            report.findings += _run(connection, row)
        elif row.kind == Kind.AUDIT:
            report.entries += 1
            report.findings += _entry(connection, row)
    head = connection.execute(select(ChainHead.position, ChainHead.link).where(ChainHead.station == station)).one_or_none()
    if head is None or (head.position, head.link) != (report.position, report.link):
        ends = f"position {head.position}" if head else "nowhere"
        report.findings.append(
            f"the chain ends at position {report.position}; its head says {ends}: links were removed or added at its end"
        )
    report.findings += [f"run {number} was inserted" for number in unsealed(connection, station) if number > highest]
    report.findings += [f"audit entry {number} was inserted" for number in _loose(connection, station)]
    return report


def _links(connection: Connection, station: str) -> Iterator[ChainRow]:
    last = 0
    while True:
        query = select(ChainRow.__table__).where(ChainRow.station == station, ChainRow.position > last).order_by(ChainRow.position)
        page = connection.execute(query.limit(PAGE)).all()
        yield from page  # type: ignore[misc]
        if not page:
            return
        last = page[-1].position


def _follow(report: ChainReport, row: ChainRow) -> None:
    """One link after the one before."""
    if row.position != report.position + 1:
        report.findings.append(f"positions {report.position + 1} to {row.position - 1} of the chain were removed")
    elif link_of(report.link, row.position, row.kind, row.key, row.digest) != row.link:
        report.findings.append(f"position {row.position} of the chain ({row.kind} {row.key}) was changed or inserted")
    report.position, report.link = row.position, row.link


def _older(connection: Connection, report: ChainReport, row: ChainRow) -> None:
    report.before = sum(number <= row.key for number in unsealed(connection, report.station))
    if row.digest != begin_digest(report.station, row.key, report.before):
        report.findings.append(f"there are {report.before} runs older than the chain, another number than when it began")


def _run(connection: Connection, row: ChainRow) -> list[str]:
    found = run_digest(connection, row.key)
    if found is None:
        gone = connection.execute(select(Run.number).where(Run.number == row.key)).first() is None
        return [f"run {row.key} was removed" if gone else f"run {row.key} was changed: what it rests on is gone"]
    changed = [] if found == row.digest else [f"run {row.key} was changed"]
    return changed + list(_blocks(connection, row.key))


def _blocks(connection: Connection, number: int) -> Iterator[str]:
    """Blocks of a run whose bytes are not those that their digests stand for."""
    for table, name in ((StickResult, "detail"), (FlickBlock, "flicks"), (TraceBlock, "trace")):
        for row in connection.execute(select(table.__table__).where(table.run_number == number)).mappings():
            data = row["detail"] if name == "detail" else row["data"]
            about = _about(name, number, dict(row))
            if blocks.digest(data, {"codec": row["codec"], **about}) != row["sha256"]:
                yield f"run {number}: the {name} of stick {row['stick']} was changed"


def _about(name: str, number: int, row: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the digest of a block covers beside its bytes."""
    if name == "detail":
        return writing.detail_about(number, row["stick"])
    return (writing.flick_about if name == "flicks" else writing.trace_about)(number, row["stick"], row)


def _entry(connection: Connection, row: ChainRow) -> list[str]:
    kept = connection.execute(select(AuditRow.__table__).where(AuditRow.number == row.key)).mappings().one_or_none()
    if kept is None:
        return [f"audit entry {row.key} was removed"]
    return [] if entry_digest(row.key, dict(kept)) == row.digest else [f"audit entry {row.key} was changed"]


def _loose(connection: Connection, station: str) -> list[int]:
    sealed = select(ChainRow.key).where(ChainRow.station == station, ChainRow.kind == Kind.AUDIT.value)
    query = select(AuditRow.number).where(AuditRow.station == station, AuditRow.number.not_in(sealed)).order_by(AuditRow.number)
    return list(connection.execute(query).scalars())


def _compare(connection: Connection, reports: list[ChainReport], noted: tuple[int, str]) -> None:
    position, link = noted
    for report in reports:
        query = select(ChainRow.link).where(ChainRow.station == report.station, ChainRow.position == position)
        if connection.execute(query).scalar_one_or_none() != link:
            report.findings.append(f"position {position} is not the link that was noted: the chain was cut or made anew")
