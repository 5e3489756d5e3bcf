"""`restpoint proof`: leading a person through procedures at a running station."""

import io
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import pytest

from api.cli import proof_follow
from api.cli.proof_plan import read_plan
from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import UsageError
from station.proof import Kind
from tests.api.command import RESTPOINT, answered, here, refused, restpoint
from tests.api.fakes import FakeDesk, serving
from tests.api.fakes_proof import FakeProof


@pytest.fixture
def proof() -> FakeProof:
    return FakeProof(looks=1)


@pytest.fixture
def station(proof: FakeProof, empty_queries: Queries, settings: WebSettings, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setattr(proof_follow, "LOOK_S", 0.01)
    monkeypatch.setattr(proof_follow, "BEGIN_S", 0.2)
    with serving(build_app(FakeDesk(), empty_queries, Access(), settings, proof=proof)) as (url, _):
        yield url


class Keyboard(io.StringIO):
    """Standard input as a terminal on which these lines are typed."""

    def isatty(self) -> bool:
        return True


def typing_in(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr(sys, "stdin", Keyboard("".join(f"{line}\n" for line in lines)))


def begun(station: str, *more: str) -> CompletedProcess[str]:
    return here("proof", "begin", "a", "calibration", "--operator", "ann", "--server", station, *more)


def asked(proof: FakeProof, verb: str) -> Sequence[tuple[Any, ...]]:
    return [one for one in proof.asked if one[0] == verb]


def test_a_rigs_proof_is_told_in_words(station: str, proof: FakeProof) -> None:
    told = here("proof", "state", "a", "--server", station).stdout
    assert "Rig a: blocked" in told
    assert "! Reference unit DN-REF is off" in told
    assert "calibration C-3 by ann, 2026-11-24 07:30:00 UTC: 800 flicks and 12.5 days left" in told
    assert "reference unit DN-REF: off in main y+ peak_counts" in told
    begun(station)
    assert "procedure 1 is open: restpoint proof follow 1" in here("proof", "state", "a", "--server", station).stdout
    proof.calibration = None
    assert "calibration: none" in here("proof", "state", "a", "--server", station).stdout
    document = answered(here("proof", "state", "a", "--server", station, "--json"), 0)
    assert (document["format"], document["rig"], document["calibration"]) == ("restpoint-proof/1", "a", None)


def test_a_procedure_is_begun_with_a_plan_in_words_or_from_a_file(station: str, proof: FakeProof, tmp_path: Path) -> None:
    told = begun(station, "trials=3", "levels_v=[0.5, 2.5]", "serial=DN-REF", 'unit="12"').stdout
    assert "Procedure 1: calibration of rig a (emulated), open" in told
    assert "Go on with: restpoint proof follow 1" in told
    plan = tmp_path / "plan.toml"
    plan.write_text('trials = 2\noperators = ["ann", "ben"]\n')
    here("proof", "abandon", "1", "--cause", "x", "--server", station)
    body = answered(begun(station, "--plan", str(plan), "--json"), 0)
    assert (body["format"], body["number"], body["plan"]) == ("restpoint-procedure/1", 2, {"trials": 2, "operators": ["ann", "ben"]})
    assert [one[3] for one in asked(proof, "begin")] == [
        {"trials": 3, "levels_v": [0.5, 2.5], "serial": "DN-REF", "unit": "12"},
        {"trials": 2, "operators": ["ann", "ben"]},
    ]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3", 3),
        ("0.5", 0.5),
        ("true", True),
        ("DN-0007", "DN-0007"),
        ("0012", "0012"),
        ("2026-11-25", "2026-11-25"),
        ("nan", "nan"),
        ("", ""),
        ("1\nother = 2", "1\nother = 2"),
        ('["a", "b"]', ["a", "b"]),
        ("{ x = 1 }", {"x": 1}),
        ("a=b", "a=b"),
    ],
)
def test_a_word_of_a_plan_is_a_value_or_a_text(text: str, value: object) -> None:
    assert read_plan(None, [f"key={text}"]) == {"key": value}


@pytest.mark.parametrize(
    ("words", "text", "said"),
    [
        (["trials"], None, "key=value"),
        (["=3"], None, "key=value"),
        (["a.b=3"], None, "key=value"),
        (["trials=3", "trials=4"], None, "twice"),
        (["trials=3"], "trials = 3", "a file or words"),
        ([], "trials = ", "expected TOML"),
        ([], "day = 2026-11-25", "day"),
        ([], "width = inf", "width"),
    ],
)
def test_what_is_no_plan_is_named(tmp_path: Path, words: list[str], text: str | None, said: str) -> None:
    file = None
    if text is not None:
        file = tmp_path / "plan.toml"
        file.write_text(text)
    with pytest.raises(UsageError, match=said):
        read_plan(file, words)


