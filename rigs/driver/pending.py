"""One numbered command under way: when to send it again, what answers it, when patience ends. Pure; times are handed in."""

from typing import Any, Final

from rigs.driver.commands import Order
from rigs.driver.watch import SLACK_S
from rigs.link import Received
from rigs.link.messages import Refusal

ANSWER_S: Final = 0.1  # an ACK takes one frame time; after this the command, or its answer, was lost
MARGIN_S: Final = 0.5  # beyond the command's own duration; four more tries


class Pending:
    """A command sent at begin_s. The same number is sent again until it is answered: the rig never does it twice.

    done: fields of its DONE. refusal: why not.
    """

    def __init__(self, number: int, order: Order, begin_s: float, margin_s: float = MARGIN_S, again_s: float = ANSWER_S) -> None:
        self.number = number
        self.order = order
        self.done: dict[str, Any] | None = None
        self.refusal = Refusal.ACCEPTED
        self.sendings = 0
        self.limit_s = order.duration_s + margin_s
        self._again_s = again_s
        self._deadline_s = begin_s + self.limit_s
        self._send_s = begin_s
        self._acknowledged = False

    @property
    def answered(self) -> bool:
        return self.done is not None or self.refusal != Refusal.ACCEPTED

    def take(self, message: Received, now_s: float) -> None:
        """Its ACK or DONE came."""
        if message.name == "DONE":
            self.done = message.fields
            return
        self.refusal = message.fields["refusal"]
        if not self._acknowledged:
            self._acknowledged = True
            self._send_s = now_s + self.order.duration_s + self._again_s  # ask for a lost DONE only when it is due

    def to_be_sent(self, now_s: float) -> bool:
        """Whether to send it now; counts as sent then."""
        if self.answered or now_s < self._send_s - SLACK_S:
            return False
        self._send_s = now_s + self._again_s
        self.sendings += 1
        return True

    def wait_s(self, now_s: float) -> float:
        """How long nothing is due."""
        return max(0.0, min(self._send_s, self._deadline_s) + SLACK_S - now_s)

    def overdue(self, now_s: float) -> bool:
        """An answer that comes at the deadline is in time; call after reading."""
        return not self.answered and now_s >= self._deadline_s - SLACK_S
