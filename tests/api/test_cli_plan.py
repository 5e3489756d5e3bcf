"""`restpoint plan` as scripts and people meet it."""

import json
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
import typer
from typer.testing import CliRunner

from api.cli import plan as command
from station.errors import UsageError
from tests.conftest import DATA

SPEC = str(DATA / "dunlin-2-A.toml")
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def app() -> typer.Typer:
    made = typer.Typer()
    command.register(made)
    made.callback()(lambda: None)
    return made


def answer(app: typer.Typer, *arguments: str) -> str:
    """Standard output of the command; its errors are raised, its exit code must be 0."""
    result = CliRunner().invoke(app, ["plan", "--spec", SPEC, *arguments], catch_exceptions=False)
    assert result.exit_code == 0
    assert result.stderr == ""
    return result.stdout


def document(app: typer.Typer, *arguments: str) -> dict:
    return json.loads(answer(app, *arguments, "--json"), parse_constant=pytest.fail)


def peaks_file(folder: Path, text: str) -> str:
    path = folder / "peaks.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_characteristic_as_json(app: typer.Typer) -> None:
    found = document(app)
    assert (found["format"], found["spec"], found["mode"]) == ("restpoint-plan/1", "dunlin-2 A", "guarded")
    points = {round(point["margin_sd"], 2): point for point in found["points"]}
    assert points[10.0]["mean_flicks"] == pytest.approx(10.4, rel=0.03)
    assert points[8.0]["mean_flicks"] == pytest.approx(13.9, rel=0.03)
    assert points[3.09]["accept"] > 0.988
    assert points[1.96]["accept"] < 0.0085
    assert [point["over_share"] for point in found["points"]] == sorted(point["over_share"] for point in found["points"])
    for point, alone in zip(found["points"], found["by_count_alone"], strict=True):
        assert point["accept"] + point["reject"] + point["undecided"] == pytest.approx(1.0)
        assert alone["mean_flicks"] >= 0.97 * point["mean_flicks"]
    assert (found["fixed_attributes"]["flicks"], found["fixed_variables"]["flicks"]) == (334, 72)
    assert found["count"]["accept_at"] == [201, 400, 440]
    assert found["limits"] == []


def test_characteristic_for_people(app: typer.Typer) -> None:
    text = answer(app)
    assert "mode guarded" in text
    assert "81.7 % show 8 clean flicks" in " ".join(text.split())
    rows = [line.split() for line in text.splitlines()]
    assert any(row[:4] == ["attributes", "334", "116.9", "467.6"] for row in rows)
    bars = [line for line in text.splitlines() if "|" in line and "#" in line]
    assert bars[0].count("#") == 50
    assert bars[-1].count("#") < 20


@pytest.mark.parametrize("mode", ["count", "normal-model"])
def test_other_modes(app: typer.Typer, tmp_path: Path, mode: str) -> None:
    spec = tmp_path / "spec.toml"
    spec.write_text(Path(SPEC).read_text().replace('mode = "guarded"', f'mode = "{mode}"'))
    result = CliRunner().invoke(app, ["plan", "--spec", str(spec), "--json"], catch_exceptions=False)
    found = json.loads(result.stdout)
    assert found["mode"] == mode
    assert (found["count"] is None) is (mode == "normal-model")
    usual = next(point for point in found["points"] if point["over_share"] == 0.001)
    assert usual["accept"] == pytest.approx(0.99, abs=0.004)


def test_recorded_peaks(app: typer.Typer, tmp_path: Path) -> None:
    rows = ["1,2,3", ", ".join(["10.0"] * 12), "23,24", ",".join(["0,21.9"] * 101), "22.0,22.0", '"10.5",11', ",".join(["21"] * 200)]
    found = document(app, "--peaks", peaks_file(tmp_path, "\n".join(rows) + "\n\n  \n"))
    assert found["format"] == "restpoint-plan/1"
    assert [(row["verdict"], row["flicks_used"]) for row in found["rows"]] == [
        ("undecided", 3),
        ("pass", 8),
        ("fail", 2),
        ("pass", 201),
        ("undecided", 2),
        ("undecided", 2),
        ("undecided", 200),
    ]
    assert found["rows"][1]["accepted_by"] == "gate at flick 8"
    assert found["rows"][2]["rejected_by"] == "2 exceedances by flick 2"


