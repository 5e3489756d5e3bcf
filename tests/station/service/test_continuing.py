"""The way on from an undecided unit: the doubtful groups alone, once, beside the groups passed before."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rigs.emulated.units import AxisProperties, StickProperties
from station.records import Fitted, LastRun, Verdict
from station.service.continuing import groups_to_carry
from station.specification import Specification, parse_specification
from tests.station.service.virtual import VirtualStation, one_unit, virtual_station

LAST = LastRun(7, Verdict.UNDECIDED, (), ("main y-",), datetime(2026, 3, 2, tzinfo=UTC))


@pytest.fixture
def few(spec_text: str) -> str:
    """So few flicks that a group not far inside the zone ends undecided."""
    return spec_text.replace("flicks_max = 450", "flicks_max = 12")


@pytest.fixture
def doubtful(tmp_path: Path, few: str) -> Iterator[VirtualStation]:
    """A unit whose y groups lie well inside the zone but scatter; flicked again they may be decided."""
    calm, loose = AxisProperties(damping_plus=0.50, damping_minus=0.50), AxisProperties(damping_plus=0.44, damping_minus=0.50)
    unit = StickProperties(x=calm, y=replace(loose, damping_spread=0.021))
    station = virtual_station(tmp_path, parse_specification(few), few, one_unit(unit))
    yield station
    station.close()


def test_only_the_doubtful_group_is_flicked_again(doubtful: VirtualStation) -> None:
    view = doubtful.test("DN2-00001")
    assert view.verdict == "undecided"
    assert "y+" in view.sentence or "undecided" in view.sentence
    first = doubtful.queries.run(1)
    open_groups = {one.group for one in first.sticks["main"].rows if one.verdict == "undecided"}
    assert open_groups <= {"y+", "y-"}
    assert open_groups
    doubtful.load("DN2-00001")
    assert "still wants evidence" in doubtful.worker.view().sentence
    view = doubtful.run()
    second = doubtful.queries.run(2)
    assert {one.group for one in second.sticks["main"].rows} == open_groups
    assert second.evidence["continues"] == 1
    assert set(second.evidence["carried"]["main"]) == {"x+", "x-", "y+", "y-"} - open_groups
    settled = all(one.verdict == "pass" for one in second.sticks["main"].rows)
    assert view.verdict == ("pass" if settled else "undecided")
    if not settled:  # a third start tests the unit whole
        doubtful.test("DN2-00001")
        assert doubtful.queries.run(3).evidence["continues"] == 0


def test_what_keeps_a_unit_from_going_on(short: Specification) -> None:
    last = replace(LAST, specification_digest=short.digest)
    assert groups_to_carry(last, short, {}) == {"main": ("x+", "x-", "y+")}
    assert groups_to_carry(None, short, {}) == {}
    assert groups_to_carry(replace(last, verdict=Verdict.INVALID), short, {}) == {}
    assert groups_to_carry(replace(last, reasons=("settle:x",)), short, {}) == {}  # a limit is in doubt as well
    assert groups_to_carry(replace(last, continues=3), short, {}) == {}  # once only
    assert groups_to_carry(LAST, short, {}) == {}  # another specification
    assert groups_to_carry(last, short, {"main": Fitted(3.3e-7, 0.0)}) == {}  # a part was fitted since
