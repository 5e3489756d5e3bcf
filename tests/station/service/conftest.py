"""A linked station in virtual time."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from station.specification import Specification, parse_specification
from tests.conftest import DATA
from tests.station.service.virtual import VirtualStation, virtual_station


@pytest.fixture
def spec_text() -> str:
    """The demo product's specification without audited groups: the shortest runs."""
    return (DATA / "dunlin-2-A.toml").read_text().replace('mode = "guarded"', 'mode = "guarded"\naudit_share = 0.0')


@pytest.fixture
def short(spec_text: str) -> Specification:
    return parse_specification(spec_text)


@pytest.fixture
def bench(tmp_path: Path, short: Specification, spec_text: str) -> Iterator[VirtualStation]:
    station = virtual_station(tmp_path, short, spec_text)
    yield station
    station.close()
