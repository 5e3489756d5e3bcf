"""A short round of random requests to the whole API; `python -m tests.fuzz_api` goes on for as long as wished."""

from pathlib import Path

from tests.fuzzing import fuzz

ENOUGH_S = 60.0  # a limit for slow machines; one round of all operations takes a few seconds


def test_no_random_request_is_answered_with_a_defect(tmp_path: Path) -> None:
    found = fuzz(tmp_path, ENOUGH_S, seed=20261125, examples=3, rounds=1, tell=lambda _: None)
    assert found.troubles == {}
    assert found.operations > 50
    assert found.asked > 2 * found.operations
    assert found.statuses[200] > 30
    assert max(found.statuses) < 500
