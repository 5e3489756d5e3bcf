"""What a station that is part of a line has more: the forwarder, and what monitoring and readiness say of it."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fastapi import FastAPI
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from api.config import StationConfig
from db.forward import Forwarding
from db.queries.line import LineQueries
from db.store import SqlStore
from station.errors import ConfigurationError
from station.ports import Clock
from station.service.forwarder import Forwarder

Tell = Callable[[str, Mapping[str, Any]], None]


def forwarder_of(config: StationConfig, store: SqlStore, clock: Clock, tell: Tell) -> Forwarder | None:
    """The forwarder of a station that names a line, None without one. Raises ConfigurationError; StoreError.

    A line's database may not be a station's own: the numbers of its runs would be mixed with the line's.
    """
    if LineQueries(store.database).stations():
        raise ConfigurationError("station.database", store.database.place, "a database of its own, not a line's")
    if not config.station.line:
        return None
    return Forwarder(Forwarding(store.database, config.station.name, config.station.line), clock, tell)


def tell_of_line(app: FastAPI, forwarder: Forwarder) -> None:
    """Have /metrics and /readyz say how far the line is behind. A line that is away is no reason to test no units."""
    app.state.metrics.registry.register(ForwarderNow(forwarder))
    app.state.notes = lambda: {"line": forwarder.sentence()}


class ForwarderNow(Collector):
    """What waits for the line, as found at the forwarder's last turn."""

    def __init__(self, forwarder: Forwarder) -> None:
        self._forwarder = forwarder

    def collect(self) -> Iterator[GaugeMetricFamily]:
        now = self._forwarder.standing()
        yield GaugeMetricFamily("restpoint_line_waiting", "Records the line database has yet to get.", value=float(now.waiting.count))
        yield GaugeMetricFamily("restpoint_line_refused", "Of these, records that it refused.", value=float(now.waiting.refused))
        yield GaugeMetricFamily("restpoint_line_oldest_seconds", "How long the oldest of them has waited.", value=now.waits_s)
