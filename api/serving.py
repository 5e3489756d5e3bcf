"""Serving a built station: workers first, then HTTP; at the end fingers to rest first, then HTTP."""

import contextlib
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Protocol

from fastapi import FastAPI

from api.http.server import station_server
from api.notify import READY, STOPPING, Notifier
from station.errors import ConfigurationError


class Works(Protocol):
    """What works behind the pages: a station, or a line."""

    def begin(self) -> object: ...

    def rest_now(self) -> None: ...


class Served(Protocol):
    """A built service."""

    @property
    def station(self) -> Works: ...

    @property
    def app(self) -> FastAPI: ...

    @property
    def notifier(self) -> Notifier: ...

    def end(self) -> None: ...


def serve_until_stopped(service: Served, host: str, port: int, ready: Callable[[str], None]) -> None:
    """Serve until SIGINT or SIGTERM, or until `stop` of the server is asked. The signal is raised again once all is at rest."""
    with contextlib.ExitStack() as last:
        last.callback(service.end)
        listening = _listen(host, port)
        last.callback(listening.close)
        server = station_server(service.app, host, port)
        service.station.begin()
        caught: list[int] = []
        shown = f"[{host}]" if ":" in host else host
        url = f"http://{shown}:{listening.getsockname()[1]}"
        ready(url)
        service.notifier.tell(READY, f"STATUS=Serves at {url}")
        with _signals(caught, lambda: setattr(server, "should_exit", True), service.station.rest_now):
            server.run(sockets=[listening])
        service.notifier.tell(STOPPING)
    if caught:
        signal.raise_signal(caught[-1])


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as problem:
        listening.close()
        raise ConfigurationError("web.port", f"{host}:{port}", f"an address that is free ({problem.strerror})") from problem
    return listening


@contextlib.contextmanager
def _signals(caught: list[int], stop: Callable[[], None], rest_now: Callable[[], None]) -> Iterator[None]:
    """One owner for SIGINT and SIGTERM: rest is ordered in the handler itself, before HTTP drains."""

    def handler(number: int, _frame: FrameType | None) -> None:
        caught.append(number)
        rest_now()
        stop()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, handler) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
