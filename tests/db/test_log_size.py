"""What keeping results leaves behind."""

from collections.abc import Callable
from pathlib import Path

from db.store import SqlStore
from tests.db.making import closing, opening, trace

SAMPLES = 75_000  # 300 kB: about twenty flicks of both axes at 10 kS/s


def test_the_log_stays_short(file_url: str, new_store: Callable[..., SqlStore]) -> None:
    """Nobody reads for long, so the log is used again from its beginning."""
    store = new_store(file_url)
    end = closing(1, traces={"main": trace(1, SAMPLES)})
    for index in range(30):
        store.close_run(store.open_run(opening(f"DL2-{index:05d}")), end)
    size = Path(file_url.removeprefix("sqlite:///")).stat().st_size
    assert store.database.log_bytes() < 6_000_000 < size
