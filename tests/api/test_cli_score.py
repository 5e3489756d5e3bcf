"""`restpoint score`: verdicts, exit codes, documents and words, on simulated recordings and on stored runs."""

import csv
import json
import os
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from db.migrate import create_or_require
from db.store import SqlStore
from station.judge.score import score_document, score_recording
from station.quantities import GROUPS
from station.records import CommandedFlick, Fitted, Recording, RunClosing, RunOpening, Score, TraceBlock, UnitIdentity, Verdict
from station.specification import parse_specification
from tests.api.command import DATA, answered, here, python, refused, restpoint
from tests.api.fakes import RIG
from tests.truth import Scene, simulate

SPEC = DATA / "dunlin-2-A.toml"
TEXT = SPEC.read_text()
SPECIFICATION = parse_specification(TEXT)
GOOD = Scene(peak_counts=dict.fromkeys(GROUPS, 12.0), order=GROUPS * 12)
SNAPPY = Scene(peak_counts={"x+": 31.0}, order=GROUPS * 6)
SHORT = Scene(order=GROUPS * 2)
START = datetime(2026, 11, 25, 7, 30, tzinfo=UTC)


def recorded(scene: Scene, seed: int = 0) -> Recording:
    return simulate(scene, seed, with_truth=False).recording


def written(path: Path, recording: Recording, header: str = "t_s,x_v,y_v", stamp: str = "{:.6f}", cut: slice | None = None) -> Path:
    """The recording as a file; `cut` leaves rows out."""
    time_s = np.arange(len(recording.x_v)) / recording.rate_hz
    rows = [f"{stamp.format(t)},{x:.6f},{y:.6f}" for t, x, y in zip(time_s, recording.x_v, recording.y_v, strict=True)]
    if cut is not None:
        del rows[cut]
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("recordings")
    made = {
        name: written(folder / f"{name}.csv", recorded(scene)) for name, scene in (("good", GOOD), ("snappy", SNAPPY), ("short", SHORT))
    }
    made["gapped"] = written(folder / "gapped.csv", recorded(GOOD), cut=slice(20_000, 20_003))
    return made


@pytest.mark.parametrize(
    ("name", "verdict", "code", "reasons"),
    [
        ("good", "pass", 0, []),
        ("snappy", "fail", 1, ["snapback:x+"]),
        ("short", "undecided", 3, []),
        ("gapped", "invalid", 3, ["bad-recording"]),
    ],
)
def test_every_verdict_is_one_document_with_its_exit_code(
    files: dict[str, Path], name: str, verdict: str, code: int, reasons: list[str]
) -> None:
    document = answered(restpoint("score", files[name], "--spec", SPEC, "--json"), code)
    assert document["format"] == "restpoint-score/1"
    assert document["spec"] == "dunlin-2 A"
    assert document["verdict"] == verdict
    assert document["reasons"] == reasons
    if verdict == "invalid":
        assert any("samples are missing" in sentence for sentence in document["explanation"])
    else:
        _check_fields(document)


def _check_fields(document: dict[str, Any]) -> None:
    """Names as other people's scripts expect them."""
    assert set(document["rest_counts"]) == set(document["noise_counts"]) == {"x", "y"}
    assert set(document["groups"]) == set(GROUPS)
    group = document["groups"]["x+"]
    expected = {
        "verdict",
        "flicks",
        "flicks_used",
        "peak_counts",
        "misread_probability",
        "return_s",
        "settle_s",
        "reach_counts",
        "added_lag_s",
    }
    assert expected <= set(group)
    assert {"mean", "sd", "max", "u"} <= set(group["peak_counts"])
    assert {"mean", "upper"} <= set(group["misread_probability"])
    flick = document["flicks"][0]
    named = {"group", "t_release_s", "reach_counts", "peak_counts", "over_zone_s", "misread_probability", "return_s", "settle_s", "rings"}
    assert named | {"rest_shift_counts", "cross_axis_counts", "flags"} <= set(flick)


