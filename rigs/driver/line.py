"""Messages over a transport: whole frames out, whole messages in. A line that is lost closes itself and remembers why."""

from typing import Final, TypeVar

from rigs.driver.transport import Transport
from rigs.link import FrameReader, Received, encode
from station.errors import LinkLost, RigError

READ_MAX_BYTES: Final = 4096

Ending = TypeVar("Ending", bound=RigError)


class Line:
    """One link to a rig. name: of the rig, for messages. ended_by: why it is no longer open, None when it was closed on purpose."""

    def __init__(self, name: str, transport: Transport) -> None:
        self.name = name
        self.is_open = False
        self.ended_by: RigError | None = None
        self.bytes_read = 0
        self.reader = FrameReader("rig")
        self._transport = transport

    @property
    def port(self) -> str:
        return self._transport.describe()

    def open(self) -> None:
        """Open the port afresh and forget what was heard before. A zero byte ends what the rig may have half heard. Raises LinkLost."""
        self.close()
        self.reader = FrameReader("rig")
        self.bytes_read = 0
        try:
            self._transport.open()
            self._transport.write(b"\0")
        except LinkLost as lost:
            raise self._lost(lost) from lost
        self.is_open = True

    def send(self, message: str, **fields: int) -> None:
        """Raises LinkLost."""
        frame = encode(message, tail=b"", **fields)
        try:
            self._transport.write(frame)
        except LinkLost as lost:
            raise self._lost(lost) from lost

    def receive(self, wait_s: float) -> list[Received]:
        """Messages that are there, waiting at most wait_s for the first byte. Raises LinkLost."""
        try:
            data = self._transport.read(READ_MAX_BYTES, wait_s)
        except LinkLost as lost:
            raise self._lost(lost) from lost
        self.bytes_read += len(data)
        return self.reader.feed(data)

    def end(self, why: Ending) -> Ending:
        """Close for a reason, which is handed back to be raised."""
        self.close()
        self.ended_by = why
        return why

    def close(self) -> None:
        """Idempotent, never raises."""
        self.is_open = False
        self.ended_by = None
        self._transport.close()

    def _lost(self, lost: LinkLost) -> LinkLost:
        return self.end(LinkLost(f"rig {self.name}: {lost.message}", **lost.facts))