def test_a_person_is_led_to_the_outcome(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    typing_in(monkeypatch, "", "")
    done = here("proof", "follow", "1", "--server", station)
    assert done.returncode == 0
    order = [
        "pinch hazard",
        "Step 1 of 2: Low reference voltage",
        "2. Connect 0.5 V to both probes.",
        "Step 2 of 2: Flicks (unit DN-REF, operator ann)",
        "The finger will move.",
        "done: calibration 1, accepted",
    ]
    places = [done.stdout.index(words) for words in order]
    assert places == sorted(places)
    assert "Enter carries out step 1" in done.stderr
    assert asked(proof, "go_on") == [("go_on", 1, "ann", 1), ("go_on", 1, "ann", 2)]


def test_a_person_may_leave_and_take_it_up_again(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    typing_in(monkeypatch, "", "q")
    left = here("proof", "follow", "1", "--server", station)
    assert (left.returncode, len(asked(proof, "go_on"))) == (3, 1)
    assert "stays open" in left.stdout
    typing_in(monkeypatch, "")
    taken_up = here("proof", "follow", "1", "--operator", "ben", "--server", station)
    assert taken_up.returncode == 0
    assert "Step 1" not in taken_up.stdout
    assert asked(proof, "go_on")[1] == ("go_on", 1, "ben", 2)


def test_a_failed_step_is_shown_again(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    proof.failing = "The clamp is open: close it."
    typing_in(monkeypatch, "", "", "")
    done = here("proof", "follow", "1", "--server", station)
    assert done.returncode == 0
    assert "Not done: The clamp is open: close it." in done.stdout
    assert done.stdout.count("Step 1 of 2") == 2


def test_a_step_that_the_start_button_did_meanwhile_is_not_done_again(
    station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun(station)

    class Slow(Keyboard):
        """The start button is pressed while the person reads step 1."""

        pressed = False

        def readline(self, size: int = -1, /) -> str:  # type: ignore[override]
            if not self.pressed:
                self.pressed = True
                proof.go_on(1, "button")
                while not proof.procedure(1).procedure.results:
                    pass
            return super().readline(size)

    monkeypatch.setattr(sys, "stdin", Slow("\n\n"))
    done = here("proof", "follow", "1", "--server", station)
    assert done.returncode == 0
    assert [one[2:] for one in asked(proof, "go_on")] == [("button", 0), ("ann", 2)]


def test_yes_asks_nothing(station: str, proof: FakeProof) -> None:
    begun(station)
    body = answered_with_words(here("proof", "follow", "1", "--yes", "--server", station, "--json"))
    assert (body["standing"], body["outcome"]["accepted"]) == ("done", True)
    assert len(asked(proof, "go_on")) == 2


def answered_with_words(done: CompletedProcess[str]) -> dict[str, Any]:
    """One document on standard output; what people read went to standard error."""
    assert done.returncode == 0, done.stderr
    assert "pinch hazard" in done.stderr
    assert "Step 2 of 2" in done.stderr
    return dict(json.loads(done.stdout))


def test_yes_ends_at_a_step_that_fails(station: str, proof: FakeProof) -> None:
    begun(station)
    proof.failing = "The clamp is open: close it."
    done = here("proof", "follow", "1", "--yes", "--server", station)
    assert done.returncode == 2
    assert done.stderr == "restpoint: procedure 1, step 1: The clamp is open: close it.\n"
    assert len(asked(proof, "go_on")) == 1


def test_yes_ends_when_nothing_is_seen_of_a_step(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    monkeypatch.setattr(proof, "go_on", lambda number, operator, position: proof.procedure(number))
    done = here("proof", "follow", "1", "--yes", "--server", station)
    assert done.returncode == 2
    assert done.stderr == "restpoint: procedure 1, step 1: the rig has not begun it\n"


@pytest.mark.parametrize(
    ("outcome", "code", "said"),
    [
        ({"kind": "calibration", "number": 2, "accepted": False, "problems": ["slew is 12 ms; expected at most 9 ms"]}, 1, "slew is 12 ms"),
        ({"kind": "reference-values", "serial": "DN-REF", "accepted": True}, 0, "reference values of DN-REF, accepted"),
        (
            {
                "kind": "reference-check",
                "number": 5,
                "accepted": False,
                "deviations": [
                    {"stick": "main", "place": "x+", "figure": "peak_counts", "within": True, "measured": 18.0},
                    {
                        "stick": "main",
                        "place": "y+",
                        "figure": "peak_counts",
                        "within": False,
                        "measured": 20.0,
                        "reference": {"value": 18.0, "limit": 1.0},
                    },
                ],
            },
            1,
            "main y+ peak_counts: 20, expected 18 within 1",
        ),
    ],
)
def test_the_exit_code_says_what_came_of_it(station: str, proof: FakeProof, outcome: dict[str, Any], code: int, said: str) -> None:
    begun(station)
    proof.outcome = outcome
    for _ in range(2):  # followed to its end, and when it has ended
        done = here("proof", "follow", "1", "--yes", "--server", station)
        assert done.returncode == code
        assert said in done.stdout
        assert "main x+" not in done.stdout


def test_an_abandoned_procedure_is_followed_nowhere(station: str) -> None:
    begun(station)
    here("proof", "abandon", "1", "--cause", "wrong voltage source", "--operator", "ann", "--server", station)
    done = here("proof", "follow", "1", "--yes", "--server", station)
    assert done.returncode == 3
    assert done.stdout == "Procedure 1 was abandoned: wrong voltage source (ann)\n"


def test_one_step_is_carried_out_and_shown(station: str, proof: FakeProof) -> None:
    begun(station)
    assert here("proof", "go-on", "1", "--server", station).returncode == 0
    while not proof.procedure(1).procedure.results:
        pass
    assert here("proof", "go-on", "1", "--step", "1", "--operator", "ben", "--server", station).returncode == 0
    assert [one[1:] for one in asked(proof, "go_on")] == [(1, "ann", 0), (1, "ben", 1)]
    shown = here("proof", "show", "1", "--server", station).stdout
    assert "x   1 Low reference voltage; ann, 2026-11-24 07:30:00 UTC" in shown
    assert ">   2 Flicks (unit DN-REF, operator ann)" in shown


def test_wear_says_which_figure_goes_where(station: str) -> None:
    told = here("proof", "wear", "a", "--server", station).stdout
    assert "push_latency_s rises by" in told
    assert "the limit 20 ms will be met in about" in told
    (row,) = [line for line in told.splitlines() if line.startswith("| push_latency_s")]
    assert "approaching" in row
    document = answered(here("proof", "wear", "a", "--server", station, "--json"), 0)
    assert document["format"] == "restpoint-wear/1"
    assert document["figures"]["push_s"]["level"] is None


def test_a_budget_is_a_table_of_its_sources(station: str) -> None:
    told = here("proof", "budget", "a", "--product", "dunlin-2", "--server", station).stdout
    document = answered(here("proof", "budget", "a", "--product", "dunlin-2", "--server", station, "--json"), 0)
    for name in ("peak", "added_lag"):
        for line in document[name]["lines"]:
            assert line["source"] in told
        assert f"expanded, k = 2: {document[name]['expanded_u']:.4g} {document[name]['unit']}" in told
    refused(here("proof", "budget", "a", "--product", "other", "--server", station), "other")
    refused(here("proof", "budget", "a", "--server", station), "--product")


def test_what_cannot_be_is_one_line(station: str) -> None:
    at = ("--server", station)
    refused(here("proof", "state", "zz", *at), "zz")
    refused(here("proof", "begin", "zz", "calibration", *at), "zz")
    refused(here("proof", "begin", "a", "polish", *at), "polish", *Kind)
    refused(here("proof", "begin", "a", "calibration", "surprise=1", *at), "surprise is 1")
    refused(here("proof", "begin", "a", "calibration", "3", *at), "key=value")
    refused(here("proof", "begin", "a", "calibration", "--plan", "/nowhere.toml", *at), "/nowhere.toml")
    for verb in ("follow", "show", "go-on"):
        refused(here("proof", verb, "99", *(["--yes"] if verb == "follow" else []), *at), "99")
        refused(here("proof", verb, "0", *at), "NUMBER")
    refused(here("proof", "abandon", "1", *at), "--cause")
    refused(here("proof", "state", "a", "--server", "http://127.0.0.1:1"), "127.0.0.1:1")
    refused(here("proof", "state", "a", "--server", "nowhere"), "--server")


def test_nobody_is_asked_without_a_terminal(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n\n"))
    refused(here("proof", "follow", "1", "--server", station), "--yes")
    assert not asked(proof, "go_on")


def test_a_terminal_that_goes_away_ends_it_and_moves_nothing(station: str, proof: FakeProof, monkeypatch: pytest.MonkeyPatch) -> None:
    begun(station)
    typing_in(monkeypatch)
    done = here("proof", "follow", "1", "--server", station)
    assert (done.returncode, len(asked(proof, "go_on"))) == (2, 0)


def test_whoever_ends_it_during_a_step_is_told_that_the_step_goes_on(station: str, proof: FakeProof) -> None:
    begun(station)
    proof.looks = 1_000_000
    command = [str(RESTPOINT), "proof", "follow", "1", "--yes", "--server", station]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as leading:
        until_s = time.monotonic() + 20.0
        while not proof.procedure(1).busy and time.monotonic() < until_s:
            time.sleep(0.02)
        time.sleep(0.2)
        leading.send_signal(signal.SIGINT)
        _, told = leading.communicate(timeout=20)
    assert leading.returncode == 130
    assert "the step goes on without you; to end it: the emergency stop, or restpoint rigs halt a" in told
    assert "Traceback" not in told


def test_the_installed_command_leads_too(station: str) -> None:
    begun(station)
    done = restpoint("proof", "follow", "1", "--yes", "--server", station, stdin=None)
    assert done.returncode == 0
    assert "done: calibration 1, accepted" in done.stdout
