"""A real server cut off, restarted and refilled while stations go on: nothing lost, nothing doubled."""

from pathlib import Path

import pytest

from tests.db.line_campaign import STATIONS, campaign
from tests.own_postgres import WHY_NOT

pytestmark = pytest.mark.skipif(bool(WHY_NOT), reason=WHY_NOT)


def test_nothing_is_lost_or_doubled_while_server_and_forwarders_are_killed(tmp_path: Path) -> None:
    found = campaign(tmp_path, seconds=4.0, seed=2611)
    assert found.differing == []
    assert found.plugs >= 2
    assert found.kills >= 2
    assert found.waited > 0  # there was something to refill after the last outage
    assert found.records["run"] == sum(found.runs.values())
    assert min(found.runs[name] for name in STATIONS) > 2
    assert min(found.records[kind] for kind in ("order", "advice", "unit")) > 0
