"""What a monitoring system may scrape at /metrics: Prometheus text, base units, few labels, never a serial number."""

import threading
import time
from collections.abc import Iterator
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.streams import EventStreams
from station.ports.desk import Desk

STATES: Final = ("unlinked", "not-ready", "empty", "ready", "running", "ended", "fault")


class StationMetrics:
    """A registry of one app; nothing is kept in the library's global registry."""

    def __init__(self, desk: Desk, streams: EventStreams) -> None:
        self.registry = CollectorRegistry(auto_describe=True)
        self.requests = Counter("restpoint_http_requests", "Answered requests.", ("method", "route", "status"), registry=self.registry)
        self.seconds = Histogram("restpoint_http_request_seconds", "Time to the end of an answer.", ("route",), registry=self.registry)
        self._runs = Counter(
            "restpoint_runs_ended", "Runs ended since the start of the service.", ("rig", "verdict"), registry=self.registry
        )
        self.registry.register(_DeskNow(desk, streams))
        self._desk = desk
        self._counted = 0
        self._counting = threading.Lock()

    def count_runs(self) -> None:
        """Count the runs that ended since the last call; called whenever the desk tells of an event."""
        with self._counting:  # rigs tell from threads of their own
            for number, event in self._desk.recent_events(None, self._counted):
                self._counted = max(self._counted, number)
                if event.kind == "run-ended":
                    self._runs.labels(event.rig, str(event.data.get("verdict", ""))).inc()

    def text(self, accept: str) -> tuple[bytes, str]:
        """The exposition, and its content type as the Accept header asks."""
        encode, content_type = choose_encoder(accept)
        return encode(self.registry), content_type


class _DeskNow(Collector):
    """States of the rigs and of the streams, read when scraped."""

    def __init__(self, desk: Desk, streams: EventStreams) -> None:
        self._desk = desk
        self._streams = streams

    def collect(self) -> Iterator[GaugeMetricFamily]:
        states = GaugeMetricFamily("restpoint_rig_state", "1 for the state each rig is in.", labels=("rig", "state"))
        for view in self._desk.rigs():
            for state in STATES:
                states.add_metric((view.name, state), float(view.state == state))
        yield states
        yield GaugeMetricFamily("restpoint_event_streams", "Event streams open now.", value=float(self._streams.taken))


class Timing:
    """Pure ASGI layer that counts and times requests by route template, so that numbers in paths make no new series."""

    def __init__(self, app: ASGIApp, metrics: StationMetrics) -> None:
        self._app = app
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began_s = time.perf_counter()
        status = 500

        async def send_noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, send_noting)
        finally:
            route = getattr(scope.get("route"), "path", "other")
            method = scope["method"] if scope["method"] in {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"} else "other"
            self._metrics.requests.labels(method, route, str(status)).inc()
            self._metrics.seconds.labels(route).observe(time.perf_counter() - began_s)
