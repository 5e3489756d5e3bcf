"""uvicorn, made to end event streams before it waits for open connections (it would wait for them without limit)."""

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

DRAIN_S = 3  # whole service gone within 5 s of a stop signal


class StationServer(uvicorn.Server):
    """One process, one loop. `before_drain` is called first of all at shutdown, on the event loop.

    Signals are left to whoever runs the server, who brings the rigs to rest before anything else and then sets `should_exit`.
    """

    def __init__(self, config: uvicorn.Config, before_drain: Callable[[], None]) -> None:
        super().__init__(config)
        self._before_drain = before_drain

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take no signal: one owner, and it is not this class."""
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the streams, then let uvicorn drain what is left."""
        self._before_drain()
        await super().shutdown(sockets)


def station_server(app: FastAPI, host: str, port: int, log_level: str = "warning") -> StationServer:
    """A server for an app of build_app; certificates, if any, are a proxy's business."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        log_level=log_level,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=DRAIN_S,
        limit_concurrency=200,
        lifespan="on",
        ws="none",
    )
    return StationServer(config, app.state.streams.end)