def test_replay_has_no_guard_band(app: typer.Typer, tmp_path: Path) -> None:
    spec = tmp_path / "spec.toml"
    spec.write_text(Path(SPEC).read_text().replace('mode = "guarded"', 'mode = "guarded"\nguard_band_counts = 5.0'))
    result = CliRunner().invoke(app, ["plan", "--spec", str(spec), "--peaks", peaks_file(tmp_path, ",".join(["18"] * 8)), "--json"])
    assert json.loads(result.stdout)["rows"][0]["verdict"] == "pass"


def test_recorded_peaks_for_people(app: typer.Typer, tmp_path: Path) -> None:
    text = answer(app, "--peaks", peaks_file(tmp_path, "\ufeff1,2,3\r\n23,24\r\n"))
    assert "at most 437 more flicks decide" in text
    assert "2 exceedances by flick 2" in text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("1,2\n1,,2\n", "line 2, column 2 is empty; expected a peak in counts"),
        ("1,2,\n", "line 1, column 3 is empty"),
        ("1,big\n", "line 1, column 2 is 'big'"),
        ("nan\n", "line 1, column 1 is 'nan'"),
        ("1,inf\n", "line 1, column 2 is 'inf'"),
        ("1_0\n", "line 1, column 1 is '1_0'"),
        ("1;2\n", "line 1, column 1 is '1;2'"),
        ("1\n\n2\n", "line 2, column 1 is empty"),
        (",,\n", "line 1, column 1 is empty"),
        ('1,"2\n', "line 1: unexpected end of data"),
        ("", "no line with peaks"),
        ("\n\n", "no line with peaks"),
    ],
)
def test_bad_peaks_are_named(app: typer.Typer, tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(UsageError) as caught:
        answer(app, "--peaks", peaks_file(tmp_path, text))
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_peaks_file(app: typer.Typer, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.csv: No such file"):
        answer(app, "--peaks", str(tmp_path / "none.csv"))


def test_plot(app: typer.Typer, tmp_path: Path) -> None:
    target = tmp_path / "curves.svg"
    document(app, "--peaks", peaks_file(tmp_path, "1\n"), "--plot", str(target))
    root = ElementTree.fromstring(target.read_text(encoding="utf-8"))
    lines = root.findall(f".//{SVG}polyline")
    assert root.find(f"{SVG}title").text == "Decision of dunlin-2 A, mode guarded"
    assert len(lines) == 2
    heights = [float(point.split(",")[1]) for point in lines[0].attrib["points"].split()]
    assert heights[0] < 1.0
    assert heights[-1] > 258.0
    assert "http://www.w3.org/2000/svg" in target.read_text()
    assert target.read_text().count("http") == 1


@pytest.mark.parametrize(("name", "told"), [("curves.png", "ending in .svg"), ("none/curves.svg", "No such file")])
def test_plot_that_cannot_be_written(app: typer.Typer, tmp_path: Path, name: str, told: str) -> None:
    with pytest.raises(UsageError, match=told):
        answer(app, "--plot", str(tmp_path / name))


def test_a_ready_plan_costs_the_service_little(tmp_path: Path) -> None:
    """A fresh interpreter makes the usual plan without scipy.stats, in a fraction of the service's start."""
    program = (
        "import sys, time; from pathlib import Path; from station.specification import parse_specification as read\n"
        f"spec = read(Path({SPEC!r}).read_text()); from station.judge.plan import plan_for; began = time.perf_counter()\n"
        "plan_for(spec.decision); print(time.perf_counter() - began, 'scipy.stats' in sys.modules)"
    )
    spent, stats = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60).stdout.split()
    assert float(spent) < 0.3
    assert stats == "False"
