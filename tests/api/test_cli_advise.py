"""`restpoint advise`: the contract's document, exit codes, and what people read."""

import json
from pathlib import Path
from typing import Any

import pytest

from api.cli.main import call
from station.records import Recording
from tests.api.command import DATA, answered, refused, restpoint
from tests.truth import Scene, simulate, write_csv

SPEC = DATA / "dunlin-2-A.toml"
PEAKS = {"x+": 24.0, "x-": 23.0, "y+": 15.0, "y-": 16.0}


def written(folder: Path, recording: Recording, name: str = "unit.csv") -> Path:
    path = folder / name
    write_csv(str(path), recording)
    return path


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = Scene(order=("x+", "x-", "y+", "y-") * 10, peak_counts=PEAKS, ring_hz=80.0)
    return written(tmp_path_factory.mktemp("bare"), simulate(scene, 1, with_truth=False).recording)


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = Scene(order=("x+", "x-", "y+", "y-") * 10, peak_counts=PEAKS, ring_hz=80.0, capacitance_f=(3.3e-7, 4.7e-7))
    return written(tmp_path_factory.mktemp("fitted"), simulate(scene, 2, with_truth=False).recording)


def test_the_contracts_document(bare: Path) -> None:
    document = answered(restpoint("advise", bare, "--spec", SPEC, "--json"), 0)
    assert document["format"] == "restpoint-advice/1"
    x, y = document["axes"]["x"], document["axes"]["y"]
    assert (x["fitted_f"], x["recommended_f"], x["reason"]) == (0.0, 4.7e-7, "smallest part that meets the limits")
    assert y["recommended_f"] == 0.0
    fields = {"capacitance_f", "marking", "peak_counts", "over_share", "added_lag_s", "chance_to_pass", "meets"}
    assert [one["capacitance_f"] for one in x["candidates"]] == [0.0, 1e-7, 1.5e-7, 2.2e-7, 3.3e-7, 4.7e-7, 6.8e-7]
    assert all(fields <= set(one) for one in x["candidates"])
    assert [one["marking"] for one in x["candidates"]] == ["none", "104", "154", "224", "334", "474", "684"]


@pytest.mark.parametrize("written_as", [("334", "474"), ("0.33uF", "470n"), ("3.3e-7", "4.7e-07")])
def test_the_fitted_parts_may_be_written_in_any_way(fitted: Path, written_as: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["advise", str(fitted), "--spec", str(SPEC), "--fitted-x", written_as[0], "--fitted-y", written_as[1]]
    assert call(arguments) == 0
    shown = capsys.readouterr().out
    assert "Replace the fitted 0.33 uF by 0.47 uF (474)" in shown
    assert "Remove the fitted 0.47 uF and fit nothing" in shown
    assert "larger than needed" in shown


def test_what_people_read(bare: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["advise", str(bare), "--spec", str(SPEC)]) == 0
    shown = capsys.readouterr().out
    for words in (
        "x: Fit 0.47 uF (474)",
        "y: Fit nothing",
        "between the axis signal and ground",
        "One size larger, 0.68 uF",
        "beyond zone",
    ):
        assert words in shown
    for caution in ("batteries", "Eye protection", "fume", "hot", "Static", "Wash hands", "maker's instructions", "qualified persons"):
        assert caution in shown


def test_nothing_to_solder_needs_no_cautions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = written(tmp_path, simulate(Scene(order=("x+", "x-", "y+", "y-") * 4), 3, with_truth=False).recording)
    assert call(["advise", str(good), "--spec", str(SPEC)]) == 0
    shown = capsys.readouterr().out
    assert shown.count("Fit nothing") == 2
    assert "soldering" not in shown


def test_none_will_do_is_an_answer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = Scene(order=("x+", "x-") * 5, peak_counts={"x+": 35.0, "x-": 35.0}, ring_hz=42.0)
    path = written(tmp_path, simulate(scene, 4, with_truth=False).recording)
    assert call(["advise", str(path), "--spec", str(SPEC), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["axes"]["x"]["recommended_f"] is None
    assert "over_share_good" in document["axes"]["x"]["reason"]
    assert document["axes"]["y"]["candidates"] == []
    assert call(["advise", str(path), "--spec", str(SPEC)]) == 0
    shown = capsys.readouterr().out
    assert "None will do" in shown
    assert "What would help:" in shown


def test_a_recording_that_cannot_be_trusted_is_said_with_exit_3(tmp_path: Path) -> None:
    short = written(tmp_path, simulate(Scene(order=(), lead_s=0.3), 5, with_truth=False).recording)
    document = answered(restpoint("advise", short, "--spec", SPEC, "--json"), 3)
    for axis in document["axes"].values():
        assert axis["recommended_f"] is None
        assert "bad-recording" in axis["reason"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--spec", SPEC, "--fitted-x", "033"], ["--fitted-x", "033", "expected"]),
        (["--spec", SPEC, "--fitted-y", "10"], ["--fitted-y", "10", "expected"]),
        (["--spec", SPEC, "--columns", "t,x"], ["--columns"]),
        (["--spec", SPEC, "--supply-v", "0"], ["--supply-v"]),
        (["--spec", "nowhere.toml"], ["nowhere.toml"]),
        ([], ["--spec"]),
    ],
)
def test_wrong_usage_is_one_line_and_exit_2(bare: Path, options: list[Any], words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["advise", str(bare), *map(str, options)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert all(word in said.err for word in words)


def test_a_missing_recording_is_refused() -> None:
    refused(restpoint("advise", "nowhere.csv", "--spec", SPEC), "nowhere.csv")


def test_other_columns_and_a_measured_supply(bare: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    renamed = tmp_path / "renamed.csv"
    renamed.write_text(bare.read_text().replace("t_s,x_v,y_v", "time,ch1,ch2", 1))
    arguments = ["advise", str(renamed), "--spec", str(SPEC), "--columns", "time,ch1,ch2", "--supply-v", "3.3"]
    assert call(arguments) == 0
    assert "x: Fit 0.47 uF (474)" in capsys.readouterr().out