def test_the_command_gives_the_figures_of_the_scorer(files: dict[str, Path]) -> None:
    """Volts printed to a microvolt: nothing may come between the recording in memory and the one from the file but that rounding."""
    document = answered(here("score", files["good"], "--spec", SPEC, "--json"), 0)
    direct = score_document(score_recording(recorded(GOOD), SPECIFICATION, Fitted()), SPECIFICATION)
    assert [flick["group"] for flick in document["flicks"]] == [flick["group"] for flick in direct["flicks"]]
    for name, tolerance in (("peak_counts", 1e-3), ("reach_counts", 1e-3), ("return_s", 1e-6)):
        values = [flick[name] for flick in document["flicks"]]
        assert values == pytest.approx([flick[name] for flick in direct["flicks"]], abs=tolerance)


def test_words_for_people(files: dict[str, Path]) -> None:
    done = here("score", files["snappy"], "--spec", SPEC)
    assert done.returncode == 1
    assert done.stderr == ""  # no progress bar where there is no terminal
    first, reason = done.stdout.splitlines()[:2]
    assert first == "FAIL: the unit does not meet specification dunlin-2 A"
    assert "x+: flicks are thrown past rest beyond the neutral zone" in reason
    assert "[snapback:x+]" in reason
    assert "\x1b" not in done.stdout
    for group in GROUPS:
        assert any(line.strip("| ").startswith(group) for line in done.stdout.splitlines())
    invalid = here("score", files["gapped"], "--spec", SPEC).stdout
    assert invalid.startswith("INVALID: the recording or the rig is at fault, nothing is said of the unit")
    assert "samples are missing" in invalid


def test_reasons_name_figure_and_limit(tmp_path: Path) -> None:
    scene = Scene(peak_counts=dict.fromkeys(GROUPS, 12.0), reach_counts={"y-": 62.0}, rest_counts=(140.0, 128.0), order=GROUPS * 10)
    done = here("score", written(tmp_path / "odd.csv", recorded(scene)), "--spec", SPEC)
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    off = next(line for line in lines if "[off-centre:x]" in line)
    assert "12 counts from nominal" in off
    assert "at most 8 counts allowed" in off
    short = next(line for line in lines if "[short-reach:y-]" in line)
    assert "15 counts from nominal" in short


def test_fitted_parts_columns_and_supply_reach_the_scorer(tmp_path: Path, files: dict[str, Path]) -> None:
    filtered = replace(GOOD, capacitance_f=(3.3e-7, 0.0), order=GROUPS * 2)
    path = written(tmp_path / "filtered.csv", recorded(filtered), header="time,CH1,CH2")
    columns = ("--columns", "time,CH1,CH2", "--supply-v", "3.3")
    for text in ("0.33uF", "330n", "334", "3.3e-7"):
        document = answered(here("score", path, "--spec", SPEC, "--json", "--fitted-x", text, *columns), 3)
        assert document["groups"]["x+"]["added_lag_s"] > 2e-4
        assert document["groups"]["y+"]["added_lag_s"] == 0.0
    other = answered(here("score", files["short"], "--spec", SPEC, "--json", "--supply-v", "3.4"), 3)
    assert other["supply_v"] == 3.4
    assert other["rest_counts"]["x"] == pytest.approx(128.1 * 3.3 / 3.4, abs=0.05)


