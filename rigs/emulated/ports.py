"""The rig's end of a real byte stream: a pty under a stable name, or a TCP listener. Non-blocking; a cable that can really be pulled."""

import contextlib
import os
import pty
import select
import socket
import tty
from pathlib import Path
from typing import Final, Protocol

from station.errors import ConfigurationError

CHUNK_BYTES: Final = 4096
GONE: Final = (BrokenPipeError, ConnectionResetError, ConnectionAbortedError)


class Port(Protocol):
    """One end of the link. `descriptors` are what to wait on for something to read."""

    def open(self) -> None: ...

    def close(self) -> None: ...

    def name(self) -> str:
        """What a host is to open."""
        ...

    def descriptors(self) -> list[int]: ...

    def present(self) -> bool:
        """Whether a host is at the other end."""
        ...

    def read(self) -> bytes: ...

    def write(self, data: bytes) -> int:
        """How many bytes were taken; 0 when none now."""
        ...


class PtyPort:
    """A pty whose other end is found under `link`. Closing it is pulling the cable: the host's end fails and the name is gone."""

    def __init__(self, link: Path) -> None:
        self._link = link
        self._master = -1
        self._pts = ""
        self._was_present = False

    def open(self) -> None:
        """Raises ConfigurationError when the name cannot be made."""
        if self._link.exists() and not self._link.is_symlink():
            raise ConfigurationError("port", str(self._link), "a name that is free or an older link to a pty")
        self._master, slave = pty.openpty()
        self._pts = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        beside = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        try:
            beside.symlink_to(self._pts)
            beside.replace(self._link)
        except OSError as problem:
            os.close(self._master)
            self._master = -1
            raise ConfigurationError("port", str(self._link), f"a name that can be made ({problem.strerror})") from problem

    def close(self) -> None:
        if self._master >= 0:
            if self._link.is_symlink() and os.readlink(self._link) == self._pts:  # else another rig has taken the name over
                self._link.unlink()
            os.close(self._master)
        self._master, self._was_present = -1, False

    def name(self) -> str:
        return str(self._link)

    def descriptors(self) -> list[int]:
        return [self._master] if self._was_present else []

    def present(self) -> bool:
        """Without a host the kernel reports a hang-up. Of a host that has just come the line is made raw, or it would echo."""
        if self._master < 0:
            return False
        poller = select.poll()
        poller.register(self._master, 0)
        here = not poller.poll(0)
        if here and not self._was_present:
            tty.setraw(self._master)
        self._was_present = here
        return here

    def read(self) -> bytes:
        if self._master < 0:
            return b""
        try:
            return os.read(self._master, CHUNK_BYTES)
        except OSError:  # EAGAIN: nothing there; EIO: the host has closed its end
            return b""

    def write(self, data: bytes) -> int:
        try:
            return os.write(self._master, data)
        except OSError:  # EAGAIN: the kernel's buffer is full; EIO: nobody there
            return 0


class TcpPort:
    """A listener that serves one host at a time."""

    def __init__(self, host: str, port: int) -> None:
        self._address = (host, port)
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None

    def open(self) -> None:
        """Raises ConfigurationError when the address is taken or not ours."""
        try:
            self._listener = listen(self._address)
        except OSError as problem:
            shown = f"{self._address[0]}:{self._address[1]}"
            raise ConfigurationError("tcp", shown, f"a free address of this machine ({problem.strerror})") from problem
        self._address = self._listener.getsockname()[:2]

    def close(self) -> None:
        for one in (self._peer, self._listener):
            if one is not None:
                one.close()
        self._peer = self._listener = None

    def name(self) -> str:
        return f"socket://{self._address[0]}:{self._address[1]}"

    def descriptors(self) -> list[int]:
        return [one.fileno() for one in (self._listener, self._peer) if one is not None]

    def present(self) -> bool:
        """Takes a host that waits at the door; a second one is sent away."""
        with contextlib.suppress(BlockingIOError):
            if self._listener is not None:
                came, _ = self._listener.accept()
                self._welcome(came)
        return self._peer is not None

    def read(self) -> bytes:
        if self._peer is None:
            return b""
        try:
            data = self._peer.recv(CHUNK_BYTES)
        except BlockingIOError:
            return b""
        except GONE:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> int:
        if self._peer is None:
            return 0
        try:
            return self._peer.send(data)
        except BlockingIOError:
            return 0
        except GONE:
            self._hang_up()
            return 0

    def _welcome(self, came: socket.socket) -> None:
        if self._peer is not None:
            came.close()
            return
        came.setblocking(False)
        came.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._peer = came

    def _hang_up(self) -> None:
        if self._peer is not None:
            self._peer.close()
        self._peer = None


def listen(address: tuple[str, int] | str) -> socket.socket:
    """A non-blocking listener on HOST, PORT or on a local socket's path. Raises OSError."""
    family = socket.AF_UNIX if isinstance(address, str) else socket.AF_INET6 if ":" in address[0] else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        if family != socket.AF_UNIX:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        made.listen(8)
    except OSError:
        made.close()
        raise
    made.setblocking(False)
    return made
