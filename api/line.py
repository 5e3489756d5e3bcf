"""The composition of a line's service: the same pages and API, read from the line database, without rigs and without workers."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from fastapi import FastAPI
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from api.clock import SystemClock
from api.config import StationConfig, resolved
from api.http.access import Access, read_tokens, require_tokens_for
from api.http.app import build_app
from api.notify import Notifier
from api.root import web_settings
from db.migrate import require_current
from db.queries import Queries
from db.queries.line import LineQueries
from station.errors import StoreError
from station.ports.line import LineStation
from station.service.line_desk import LineDesk

NAME = "line"

Now = Callable[[], datetime]


@dataclass(slots=True)
class LineService:
    """A built service of a line, not yet begun."""

    station: LineDesk
    app: FastAPI
    queries: Queries
    notifier: Notifier

    def end(self) -> None:
        """Idempotent."""
        self.station.end()
        self.queries.close()
        self.notifier.close()


def build_line_service(config: StationConfig, url: str, file: Path | None = None) -> LineService:
    """Everything `restpoint serve --line` runs. Raises UsageError, ConfigurationError, SchemaMismatch, StoreUnavailable; writes nothing."""
    tokens = read_tokens(resolved(file, config.web.tokens)) if config.web.tokens else ()
    require_tokens_for(config.web.host, tokens)
    require_current(url)
    queries = Queries(url)
    book = LineQueries(queries.database)
    desk = LineDesk(book)
    app = build_app(desk, queries, Access(tokens), web_settings(config, NAME))
    now = SystemClock().utc
    app.state.metrics.registry.register(StationsNow(book, now))
    app.state.notes = lambda: {f"station {one.name}": standing_of(one, now()) for one in _stations(book)}
    return LineService(desk, app, queries, Notifier())


def standing_of(station: LineStation, now: datetime) -> str:
    """One sentence of how far a station is behind."""
    heard = f"Heard {max(0.0, (now - station.heard_at).total_seconds()):.0f} s ago"
    left = f"{station.waiting} records waited there" if station.waiting else "nothing waited there"
    return f"{heard}; {left}{f', {station.refused} of them refused here' if station.refused else ''}."


def _stations(book: LineQueries) -> Sequence[LineStation]:
    """None while the database is away: that is told by its own check."""
    try:
        return book.stations()
    except StoreError:
        return ()


class StationsNow(Collector):
    """What the line knows of its stations, read when scraped."""

    def __init__(self, book: LineQueries, now: Now) -> None:
        self._book = book
        self._now = now

    def collect(self) -> Iterator[GaugeMetricFamily]:
        heard = GaugeMetricFamily("restpoint_station_heard_seconds", "Time since a station was heard.", labels=("station",))
        waiting = GaugeMetricFamily("restpoint_station_waiting", "Records a station had yet to send when heard.", labels=("station",))
        for one in _stations(self._book):
            heard.add_metric((one.name,), max(0.0, (self._now() - one.heard_at).total_seconds()))
            waiting.add_metric((one.name,), float(one.waiting))
        yield heard
        yield waiting
