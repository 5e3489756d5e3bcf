"""Real ends of real streams for the transport's tests: a pty that can be unplugged, and the scripted rig behind it in real time."""

import contextlib
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

from tests.rigs.scripted import HandClock, ScriptedRig


class RealClock(HandClock):
    """Time that passes by itself; whoever moves it by hand moves nothing."""

    @property
    def now_s(self) -> float:
        return time.monotonic()

    @now_s.setter
    def now_s(self, value: float) -> None:
        del value

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class Plug:
    """A pty under a stable name, a symbolic link as udev would keep. Unplugging closes the rig's end."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1
        self.plug_in()

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(name)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
        self.master = -1
        self.link.unlink(missing_ok=True)


class RigThread:
    """The scripted rig at the far end of a descriptor, until `stop`.

    A test may let it `say` something: pushes and pops of heapq are not interrupted by another thread while they compare plain tuples.
    """

    def __init__(self, descriptor: int) -> None:
        self.rig = ScriptedRig(RealClock())
        self.rig.open()
        self._descriptor = descriptor
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([self._descriptor], [], [], 0.002)
            with contextlib.suppress(OSError):  # EIO while nobody holds the other end
                if ready:
                    self.rig.write(os.read(self._descriptor, 4096))
            while data := self.rig.read(4096, 0.0):
                os.write(self._descriptor, data)


@contextlib.contextmanager
def plugged(link: Path) -> Iterator[Plug]:
    plug = Plug(link)
    try:
        yield plug
    finally:
        plug.unplug()


@contextlib.contextmanager
def rig_behind(descriptor: int) -> Iterator[ScriptedRig]:
    behind = RigThread(descriptor)
    try:
        yield behind.rig
    finally:
        behind.stop()


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))
