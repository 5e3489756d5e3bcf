"""Words to a service manager: one datagram to the address it gave in NOTIFY_SOCKET (sd_notify protocol). Without one nothing is sent."""

import os
import socket
from collections.abc import Mapping
from typing import Final

READY: Final = "READY=1"
WATCHDOG: Final = "WATCHDOG=1"
STOPPING: Final = "STOPPING=1"


class Notifier:
    """May be used from any thread. A manager that has gone away, or does not read, is no reason to stop testing: nothing is raised."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if address else None
        if self._socket is not None:
            self._socket.setblocking(False)
        self.failures = 0

    def tell(self, *lines: str) -> None:
        """READY, WATCHDOG, STOPPING, or "STATUS=" with one line for people."""
        if self._socket is None:
            return
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            self.failures += 1  # shown nowhere else: who would listen has gone

    def close(self) -> None:
        """Idempotent."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
