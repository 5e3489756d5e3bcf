"""Requests from other threads, served by the rig's worker between two turns."""

from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from typing import Any, Protocol

from station.errors import Busy, RestpointError, RigError, RigRefused
from station.proof import Kind
from station.records import UnitIdentity
from station.service.proving.conductor import Asked

ANSWER_S = 2.0  # a worker that takes longer is in a run or hung; the asker is told so


class Served(Protocol):
    def do_scan(self, unit: UnitIdentity, operator: str) -> None: ...
    def do_start(self) -> None: ...
    def do_reset(self) -> None: ...
    def do_begin(self, kind: Kind, plan: Mapping[str, Any], operator: str) -> None: ...
    def do_go_on(self, number: int, asked: Asked) -> None: ...
    def do_abandon(self, number: int, operator: str, cause: str) -> None: ...


Request = Callable[[Served], None]


class Inbox:
    """Bounded by its askers: each waits for its own answer."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[Request, Future[None]]] = deque()

    def ask(self, request: Request, wait_s: float = ANSWER_S) -> None:
        """Have the worker do something and wait until it has. Raises what the worker raised, or Busy when it did not come to it."""
        answer: Future[None] = Future()
        self._waiting.append((request, answer))
        try:
            answer.result(wait_s)
        except TimeoutError:
            if answer.cancel():
                raise Busy("The rig did not answer in time: it is busy or its link is down. Try again.") from None
            raise

    def serve(self, worker: Served) -> None:
        """Do all that is asked now. A refusal goes to the asker; trouble of the rig's link goes to both."""
        for _ in range(len(self._waiting)):
            request, answer = self._waiting.popleft()
            if not answer.set_running_or_notify_cancel():
                continue
            try:
                request(worker)
            except RestpointError as problem:
                answer.set_exception(problem)
                if isinstance(problem, RigError) and not isinstance(problem, RigRefused):
                    raise
            else:
                answer.set_result(None)