def test_what_cannot_be_scored_is_refused(tmp_path: Path, files: dict[str, Path]) -> None:
    good = files["good"]
    bad_spec = tmp_path / "bad.toml"
    bad_spec.write_text(TEXT.replace("return_s = 0.012", "return_s = -1.0"))
    latin = tmp_path / "latin.toml"
    latin.write_bytes('name = "Möwe"'.encode("latin-1"))
    word = tmp_path / "word.csv"
    word.write_text("t_s,x_v,y_v\n0.0,1.6,1.6\n0.001,loose,1.6\n")
    locked = tmp_path / "no-toml.toml"
    locked.write_text("a = [1,\n 2\nb = 3\n")
    refused(here("score"), "--run")
    refused(here("score", good), "--spec")
    refused(here("score", tmp_path / "absent.csv", "--spec", SPEC), "absent.csv", "No such file")
    refused(here("score", tmp_path, "--spec", SPEC), "not a regular file")
    refused(here("score", word, "--spec", SPEC), "line 3, column x_v is 'loose'; expected a finite number")
    refused(here("score", good, "--spec", bad_spec), "limits.return_s", "-1.0")
    refused(here("score", good, "--spec", latin), "UTF-8")
    refused(here("score", good, "--spec", locked), "specification")
    refused(here("score", good, "--spec", tmp_path), "is not a file")
    refused(here("score", good, "--spec", tmp_path / "absent.toml"), "absent.toml")
    refused(here("score", good, "--spec", SPEC, "--fitted-x", "lots"), "--fitted-x", "lots")
    refused(here("score", good, "--spec", SPEC, "--columns", "a,b"), "--columns")
    refused(here("score", good, "--spec", SPEC, "--columns", "t_s,x_v,z_v"), "column z_v is missing")
    refused(here("score", good, "--spec", SPEC, "--supply-v", "-3"), "--supply-v")
    refused(here("score", good, "--spec", SPEC, "--run", "3"), "--run")
    refused(here("score", good, "--spec", SPEC, "--stick", "left"), "--stick")


