"""The byte stream to a rig: five verbs, and their implementation by pyserial. Foreign errors become LinkLost here, by one table.

POSIX only: a device, a pty or socket://host:port. Every call is bounded; all calls come from the rig's owner thread.
"""

import contextlib
import errno
import fcntl
import os
import select
import socket
import termios
from collections.abc import Iterator
from typing import Any, Final, Protocol
from urllib.parse import urlsplit

import serial

from station.errors import ConfigurationError, LinkLost

READ_WAIT_MAX_S: Final = 0.05  # one read; half of what the station's loop may take
WRITE_LIMIT_S: Final = 0.2  # then part of the frame may be out, and the link is given up
BAUD: Final = 1_000_000  # carries 2 x 10 kS/s at 12 bits three times over; ignored by USB, pty and socket

LOSSES: Final = (serial.SerialException, OSError, termios.error, TypeError, ValueError)
"""What pyserial raises when a port goes away: its own error; OSError from ioctl; termios.error, which is no OSError; TypeError when the
descriptor has become None; ValueError from select() on a descriptor that is closed (-1) or above its range."""

_CAUSES: Final[dict[str, tuple[frozenset[int], str]]] = {
    "missing": (frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO}), "is not there; plug the rig in or correct the port's name"),
    "taken": (frozenset({errno.EAGAIN, errno.EBUSY}), "is in use by another program; close that program"),
    "denied": (frozenset({errno.EACCES, errno.EPERM}), "may not be opened by this user; add the user to the port's group"),
    "not-a-port": (frozenset({errno.ENOTTY, errno.EISDIR}), "is not a serial port; correct the port's name"),
    "refused": (frozenset({errno.ECONNREFUSED}), "is answered by nobody; start the rig's side or correct the address"),
    "unreachable": (frozenset({errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.ENETUNREACH}), "cannot be reached; check network and address"),
}


class Transport(Protocol):
    """A byte stream to one rig."""

    def open(self) -> None:
        """Open it, afresh if it was open. The rig may reset by it. Raises LinkLost with facts cause and port."""
        ...

    def read(self, max_bytes: int, wait_s: float) -> bytes:
        """Bytes that are there, waiting at most wait_s for the first; b"" when none came. Raises LinkLost."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of data within a bounded time. Raises LinkLost; part may be out then."""
        ...

    def close(self) -> None:
        """Give it back. Idempotent, never raises."""
        ...

    def describe(self) -> str:
        """Its stable name, for messages."""
        ...


class SerialTransport:
    """A Transport over what pyserial opens. url: path of a device or pty (best a stable link to it), or socket://host:port.

    Raises ConfigurationError for another kind of url or an impossible rate.
    """

    def __init__(self, url: str, baud: int = BAUD) -> None:
        _check_url(url)
        self._url = url
        try:
            self._port = serial.serial_for_url(url, do_not_open=True, baudrate=baud, timeout=0, write_timeout=WRITE_LIMIT_S, exclusive=True)
        except ValueError as problem:
            raise ConfigurationError("baud", baud, "a rate in baud above 0") from problem
        self._socket: socket.socket | None = None

    def describe(self) -> str:
        return self._url

    def open(self) -> None:
        self.close()
        try:
            with _losses(self._url, opening=True):
                self._port.open()
                self._settle()
        except LinkLost:
            self.close()
            raise

    def read(self, max_bytes: int, wait_s: float) -> bytes:
        with _losses(self._url):
            ready, _, _ = select.select([self._port], [], [], min(wait_s, READ_WAIT_MAX_S))
            return bytes(self._port.read(max_bytes)) if ready else b""

    def write(self, data: bytes) -> None:
        with _losses(self._url):
            self._port.write(data)

    def close(self) -> None:
        held, self._socket = self._socket, None
        with contextlib.suppress(*LOSSES):  # a port that is gone cannot be closed any better
            if self._port.is_open and held is None:
                self._port.reset_output_buffer()  # or the kernel may wait for a rig that no longer reads
        with contextlib.suppress(*LOSSES):
            self._port.close()
        if held is not None:
            held.close()  # pyserial leaves it open when the peer went first

    def _settle(self) -> None:
        """What pyserial does not set: no reset at the next opening, nobody else on a real device, small latencies."""
        self._socket = getattr(self._port, "_socket", None)
        if self._socket is not None:
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return
        descriptor = self._port.fileno()
        attributes = termios.tcgetattr(descriptor)
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
        if not os.path.realpath(self._url).startswith("/dev/pts/"):  # a pty would keep the mark as long as its other end lives
            fcntl.ioctl(descriptor, termios.TIOCEXCL)
        with contextlib.suppress(ValueError, NotImplementedError):  # best effort: not every port has it
            self._port.set_low_latency_mode(True)


def _check_url(url: str) -> None:
    scheme, separator, _ = url.partition("://")
    if not separator and url:
        return
    expected = "the path of a device or socket://host:port"
    try:
        parts = urlsplit(url)
        complete = bool(parts.hostname and parts.port)
    except ValueError as problem:
        raise ConfigurationError("port", url, expected) from problem
    if scheme != "socket" or not complete:
        raise ConfigurationError("port", url, expected)


@contextlib.contextmanager
def _losses(url: str, opening: bool = False) -> Iterator[None]:
    """The one place where a foreign error of the stream becomes LinkLost."""
    try:
        yield
    except serial.SerialTimeoutException as problem:
        raise LinkLost(f"port {url} takes no more bytes; the rig has stopped reading", port=url, cause="stalled") from problem
    except LOSSES as problem:
        cause, sentence = _explain(problem) if opening else ("gone", f"was lost ({problem}); check cable and power of the rig")
        raise LinkLost(f"port {url} {sentence}", port=url, cause=cause) from problem


def _explain(problem: BaseException) -> tuple[str, str]:
    """Cause and sentence of a failed opening."""
    number = _errno_of(problem)
    for cause, (numbers, sentence) in _CAUSES.items():
        if number in numbers:
            return cause, sentence
    return "unopened", f"cannot be opened: {problem}"


def _errno_of(problem: Any) -> int | None:
    """Error number, also of the error that pyserial dressed in its own."""
    if isinstance(problem, termios.error):
        return int(problem.args[0])
    if isinstance(problem, TimeoutError):
        return errno.ETIMEDOUT
    number = getattr(problem, "errno", None)
    if number is None and problem.__context__ is not None:
        return _errno_of(problem.__context__)
    return number
