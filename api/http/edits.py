"""If-Match on edits that one person could lose to another: whoever says what they saw is refused when it is not so any more."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, Any, Final, cast

from fastapi import Depends, Header, Request

from api.http.problems import ChangedMeanwhile
from db.blocks import plain
from db.chain import digest_of

DIGITS: Final = 32  # of SHA-256: 128 bits, no two alike by chance


def tag_of(document: Any) -> str:
    """A strong entity tag of a document (RFC 9110, section 8.8.3)."""
    return f'"{digest_of(plain(document))[:DIGITS]}"'


class Edit:
    """One edit. Edits are done one at a time, so that nothing comes between looking and doing."""

    def __init__(self, lock: threading.Lock, seen: str) -> None:
        self._lock = lock
        self._seen = seen

    @contextmanager
    def of(self, now: Callable[[], Any]) -> Iterator[None]:
        """Around the deed; now: the document as it stands. Raises ChangedMeanwhile; without If-Match nothing is compared."""
        with self._lock:
            if self._seen and self._seen != "*" and tag_of(now()) not in {one.strip() for one in self._seen.split(",")}:
                raise ChangedMeanwhile("somebody changed it after you read it; nothing was done")
            yield


def _edit(request: Request, if_match: Annotated[str, Header(max_length=400, description="ETag of what was seen")] = "") -> Edit:
    return Edit(cast(threading.Lock, request.app.state.editing), if_match.strip())


TheEdit = Annotated[Edit, Depends(_edit)]