def test_the_verdict_stands_when_the_reader_goes_away(files: dict[str, Path]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = restpoint("score", files["snappy"], "--spec", SPEC, "--json", capture_output=False, stdout=writing, stderr=subprocess.PIPE)
    os.close(writing)
    assert (done.returncode, done.stderr) == (1, "")


def test_a_bar_shows_on_a_terminal_only(files: dict[str, Path]) -> None:
    """Standard error as a terminal (a pty), standard output as a pipe: the bar goes to the one, the document to the other."""
    master, slave = os.openpty()
    done = restpoint(
        "score", files["good"], "--spec", SPEC, "--json", capture_output=False, stdout=subprocess.PIPE, stderr=slave, env={"TERM": "xterm"}
    )
    os.close(slave)
    shown = os.read(master, 65536).decode()
    os.close(master)
    assert "reading good.csv" in shown
    assert json.loads(done.stdout)["verdict"] == "pass"


def test_memory_stays_bounded(tmp_path: Path) -> None:
    """400,000 rows: what is kept is three doubles a row; the process must not grow by much more than file and samples together."""
    path = tmp_path / "long.csv"
    with path.open("w", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow(("t_s", "x_v", "y_v"))
        rows.writerows((f"{index / 8000:.6f}", "1.650000", "1.650000") for index in range(400_000))
    code = (
        "import resource, sys\nfrom pathlib import Path\nfrom rigs.replayed.csv_recording import read_recording\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\nbefore = peak()\n"
        f"recording = read_recording(Path({str(path)!r}))\nprint(len(recording.x_v), (peak() - before) * 1024)"
    )
    count, grown = map(int, python(code).stdout.split())
    assert count == 400_000
    assert grown < 4 * path.stat().st_size + 40_000_000


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with three runs: one as the scorer sees it, one whose record was altered, one without a trace."""
    url = f"sqlite:///{tmp_path_factory.mktemp('store') / 'restpoint.db'}"
    create_or_require(url)
    store = SqlStore(url, "mossgate-1", keep_pass_every=1)
    try:
        store.keep_specification(TEXT, SPECIFICATION, START)
        for kind in ("same", "altered", "bare"):
            _store_run(store, kind)
    finally:
        store.close()
    return url


def _store_run(store: SqlStore, kind: str) -> None:
    made = recorded(SNAPPY)
    scale_v = made.quantum_v
    codes = np.rint(np.column_stack([made.x_v, made.y_v]) / scale_v).astype(np.uint16)
    commanded = tuple(CommandedFlick(group, 2000 * (1 + index)) for index, group in enumerate(SNAPPY.order))
    levels_v = np.float64(scale_v) * codes.astype(np.float64)
    taken = replace(made, x_v=levels_v[:, 0].copy(), y_v=levels_v[:, 1].copy(), supply_v=3.3, commanded=commanded)
    score = score_recording(taken, SPECIFICATION, Fitted())
    block = TraceBlock("main", 0, codes, made.rate_hz, scale_v, 3.3, commanded)
    opening = RunOpening(
        "mossgate-1", RIG, "rig-1", UnitIdentity("DL2-00001", "dunlin-2", "ML-2607"), SPECIFICATION.label, SPECIFICATION.digest,
        {"main": Fitted()}, "", "0.1.0", "a. marsh", START,
    )  # fmt: skip
    shown = _altered(score) if kind == "altered" else score
    traces = {} if kind == "bare" else {"main": block}
    ended = START + timedelta(seconds=20)
    store.close_run(store.open_run(opening), RunClosing(shown.verdict, shown.reasons, "", {"main": shown}, traces, {}, {}, ended))


def _altered(score: Score) -> Score:
    group = {**score.groups["x+"], "reach_counts": 70.0, "verdict": "pass"}
    return replace(score, verdict=Verdict.PASS, reasons=(), groups={**score.groups, "x+": group})


def test_a_stored_run_scored_again_gives_the_same_to_the_last_bit(stored: str) -> None:
    document = answered(here("score", "--run", 1, "--database", stored, "--json"), 1)
    assert document["differences"] == []
    assert document["verdict"] == "fail"
    assert document["recorded"] == {"verdict": "fail", "reasons": ["snapback:x+"], "specification": "dunlin-2 A"}
    assert "the same to the last bit" in here("score", "--run", 1, "--database", stored).stdout


def test_differences_from_the_record_are_shown(stored: str) -> None:
    document = answered(here("score", "--run", 2, "--database", stored, "--json"), 1)
    found = {one["where"]: (one["recorded"], one["now"]) for one in document["differences"]}
    assert found["verdict"] == ("pass", "fail")
    assert found["reasons"] == ([], ["snapback:x+"])
    assert found["groups.x+.verdict"] == ("pass", "fail")
    assert found["groups.x+.reach_counts"][0] == 70.0
    assert len(found) == 4
    done = here("score", "--run", 2, "--database", stored)
    assert "4 values differ" in done.stdout
    assert "groups.x+.reach_counts" in done.stdout


def test_another_specification_may_be_tried_on_a_stored_run(tmp_path: Path, stored: str) -> None:
    wider = tmp_path / "wider.toml"
    wider.write_text(TEXT.replace("neutral_zone_counts = 22.0", "neutral_zone_counts = 60.0").replace('revision = "A"', 'revision = "T1"'))
    document = answered(here("score", "--run", 1, "--database", stored, "--spec", wider, "--json"), 3)
    assert document["spec"] == "dunlin-2 T1"
    assert document["recorded"]["specification"] == "dunlin-2 A"
    assert document["differences"]


def test_runs_that_cannot_be_scored_again_are_refused(tmp_path: Path, stored: str) -> None:
    refused(here("score", "--run", 9, "--database", stored), "run 9 does not exist")
    refused(here("score", "--run", 3, "--database", stored), "run 3", "trace")
    refused(here("score", "--run", 1, "--database", stored, "--stick", "left"), "--stick", "main")
    refused(here("score", "--run", 0, "--database", stored), "--run")
    refused(here("score", "--run", 1, "--database", f"sqlite:///{tmp_path / 'absent.db'}"), "absent.db")
    assert not (tmp_path / "absent.db").exists()
