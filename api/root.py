"""The composition root: the one module that knows everyone. Builds rigs, store, clock, station and app, and hands them to each other."""

import fcntl
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from importlib.metadata import version
from pathlib import Path
from typing import IO, Any

from fastapi import FastAPI

from api.clock import SystemClock
from api.config import RigSection, StationConfig, resolved
from api.http.access import Access, is_loopback, read_tokens, require_tokens_for
from api.http.app import build_app
from api.http.audit import AccessBook
from api.http.settings import LOOPBACK_HOSTS, WebSettings
from api.line_forwarding import forwarder_of, tell_of_line
from api.notify import WATCHDOG, Notifier
from api.pads import read_pad_maps
from db.answers import AnswerStore
from db.audit import AuditStore
from db.migrate import create_or_require
from db.proof import ProofStore
from db.queries import Queries
from db.rework import ReworkStore
from db.store import SqlStore
from rigs.driver.dialogue import RigDriver
from rigs.driver.transport import SerialTransport
from station.errors import ConfigurationError, SpecificationError
from station.ports import Clock, Rig
from station.prove.calibration_limits import CalibrationLimits
from station.records import RunEvent
from station.service.adviser import Adviser, AdviserNeeds
from station.service.events import EventRing
from station.service.ordering import Surroundings
from station.service.proving.charting import ChartWatch
from station.service.proving.conductor import Proving
from station.service.proving.courses import all_courses
from station.service.proving.desk import StationProof
from station.service.pulse import Pulse
from station.service.reckoner import StationReckoning
from station.service.rework_desk import OrderDesk
from station.service.shelf import SpecificationShelf
from station.service.station import Station
from station.service.watchman import Watchman
from station.shifts import Shifts, shift_times
from station.specification import Specification, parse_specification


@dataclass(slots=True)
class Service:
    """A built station, not yet begun. `lock` keeps a second service off the same data folder as long as it is open."""

    station: Station
    app: FastAPI
    store: SqlStore
    queries: Queries
    book: ProofStore
    notifier: Notifier
    lock: IO[str]

    def end(self) -> None:
        """Fingers to rest first, then everything else."""
        self.station.end()
        self.queries.close()
        self.store.close()
        self.notifier.close()
        self.lock.close()


def build_service(config: StationConfig, file: Path | None = None) -> Service:
    """Everything `restpoint serve` runs. Raises UsageError, ConfigurationError, StoreError; opens no rig and moves nothing."""
    tokens = read_tokens(resolved(file, config.web.tokens)) if config.web.tokens else ()
    require_tokens_for(config.web.host, tokens)
    texts = read_specifications(config, file)
    lock = _lock(config.station.data)
    create_or_require(config.database_url)
    store = SqlStore(config.database_url, config.station.name, keep_pass_every=config.station.keep_pass_every)
    queries = Queries(config.database_url)
    clock = SystemClock()
    for specification, text in texts:
        store.keep_specification(text, specification, clock.utc())
    events, shelf = EventRing(), SpecificationShelf(one for one, _ in texts)
    adviser, desk = _rework(config, file, store, clock, events)
    book = ProofStore(store.database, config.station.name)

    def tell(kind: str, data: Mapping[str, Any]) -> None:
        events.add(RunEvent(kind, "", data))

    charts = ChartWatch(book, clock, tell)
    forwarder = forwarder_of(config, store, clock, tell)
    proving = _proving(config, store, book, clock, shelf, charts)

    def run_ended(number: int) -> None:
        adviser.run_ended(number)
        charts.run_ended(number)
        if forwarder:
            forwarder.run_ended(number)

    notifier = Notifier()
    pulse = Pulse(clock, [one.name for one in config.rigs], lambda: notifier.tell(WATCHDOG))
    watchman = Watchman(store.monitors())
    around = Surroundings(config.station.name, version("restpoint"), clock, store, shelf, events, watchman, proving, run_ended, pulse.beat)
    station = Station([_rig(one, clock) for one in config.rigs], around, (adviser, charts, *((forwarder,) if forwarder else ())))
    proof = StationProof(proving, station.worker, [one.name for one in config.rigs])
    doors = AccessBook(AuditStore(store.database, config.station.name), AnswerStore(store.database))
    access = Access(tokens, file=resolved(file, config.web.tokens) if config.web.tokens else None)
    app = build_app(station, queries, access, web_settings(config, config.station.name), desk, proof, doors)
    if forwarder:
        tell_of_line(app, forwarder)
    return Service(station, app, store, queries, book, notifier, lock)


