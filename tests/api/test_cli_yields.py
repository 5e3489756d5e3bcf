"""`restpoint yield`: the same report from a database and from a station, for people and for programs."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.command import answered, here, refused
from tests.api.fakes import serving
from tests.api.told import Told, app_over, told_history


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    return told_history(tmp_path_factory.mktemp("told"))


@pytest.fixture(scope="module")
def served(told: Told) -> Iterator[str]:
    with app_over(told) as app, serving(app) as (url, _):
        yield url


def local(told: Told) -> list[str]:
    return ["--database", told.url, "--config", str(told.config)]


@pytest.mark.parametrize(
    "asked",
    [
        [],
        ["--split", "shift", "--from", "2026-10-24", "--to", "2026-10-25"],
        ["--split", "lot", "--product", "dunlin-2", "--rig", "rig-1"],
        ["--specification", "dunlin-2 A", "--operator", "a. marsh", "--split", "none"],
        ["--emulated", "--split", "group"],
    ],
)
def test_database_and_station_say_the_same(told: Told, served: str, asked: list[str]) -> None:
    one = answered(here("yield", *asked, *local(told), "--json"), 0)
    assert one == answered(here("yield", *asked, "--server", served, "--json"), 0)
    assert one["format"] == "restpoint-yield/1"
    assert one["total"]["runs"] > 0
    assert here("yield", *asked, *local(told)).stdout == here("yield", *asked, "--server", served).stdout


def test_people_read_yields_with_intervals_causes_and_rework(told: Told) -> None:
    report = answered(here("yield", "--split", "lot", *local(told), "--json"), 0)
    shown = here("yield", "--split", "lot", *local(told)).stdout
    first = report["total"]["first_pass"]
    assert f"first pass {100 * first['value']:.1f} % ({100 * first['low']:.1f} to {100 * first['high']:.1f})" in shown
    for row in report["rows"]:
        assert row["label"] in shown
    assert report["causes"][0]["code"] in shown
    assert "Capability" in shown
    assert f"{report['rework']['scrapped']} scrapped" in shown
    assert f"{report['emulated_runs']} emulated runs counted apart" in shown


def test_an_empty_span_is_no_error(told: Told) -> None:
    shown = here("yield", "--from", "2020-01-01", "--to", "2020-01-01", *local(told))
    assert shown.returncode == 0
    assert "first pass -" in shown.stdout
    assert "Causes: no failed run." in shown.stdout


@pytest.mark.parametrize(
    ("asked", "word"),
    [
        (["--from", "yesterday"], "from is 'yesterday'"),
        (["--from", "2026-10-26", "--to", "2026-10-25"], "in order"),
        (["--split", "week"], "week"),
    ],
)
def test_what_cannot_be_asked_is_refused(told: Told, asked: list[str], word: str) -> None:
    refused(here("yield", *asked, *local(told)), word)


def test_a_station_refuses_in_its_own_words(served: str) -> None:
    refused(here("yield", "--from", "2026-10-26", "--to", "2026-10-25", "--server", served), served, "in order")


def test_one_place_is_asked(told: Told, served: str) -> None:
    refused(here("yield", *local(told), "--server", served), "one place")


def test_days_are_those_of_the_configured_zone(told: Told, tmp_path: Path) -> None:
    config = tmp_path / "far.toml"
    config.write_text('[station]\nname = "far"\nzone = "Pacific/Auckland"\n', encoding="utf-8")
    far = json.loads(here("yield", "--database", told.url, "--config", config, "--json").stdout)
    near = json.loads(here("yield", *local(told), "--json").stdout)
    assert (far["zone"], far["station"]) == ("Pacific/Auckland", "far")
    assert far["total"]["units"] == near["total"]["units"]
    assert [(row["label"], row["units"]) for row in far["rows"]] != [(row["label"], row["units"]) for row in near["rows"]]
