"""The emulated rig as a process of its own: one loop over the link, the control channel and the rig's own events."""

import os
import select
import socket
from dataclasses import dataclass, field
from typing import Final

from rigs.emulated.control import Control
from rigs.emulated.pace import Pace
from rigs.emulated.ports import CHUNK_BYTES, Port, listen
from rigs.emulated.rig import EmulatedRig
from rigs.link.messages import STATUS_PERIOD_S
from station.errors import ConfigurationError

TURN_MAX_S: Final = 0.02  # without a host; one that comes is noticed within it
RETRY_S: Final = 0.002  # when the host's side is full
LINE_MAX_BYTES: Final = 1_048_576  # of one request
GONE: Final = (BrokenPipeError, ConnectionResetError, ConnectionAbortedError)


class PortCable:
    """The cable of a process' rig (rigs.emulated.ills.Cable)."""

    def __init__(self, port: Port, rig: EmulatedRig) -> None:
        self.plugged = True
        self.reading = True
        self._port = port
        self._rig = rig

    def unplug(self) -> None:
        if self.plugged:
            self.plugged = False
            self._port.close()
            self._rig.forget_line()

    def replug(self) -> None:
        """Raises ConfigurationError when the port cannot be made again."""
        if not self.plugged:
            self._port.open()
            self.plugged = True

    def stop_reading(self) -> None:
        self.reading = False

    def resume_reading(self) -> None:
        self.reading = True


@dataclass(slots=True)
class _Asker:
    """One client of the control channel."""

    peer: socket.socket
    asked: bytearray = field(default_factory=bytearray)
    answers: bytearray = field(default_factory=bytearray)


class RigProcess:
    """`turn` until told to stop, then `close`. One thread."""

    def __init__(self, rig: EmulatedRig, port: Port, pace: Pace, control_address: tuple[str, int] | str | None) -> None:
        self.rig = rig
        self.cable = PortCable(port, rig)
        self._port = port
        self._pace = pace
        self._control = Control(rig, self.cable)
        self._pending = b""
        self._askers: dict[int, _Asker] = {}
        self._listener: socket.socket | None = None
        self._control_path = control_address if isinstance(control_address, str) else None
        port.open()
        if control_address is not None:
            self._listener = self._listen(control_address)

    @property
    def port_name(self) -> str:
        """What a host is to open."""
        return self._port.name()

    @property
    def control_address(self) -> str:
        """Where the control channel is, "" when there is none."""
        if self._listener is None:
            return ""
        name = self._listener.getsockname()
        return name if isinstance(name, str) else f"{name[0]}:{name[1]}"

    def turn(self) -> None:
        """Wait for the next thing, at most 20 ms, and do it."""
        self.rig.advance(self._pace.rig_now_s())
        here = self._exchange()
        unsent = bool(self._pending) or any(asker.answers for asker in self._askers.values())
        longest_s = RETRY_S if unsent else TURN_MAX_S if not here else STATUS_PERIOD_S
        ready = self._wait(min(longest_s, self._pace.host_s(self.rig.next_event_s)))
        self.rig.advance(self._pace.rig_now_s())
        if ready or unsent:
            self._serve_control()
            self._exchange()

    def close(self) -> None:
        """Give back port and control channel. Idempotent."""
        for asker in self._askers.values():
            asker.peer.close()
        self._askers.clear()
        if self._listener is not None:
            self._listener.close()
            self._listener = None
            if self._control_path is not None and os.path.exists(self._control_path):
                os.unlink(self._control_path)
        self._port.close()

    # --- the link

    def _exchange(self) -> bool:
        """Bytes out and in; whether a host is there."""
        if not (self.cable.plugged and self._port.present()):
            self._pending = b""
            self.rig.forget_line()
            return False
        if self.cable.reading:
            while data := self._port.read():
                self.rig.receive(data)
                if len(data) < CHUNK_BYTES:
                    break
        self._write()
        return True

    def _write(self) -> None:
        while True:
            self._pending = self._pending or self.rig.transmit(CHUNK_BYTES)
            if not self._pending:
                return
            taken = self._port.write(self._pending)
            self._pending = self._pending[taken:]
            if self._pending:
                return

    def _wait(self, wait_s: float) -> bool:
        watched = list(self._askers)
        if self.cable.plugged and self.cable.reading:
            watched += self._port.descriptors()
        if self._listener is not None:
            watched.append(self._listener.fileno())
        return bool(select.select(watched, [], [], wait_s)[0])

    # --- the control channel

    def _listen(self, address: tuple[str, int] | str) -> socket.socket:
        try:
            return listen(address)
        except OSError as problem:
            self._port.close()
            shown = address if isinstance(address, str) else f"{address[0]}:{address[1]}"
            raise ConfigurationError("control", shown, f"a free address of this machine ({problem.strerror})") from problem

    def _serve_control(self) -> None:
        if self._listener is not None:
            try:
                peer, _ = self._listener.accept()
                peer.setblocking(False)
                self._askers[peer.fileno()] = _Asker(peer)
            except BlockingIOError:
                pass
        for asker in list(self._askers.values()):
            if not self._serve(asker):
                self._askers.pop(asker.peer.fileno()).peer.close()

    def _serve(self, asker: _Asker) -> bool:
        """Answer what one client asks; False when it has gone or asks without end."""
        try:
            data = asker.peer.recv(CHUNK_BYTES * 16)
            if not data:
                return False
            asker.asked += data
        except BlockingIOError:
            pass
        except GONE:
            return False
        while (end := asker.asked.find(b"\n")) >= 0:
            asker.answers += self._control.answer(bytes(asker.asked[:end]))
            del asker.asked[: end + 1]
        return len(asker.asked) <= LINE_MAX_BYTES and self._reply(asker)

    def _reply(self, asker: _Asker) -> bool:
        try:
            while asker.answers:
                del asker.answers[: asker.peer.send(asker.answers)]
        except BlockingIOError:
            pass
        except GONE:
            return False
        return True