def _rework(config: StationConfig, file: Path | None, store: SqlStore, clock: Clock, events: EventRing) -> tuple[Adviser, OrderDesk]:
    """The adviser and the desk where rework is recorded. Pad maps lie in the folder `pads` beside the specifications."""
    specifications = config.station.specifications
    pads = read_pad_maps(resolved(file, specifications).parent / "pads") if specifications else {}
    book, reckon = ReworkStore(store.database, config.station.name), StationReckoning()

    def tell(kind: str, data: Mapping[str, Any]) -> None:
        events.add(RunEvent(kind, "", data))

    adviser = Adviser(AdviserNeeds(book, clock, pads, version("restpoint"), tell, reckon))
    return adviser, OrderDesk(book, clock, pads, lambda order, sentence: tell("rework", {"order": order, "sentence": sentence}), reckon)


def _proving(
    config: StationConfig, store: SqlStore, book: ProofStore, clock: Clock, shelf: SpecificationShelf, charts: ChartWatch
) -> Proving:
    """What the rigs are proven by. Raises ConfigurationError for a limit that cannot be."""
    shifts = Shifts(config.station.zone, shift_times(config.station.shifts))
    courses = all_courses(calibration_limits(config.station.calibration), book)
    return Proving(config.station.name, book, clock, courses, shelf.of, store.fitted, shifts, charts.concluded)


def calibration_limits(keys: Mapping[str, float]) -> CalibrationLimits:
    """The limits of a calibration with some changed. Raises ConfigurationError naming the key."""
    limits = CalibrationLimits()
    for key, value in keys.items():
        if not hasattr(limits, key):
            raise ConfigurationError(f"station.calibration.{key}", value, "one of: " + ", ".join(one.name for one in fields(limits)))
        kind = type(getattr(limits, key))
        limits = replace(limits, **{key: kind(value)})
    return limits


def _rig(section: RigSection, clock: Clock) -> Rig:
    transport = SerialTransport(section.port, section.baud)
    return RigDriver(section.name, transport, clock, section.rig_id or None)


def read_specifications(config: StationConfig, file: Path | None) -> list[tuple[Specification, str]]:
    """Every specification in the configured folder, with its text. Raises ConfigurationError, SpecificationError naming the file."""
    if config.station.specifications is None:
        return []
    folder = resolved(file, config.station.specifications)
    if not folder.is_dir():
        raise ConfigurationError("station.specifications", str(folder), "a folder with one TOML file a revision")
    return [_read(path) for path in sorted(folder.glob("*.toml"))]


def _read(path: Path) -> tuple[Specification, str]:
    try:
        text = path.read_text(encoding="utf-8")
        return parse_specification(text), text
    except (OSError, UnicodeDecodeError) as problem:
        raise ConfigurationError("station.specifications", str(path), f"a text file that can be read ({problem})") from problem
    except SpecificationError as problem:
        raise SpecificationError(f"{path.name}: {problem.key}", problem.value, problem.expected) from problem


def web_settings(config: StationConfig, name: str) -> WebSettings:
    """Settings of the pages. name: shown on each."""
    hosts: Sequence[str] = (*LOOPBACK_HOSTS, *config.web.allowed_hosts)
    if not is_loopback(config.web.host) and config.web.host not in ("0.0.0.0", "::"):
        hosts = (*hosts, config.web.host)
    return WebSettings(
        station=name,
        version=version("restpoint"),
        zone=config.station.zone,
        shifts=shift_times(config.station.shifts),
        allowed_hosts=tuple(hosts),
        cautions=config.station.cautions,
        network_start=config.web.network_start,
    )


def _lock(folder: Path) -> IO[str]:
    """The data folder's lock, held until closed. Raises ConfigurationError when another service holds it or it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / "restpoint.lock").open("a+", encoding="utf-8")
    except OSError as problem:
        raise ConfigurationError("station.data", str(folder), f"a folder that can be written ({problem.strerror})") from problem
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as problem:
        lock.seek(0)
        holder = lock.read().strip() or "unknown"
        lock.close()
        raise ConfigurationError("station.data", str(folder), f"a folder no other service uses (process {holder} does)") from problem
    lock.truncate(0)
    lock.write(str(os.getpid()))
    lock.flush()
    return lock
