"""The command that speaks to a running station's rigs."""

import json
from collections.abc import Iterator

import pytest

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from tests.api.command import here, refused
from tests.api.fakes import FakeDesk, serving


@pytest.fixture
def station(desk: FakeDesk, queries: Queries) -> Iterator[str]:
    with serving(build_app(desk, queries, Access(), WebSettings("bench-1", "0.1.0"))) as (url, _):
        yield url


def test_rigs_are_shown_scanned_started_and_halted(station: str, desk: FakeDesk) -> None:
    shown = here("rigs", "--server", station)
    assert shown.returncode == 0
    assert "emulated" in shown.stdout
    scanned = here("rigs", "scan", "a", "--serial", "DN-0003", "--operator", "ann", "--server", station, "--json")
    assert json.loads(scanned.stdout)["rigs"][0]["unit"]["lot"] == "ML-2611"
    desk.show("a", not_ready=())
    assert here("rigs", "start", "a", "--server", station).returncode == 0
    assert here("rigs", "halt", "a", "--server", station).returncode == 0
    assert [one[0] for one in desk.asked] == ["scan", "start", "halt"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("start",), "without a rig"),
        (("scan", "a"), "--serial"),
        (("start", "a", "--serial", "X"), "--serial"),
        (("start", "b"), "b"),
        (("fly", "a"), "fly"),
    ],
)
def test_what_cannot_be_is_one_line(station: str, words: tuple[str, ...], said: str) -> None:
    refused(here("rigs", *words, "--server", station), said)
