"""A scripted rig for the driver's tests: exact bytes at exact instants under a clock that the reads move. No physics, no thread, no port.

`ScriptedRig` is a Transport. Left alone it is a well-behaved rig: it answers HELLO, sends STATUS every 50 ms, acknowledges every command
and ends it after `durations_s`. A test bends it by `reply` (a function that may change or drop what goes out) and by `say` (bytes at an
instant).
"""

import heapq
import itertools
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigs.link import FrameReader, Received, encode, pack_samples
from rigs.link.messages import NO_SAMPLE, PROTOCOL_VERSION, STATUS_PERIOD_S, Outcome, Refusal, State
from station.errors import LinkLost

TICK_HZ = 1_000_000
RATE_HZ = 10_000
INPUTS_GOOD = 0b10111

Reply = Callable[[str, dict[str, Any]], list[bytes]]


class HandClock:
    """A clock that stands still until somebody lets time pass."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc(self) -> datetime:
        return datetime(2026, 11, 25, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def sleep(self, seconds: float) -> None:
        self.now_s += max(0.0, seconds)


def plain(name: str, fields: dict[str, Any]) -> list[bytes]:
    """The reply of a good link: one frame, unchanged."""
    return [encode(name, **fields)]


def dropping(*names: str, times: int = 1) -> Reply:
    """A link that loses the first `times` frames of each of these messages."""
    left = Counter(dict.fromkeys(names, times))

    def reply(name: str, fields: dict[str, Any]) -> list[bytes]:
        if left[name] > 0:
            left[name] -= 1
            return []
        return plain(name, fields)

    return reply


class ScriptedRig:
    """Transport and rig in one. `heard`: host messages in order. `actuations`: commands carried out, by name."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.heard: list[Received] = []
        self.actuations: Counter[str] = Counter()
        self.openings = 0
        self.is_open = False
        self.reply: Reply = plain
        self.delay_s = 0.001
        self.durations_s = {"FLICK": 0.4, "UNCLAMP": 0.3}
        self.refusals: dict[str, Refusal] = {}
        self.outcomes: dict[str, Outcome] = {}
        self.identity: dict[str, Any] = {
            "protocol": PROTOCOL_VERSION,
            "rig_id": "MG-01",
            "firmware": "1.4.0",
            "boot": 6,
            "tick_hz": TICK_HZ,
            "sample_rate": RATE_HZ,
            "bits": 12,
            "reference_uv": 3_300_000,
            "emulated": 1,
        }
        self.status: dict[str, Any] = {
            "state": State.IDLE,
            "fault": 0,
            "energised": 0,
            "inputs": INPUTS_GOOD,
            "start_presses": 0,
            "guard_openings": 0,
            "stop_events": 0,
            "clamp_openings": 0,
            "run": 0,
            "samples": 0,
        }
        self.value = 0
        self.tick_offset = 0
        self.silent = False
        self.deaf = False
        self.lost_at_s: float | None = None
        self._order = itertools.count()
        self._due: list[tuple[float, int, bytes]] = []
        self._reader = FrameReader("host")
        self._answers: dict[int, list[tuple[str, dict[str, Any], float]]] = {}
        self._beat = 0
        self._next_status_s = clock.now_s

    def describe(self) -> str:
        return "scripted"

    def open(self) -> None:
        self.openings += 1
        self.is_open = True
        self._due.clear()
        self._next_status_s = self.clock.now_s

    def close(self) -> None:
        self.is_open = False

    def write(self, data: bytes) -> None:
        self._check_there()
        for message in self._reader.feed(data):
            if not self.deaf:
                self.heard.append(message)
                self._answer(message)

    def read(self, max_bytes: int, wait_s: float) -> bytes:
        """The next bytes that fall due within wait_s; the clock moves to their instant, or by wait_s."""
        until_s = self.clock.now_s + wait_s
        if self.lost_at_s is not None and self.lost_at_s <= until_s:
            self.clock.now_s = max(self.clock.now_s, self.lost_at_s)
        self._check_there()
        self._fill_status(until_s)
        if not self._due or self._due[0][0] > until_s:
            self.clock.now_s = until_s
            return b""
        at_s, _, data = heapq.heappop(self._due)
        self.clock.now_s = max(self.clock.now_s, at_s)
        return data

    def say(self, data: bytes, in_s: float = 0.0) -> None:
        """These bytes arrive so much later."""
        heapq.heappush(self._due, (self.clock.now_s + in_s, next(self._order), data))

    def ticks(self, at_s: float) -> int:
        return (round(at_s * TICK_HZ) + self.tick_offset) & 0xFFFFFFFF

    def status_frame(self, at_s: float, **changes: Any) -> bytes:
        fields = {"tick": self.ticks(at_s), "boot": self.identity["boot"], "heartbeat": self._beat, **self.status, **changes}
        return b"".join(self.reply("STATUS", fields))

    def names_heard(self, *, but: tuple[str, ...] = ("HEARTBEAT",)) -> list[str]:
        return [message.name for message in self.heard if message.name not in but]

    def _fill_status(self, until_s: float) -> None:
        while not self.silent and self._next_status_s <= min(until_s, self._due[0][0] if self._due else until_s):
            at_s = self._next_status_s
            self._next_status_s += STATUS_PERIOD_S
            heapq.heappush(self._due, (at_s, next(self._order), self.status_frame(at_s)))

    def _check_there(self) -> None:
        if not self.is_open or (self.lost_at_s is not None and self.clock.now_s >= self.lost_at_s):
            raise LinkLost("port scripted was lost", port="scripted", cause="gone")

    def _answer(self, message: Received) -> None:
        if message.name == "HELLO":
            self._answers.clear()
            self._send("IDENTITY", {**self.identity, "nonce": message.fields["nonce"]}, self.delay_s)
        elif message.name == "HEARTBEAT":
            self._beat = message.fields["counter"]
        else:
            self._command(message)

    def _command(self, message: Received) -> None:
        number = message.fields["command"]
        if number not in self._answers:
            self._answers[number] = self._carry_out(message)
        for name, fields, at_s in self._answers[number]:
            self._send(name, fields, max(self.delay_s, at_s - self.clock.now_s))

    def _carry_out(self, message: Received) -> list[tuple[str, dict[str, Any], float]]:
        number, begin_s = message.fields["command"], self.clock.now_s
        refusal = self.refusals.get(message.name, Refusal.ACCEPTED)
        answers: list[tuple[str, dict[str, Any], float]] = [("ACK", {"command": number, "refusal": refusal}, begin_s)]
        if refusal != Refusal.ACCEPTED:
            return answers
        self.actuations[message.name] += 1
        end_s = begin_s + self.durations_s.get(message.name, 0.0)
        done = {
            "command": number,
            "outcome": self.outcomes.get(message.name, Outcome.DONE),
            "begin": self.ticks(begin_s),
            "end": self.ticks(end_s),
            "first_sample": NO_SAMPLE,
            "last_sample": NO_SAMPLE,
            "value": self.value,
        }
        return [*answers, ("DONE", done, end_s)]

    def _send(self, name: str, fields: dict[str, Any], in_s: float) -> None:
        for data in self.reply(name, fields):
            self.say(data, in_s)


def block(run: int, first: int, count: int = 50, stick: int = 0, tick: int | None = None) -> bytes:
    """A SAMPLES frame whose codes are the sample numbers (x) and their complement (y); tick: at the first sample, else on the even grid."""
    at = first * (TICK_HZ // RATE_HZ) if tick is None else tick
    return encode("SAMPLES", run=run, first=first, tick=at & 0xFFFFFFFF, stick=stick, tail=pack_samples(codes(first, count)))


def codes(first: int, count: int) -> NDArray[np.uint16]:
    numbers = (first + np.arange(count)) & 0xFFF
    return np.stack([numbers, 0xFFF - numbers], axis=1).astype(np.uint16)
