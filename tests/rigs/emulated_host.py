"""The smallest possible host for an emulated rig: frames out, frames in, in the rig's own time. No retry, no patience, no rules."""

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigs.emulated.bench import Bench, plain_unit
from rigs.emulated.hands import Hands
from rigs.emulated.ills import Ills
from rigs.emulated.rig import EmulatedRig
from rigs.emulated.settings import RigSettings
from rigs.emulated.units import EmulatedUnit
from rigs.link import FrameReader, Received, encode, unpack_samples
from rigs.link.messages import PROTOCOL_VERSION, Outcome, Refusal

BEAT_S = 0.05


class Host:
    """Talks to one rig. Everything heard is kept in `heard`, in order."""

    def __init__(self, rig: EmulatedRig) -> None:
        self.rig = rig
        self.hands = Hands(rig)
        self.ills = Ills(rig)
        self.heard: list[Received] = []
        self.beating = True
        self._reader = FrameReader("rig")
        self._number = 0
        self._beat = 0
        self._beat_s = 0.0

    def hello(self, protocol: int = PROTOCOL_VERSION) -> dict[str, Any]:
        self.say("HELLO", protocol=protocol, nonce=77)
        self._number = 0
        return self.last("IDENTITY").fields

    def say(self, name: str, **fields: int) -> None:
        self.rig.receive(encode(name, tail=b"", **fields))
        self.listen()

    def listen(self) -> None:
        self.heard += self._reader.feed(self.rig.transmit())

    def wait(self, seconds: float) -> None:
        """Let the rig's time pass, with heartbeats as long as `beating`."""
        until_s = self.rig.now_s + seconds
        while self.rig.now_s < until_s - 1e-12:
            if self.beating and self._beat_s <= self.rig.now_s:
                self._beat, self._beat_s = (self._beat + 1) % 65_536, self.rig.now_s + BEAT_S
                self.rig.receive(encode("HEARTBEAT", counter=self._beat))
            next_s = self._beat_s if self.beating else self.rig.now_s + BEAT_S
            self.rig.advance(min(until_s, next_s))
            self.listen()

    def order(self, name: str, **fields: int) -> Refusal:
        """Give a command the next number; how it was answered."""
        if self.beating:
            self.wait(1e-9)
        self._number += 1
        self.say(name, command=self._number, **fields)
        return self.refusal(self._number)

    def refusal(self, number: int) -> Refusal:
        return Refusal(next(one.fields["refusal"] for one in reversed(self.heard) if one.name == "ACK" and one.fields["command"] == number))

    def finish(self, limit_s: float = 1.0) -> dict[str, Any]:
        """Fields of the DONE of the newest command."""
        until_s = self.rig.now_s + limit_s
        while not (found := [one for one in self.of("DONE") if one.fields["command"] == self._number]):
            assert self.rig.now_s < until_s, f"command {self._number} was not done within {limit_s} s"
            self.wait(0.005)
        return found[-1].fields

    def carry_out(self, name: str, **fields: int) -> dict[str, Any]:
        """An order that must be accepted and done."""
        assert self.order(name, **fields) is Refusal.ACCEPTED
        done = self.finish()
        assert done["outcome"] is Outcome.DONE
        return done

    def sample(self, on: bool, run: int = 7, stick: int = 0) -> dict[str, Any]:
        return self.carry_out("SAMPLE", run=run, stick=stick, on=int(on))

    def flick(self, group: int = 0, hold_ms: int = 60, free_ms: int = 150, run: int = 7) -> Refusal:
        return self.order("FLICK", run=run, stick=0, group=group, hold_ms=hold_ms, free_ms=free_ms)

    def of(self, name: str) -> list[Received]:
        return [one for one in self.heard if one.name == name]

    def last(self, name: str) -> Received:
        return self.of(name)[-1]

    def blocks(self) -> Iterator[tuple[dict[str, Any], NDArray[np.uint16]]]:
        for one in self.of("SAMPLES"):
            yield one.fields, unpack_samples(one.tail)

    def codes(self) -> NDArray[np.uint16]:
        """All samples heard so far, shape (n, 2)."""
        return np.concatenate([codes for _, codes in self.blocks()])


def rig_with(units: Iterable[EmulatedUnit] | None = None, seed: int = 5, settings: RigSettings | None = None) -> EmulatedRig:
    return EmulatedRig(seed, Bench(list(units) if units is not None else [plain_unit("DN2-00001")], seed), settings)


def ready_host(units: Iterable[EmulatedUnit] | None = None, seed: int = 5, settings: RigSettings | None = None) -> Host:
    """Handshake done, a unit clamped, guard closed."""
    host = Host(rig_with(units, seed, settings))
    host.wait(0.01)
    host.hello()
    host.hands.clamp()
    host.hands.close_guard()
    host.wait(0.06)
    return host


def rest_after_s(rig: EmulatedRig, since_s: float) -> float:
    """Seconds from an instant to the first rest mark of the rig's own log after it; it must have been energised at that instant."""
    mark = rig.log.first("rest", since_s)
    assert mark is not None, "the rig never came to rest"
    return mark.time_s - since_s
