"""A person at the emulated bench from afar: a client of the control channel; and one who works by himself through a row of units."""

import json
import socket
import threading
from typing import Any, Final

from rigs.emulated.hands import Hands
from rigs.emulated.rig import EmulatedRig
from station.errors import ConfigurationError, LinkLost, NotFound, NotReady, RestpointError, UsageError

ANSWER_S: Final = 5.0  # a rig answers within a turn of its loop; this is for a machine under load
ERRORS: Final[dict[str, type[RestpointError]]] = {NotFound.code: NotFound, NotReady.code: NotReady, LinkLost.code: LinkLost}
LOOK_S: Final = 0.1
CHANGE_S: Final = 0.8  # hands of the emulated person: unit out, unit in
THUMB_S: Final = 0.4  # from the closed guard to the start button
AGAIN_S: Final = 3.0  # when pressing start had no effect


def parse_address(text: str, key: str = "control") -> tuple[str, int] | str:
    """HOST:PORT, or else the path of a local socket. Raises ConfigurationError."""
    host, separator, port = text.rpartition(":")
    if not separator or "/" in text:
        if not text:
            raise ConfigurationError(key, text, "HOST:PORT or the path of a local socket")
        return text
    if not host or not port.isdecimal() or int(port) > 65_535:
        raise ConfigurationError(key, text, "HOST:PORT or the path of a local socket")
    return host, int(port)


class BenchClient:
    """Control channel of a rig-emulator process. May be used by several threads; one request at a time."""

    def __init__(self, address: str, timeout_s: float = ANSWER_S) -> None:
        self._address = parse_address(address)
        self._timeout_s = timeout_s
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._held = b""

    def ask(self, do: str, **arguments: Any) -> Any:
        """The result of one request. Raises LinkLost, NotFound, NotReady, UsageError as the rig's side does."""
        line = json.dumps({"do": do, **arguments}).encode() + b"\n"
        with self._lock:
            try:
                reply = json.loads(self._exchange(line))
            except OSError as problem:
                self._drop()
                raise LinkLost(f"rig emulator at {self._address}: {problem}; is it running?", cause="gone") from problem
        if reply["ok"]:
            return reply["result"]
        raise ERRORS.get(reply["code"], UsageError)(reply["error"])

    def clamp(self, serial: str | None = None) -> dict[str, Any]:
        """Put this unit, or the next one, in and close the clamp; what its label says: serial, product, lot, sticks."""
        return dict(self.ask("clamp", serial=serial))

    def unclamp(self) -> None:
        self.ask("unclamp")

    def open_guard(self) -> None:
        self.ask("open_guard")

    def close_guard(self) -> None:
        self.ask("close_guard")

    def press_start(self, duration_s: float = 0.15) -> None:
        self.ask("press_start", duration_s=duration_s)

    def press_stop(self) -> None:
        self.ask("press_stop")

    def release_stop(self) -> None:
        self.ask("release_stop")

    def fit(self, serial: str, stick: str, axis: str, capacitance_f: float) -> dict[str, Any]:
        """Let this part truly act in a unit that is not in the clamp."""
        return dict(self.ask("fit", serial=serial, stick=stick, axis=axis, capacitance_f=capacitance_f))

    def inject(self, what: str, **arguments: Any) -> None:
        """Any verb of rigs.emulated.ills, with after_s to let it happen later."""
        self.ask(what, **arguments)

    def state(self) -> dict[str, Any]:
        return dict(self.ask("state"))

    def log(self, since_s: float = 0.0, kind: str | None = None) -> list[dict[str, Any]]:
        return list(self.ask("log", since_s=since_s, kind=kind))

    def change_unit(self, serial: str | None = None) -> dict[str, Any]:
        """Guard open, unit in, guard closed: what a person does between two runs."""
        self.open_guard()
        label = self.clamp(serial)
        self.close_guard()
        return label

    def close(self) -> None:
        """Idempotent."""
        with self._lock:
            self._drop()

    def _exchange(self, line: bytes) -> bytes:
        if self._socket is None:
            self._socket = self._connect()
        self._socket.sendall(line)
        while b"\n" not in self._held:
            data = self._socket.recv(65_536)
            if not data:
                raise ConnectionResetError("the control channel was closed")
            self._held += data
        answer, _, self._held = self._held.partition(b"\n")
        return answer

    def _connect(self) -> socket.socket:
        if isinstance(self._address, tuple):
            return socket.create_connection(self._address, self._timeout_s)
        made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        made.settimeout(self._timeout_s)
        try:
            made.connect(self._address)
        except OSError:
            made.close()
            raise
        return made

    def _drop(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._socket, self._held = None, b""


class AutoOperator:
    """Works by itself in the rig's own time: takes units as they lie, closes the guard, presses start, and opens the guard after the run.

    It cannot scan: whoever watches the station has to say which unit is in the clamp.
    """

    def __init__(self, rig: EmulatedRig) -> None:
        self._rig = rig
        self._hands = Hands(rig)
        self._pressed_s = 0.0
        self._empty = False

    def begin(self) -> None:
        """Begin to work. Ends by itself when the bench is empty."""
        self._later(LOOK_S)

    def _look(self) -> None:
        if self._empty:
            return
        if self._rig.plant.panel.clamp_closed:
            self._perhaps_press()
            self._later(LOOK_S)
        else:
            self._hands.open_guard()
            self._rig.at(self._rig.now_s + CHANGE_S, self._change)

    def _change(self) -> None:
        try:
            self._hands.clamp()
        except NotFound:
            self._empty = True
            return
        self._hands.close_guard()
        self._pressed_s = self._rig.now_s + THUMB_S - AGAIN_S
        self._later(THUMB_S)

    def _perhaps_press(self) -> None:
        running = self._rig.firmware.stream is not None
        if running or not self._rig.plant.chain.guard_closed:
            self._pressed_s = self._rig.now_s
        elif self._rig.now_s - self._pressed_s >= AGAIN_S:
            self._pressed_s = self._rig.now_s
            self._hands.press_start()

    def _later(self, seconds: float) -> None:
        self._rig.at(self._rig.now_s + seconds, self._look)
