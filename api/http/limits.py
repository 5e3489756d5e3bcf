"""Limits on guessing, on bodies and on what one address may write into the trail: token buckets in memory, for one process is enough.

Pages, streams, exports and connections have their own caps where they are served.
"""

import ipaddress
import math
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

from starlette.types import Message, Receive, Scope

# Chosen: who mistypes, or a service with an old token, is not shut out for long; a guesser gets 14,400 tries a day at 256 random bits.
WRONG_BURST: Final = 10
WRONG_EVERY_S: Final = 6.0
ADDRESSES_MAX: Final = 4096  # remembered at once; chosen: more than there are machines on a shop floor, a megabyte or less
IPV6_SITE_BITS: Final = 64  # one customer's network (RFC 6177): within it an asker picks addresses at will


class Buckets:
    """One bucket of `burst` drops per name, one drop more every `every_s`. The names seen longest ago are forgotten first."""

    def __init__(self, burst: int, every_s: float, now_s: Callable[[], float] = time.monotonic, names_max: int = ADDRESSES_MAX) -> None:
        self._burst = burst
        self._every_s = every_s
        self._now_s = now_s
        self._names_max = names_max
        self._levels: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, name: str) -> bool:
        """Take one drop. False when there is none."""
        level, now_s = self._level(name), self._now_s()
        taken = level >= 1.0
        self._levels[name] = (level - 1.0 if taken else level, now_s)
        self._levels.move_to_end(name)
        while len(self._levels) > self._names_max:
            self._levels.popitem(last=False)
        return taken

    def wait_s(self, name: str) -> int:
        """Whole seconds until there is a drop, 0 when there is one."""
        return max(0, math.ceil((1.0 - self._level(name)) * self._every_s))

    def __len__(self) -> int:
        return len(self._levels)

    def _level(self, name: str) -> float:
        level, at_s = self._levels.get(name, (float(self._burst), self._now_s()))
        return min(float(self._burst), level + (self._now_s() - at_s) / self._every_s)


class WrongTokens:
    """How often an address may show a wrong token. Used on the event loop alone."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._buckets = Buckets(WRONG_BURST, WRONG_EVERY_S, now_s)

    def count(self, asker: str) -> None:
        """A wrong token came."""
        self._buckets.take(asker)

    def wait_s(self, asker: str) -> int:
        """Seconds for which no token that is not known already is looked at; 0: it is."""
        return self._buckets.wait_s(asker)


def asker_of(scope: Scope) -> str:
    """The address a request comes from; of IPv6 the network it lies in. "" where the server does not know."""
    host = str((scope.get("client") or ("",))[0])
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if address.version == 4:
        return host
    return str(ipaddress.ip_network((address, IPV6_SITE_BITS), strict=False))


async def read_body(receive: Receive, most: int) -> bytes | None:
    """A request's body, None for one of more than `most` bytes, of which the rest is left unread."""
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return body
        body += bytes(message.get("body", b""))
        if len(body) > most:
            return None
        if not message.get("more_body", False):
            return body


def given_again(body: bytes, receive: Receive) -> Receive:
    """A channel that gives a body that was read, then whatever comes."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
