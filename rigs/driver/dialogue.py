"""A rig at the other end of a link: station.ports.Rig by the messages of rigs.link, over any Transport.

One thread owns a driver from `connect` to `close`; only `request_halt` may come from another. Time comes from the clock that is handed
in, and passes in the transport's reads. After LinkLost, LinkBad, RigMismatch or a restart of the rig the port is closed; `connect` is
the only way back.
"""

import secrets
import threading
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from rigs.driver.commands import Order, OutOfRange, order_of
from rigs.driver.handshake import shake_hands
from rigs.driver.line import Line
from rigs.driver.session import Session
from rigs.driver.transport import Transport
from rigs.link.messages import NO_SAMPLE
from station.errors import LinkLost, RigError, RigRefused
from station.ports import Clock
from station.ports.rig import Command, Done, Sample
from station.records import RigIdentity, RigStatus, SampleChunk

NO_SAMPLES = SampleChunk(0, 0, np.empty((0, 2), dtype=np.uint16), True, 0.0)


def _any_number() -> int:
    return secrets.randbits(32)


class RigDriver:
    """Implements station.ports.Rig. expect_rig_id: the rig's burnt-in name, None to take any. nonce: a new 32-bit number per handshake."""

    def __init__(
        self, name: str, transport: Transport, clock: Clock, expect_rig_id: str | None = None, nonce: Callable[[], int] = _any_number
    ) -> None:
        self.name = name
        self.halts_unconfirmed = 0
        self._line = Line(name, transport)
        self._clock = clock
        self._expect_rig_id = expect_rig_id
        self._nonce = nonce
        self._halt_asked = threading.Event()
        self._owner: int | None = None
        self._session: Session | None = None

    def connect(self) -> RigIdentity:
        """Open the link, shake hands, wait for the first STATUS. Raises LinkLost, LinkBad, RigMismatch, RigFault."""
        if self._owner is None:
            self._owner = threading.get_ident()
        self._check_owner()
        self._session = None
        self._halt_asked.clear()  # HELLO brings the rig to rest
        self._line.open()
        try:
            identity = shake_hands(self._line, self._clock, self._nonce(), self._expect_rig_id)
        except RigError as problem:
            self._line.end(problem)
            raise
        self._session = Session(self._line, self._clock, identity, self._halt_asked)
        self._session.first_status()
        return identity

    def poll(self, wait_s: float) -> RigStatus:
        """One turn, of 20 ms at most; back as soon as something came. Raises LinkLost, RigFault (facts: fault; RESTART, OVERRUN)."""
        session = self._connected()
        session.obey_waiting()
        session.turn(wait_s)
        return session.first_status()

    def carry_out(self, command: Command) -> Done:
        """Raises LinkLost, RigRefused (facts: refusal, layer), RigFault (facts: fault)."""
        session = self._connected()
        try:
            order = order_of(command)
        except OutOfRange as problem:
            message = f"rig {self.name}: command not sent, {problem}"
            raise RigRefused(message, refusal=problem.refusal.name, layer="driver") from problem
        if isinstance(command, Sample):
            return _done(session, self._sample(session, command, order))
        return _done(session, session.ask(order))

    def take_samples(self) -> SampleChunk:
        self._check_owner()
        return self._session.stream.take() if self._session else NO_SAMPLES

    def halt(self) -> None:
        """REST at once, repeated until confirmed or for a quarter of a second. What went wrong is counted, and told by the next poll."""
        self._check_owner()
        if self._session is None or not self._line.is_open:
            return
        try:
            self._session.rest()
        except RigError:
            self.halts_unconfirmed += 1

    def request_halt(self) -> None:
        """From any thread: the owner's next turn, within 20 ms, orders rest; a command under way ends with RigFault (HALTED)."""
        self._halt_asked.set()

    def close(self) -> None:
        if self._owner is not None:
            self._check_owner()
        self._line.close()
        self._owner = None

    @property
    def clock_ratio(self) -> float | None:
        """Rig seconds per host second since the last beginning of sampling, else since `connect`; None below two seconds."""
        return self._session.watch.clock_ratio.ratio if self._session else None

    def figures(self) -> Mapping[str, int]:
        """Counts since `connect`, for metrics and for the evidence of a run."""
        if self._session is None:
            return {}
        return {
            "bad_frames": self._line.reader.bad_frames,
            "good_frames": self._line.reader.good_frames,
            "commands_sent_again": self._session.counters["commands_sent_again"],
            "answers_ignored": self._session.counters["answers_ignored"],
            "stale_samples": self._session.stream.stale,
            "duplicate_samples": self._session.stream.duplicates,
        }

    def _sample(self, session: Session, command: Sample, order: Order) -> Mapping[str, Any]:
        if command.on:
            session.begin_samples(command.run_number, command.stick)
        try:
            done = session.ask(order)
        except RigError:
            session.stream.end()
            raise
        if not command.on:
            session.stream.end()
        return done

    def _connected(self) -> Session:
        self._check_owner()
        if self._session is not None and self._line.is_open:
            return self._session
        if self._line.ended_by is not None:
            raise LinkLost(self._line.ended_by.message, **self._line.ended_by.facts)
        raise LinkLost(f"rig {self.name} is not connected; connect first", cause="closed")

    def _check_owner(self) -> None:
        """A call from another thread is a mistake in the program: it would tear frames apart."""
        if self._owner not in (None, threading.get_ident()):
            raise RuntimeError(f"rig {self.name} belongs to thread {self._owner}; called from {threading.get_ident()}")


def _done(session: Session, fields: Mapping[str, Any]) -> Done:
    sampled = fields["first_sample"] != NO_SAMPLE and fields["last_sample"] != NO_SAMPLE
    return Done(
        begin_s=session.watch.rig_s(fields["begin"]),
        end_s=session.watch.rig_s(fields["end"]),
        first_sample=fields["first_sample"] if sampled else 0,
        last_sample=fields["last_sample"] if sampled else 0,
        value=fields["value"] * 1e-6,
    )
