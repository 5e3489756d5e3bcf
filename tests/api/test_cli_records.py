"""`restpoint runs` and `restpoint units`: the same answers from a database and from a station at an address."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.cli.remote import RemoteRecords, read_token
from api.http.access import Access, Role, Token, new_token
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import AccessDenied, NotFound, RestpointError, StationError, UsageError
from tests.api.command import answered, here, refused, restpoint
from tests.api.fakes import FakeDesk, serving


@pytest.fixture
def address(app: FastAPI) -> Iterator[str]:
    with serving(app) as (url, _):
        yield url


QUESTIONS: list[list[str]] = [
    ["runs"],
    ["runs", "--limit", "3"],
    ["runs", "2"],
    ["runs", "--verdict", "fail"],
    ["runs", "--verdict", "open"],
    ["runs", "--lot", "ML-2611", "--rig", "a", "--product", "dunlin-2"],
    ["runs", "--reason", "snapback:x+", "--emulated"],
    ["runs", "--real"],
    ["runs", "--serial", "DN-000", "--since", "2026-11-24T07:31:00Z", "--until", "2026-11-24T08:33:00+01:00"],
    ["units"],
    ["units", "--limit", "2"],
    ["units", "DN-0002"],
    ["units", "--serial", "DN-0003"],
    ["units", "--serial", "ZZ"],
]


def test_a_station_and_its_database_give_the_same_answers(filled: str, address: str) -> None:
    for question in QUESTIONS:
        local = answered(here(*question, "--database", filled, "--json"), 0)
        remote = answered(here(*question, "--server", address + "/", "--json"), 0)
        assert local == remote
        words = here(*question, "--database", filled)
        assert words.returncode == 0
        assert words.stdout == here(*question, "--server", address).stdout
        assert words.stdout.strip()


def test_filters_choose(filled: str) -> None:
    def numbers(*question: str) -> list[int]:
        return [run["number"] for run in answered(here("runs", *question, "--database", filled, "--json"), 0)["runs"]]

    assert numbers() == [4, 3, 2, 1]
    assert numbers("--verdict", "fail") == [2]
    assert numbers("--lot", "ML-2611") == [3]
    assert numbers("--reason", "rig-guard") == [4]
    assert numbers("--real") == []
    assert numbers("--since", "2026-11-24T07:31:00Z", "--until", "2026-11-24T07:33:00Z") == [3, 2]


def test_a_list_goes_on_where_it_ended(filled: str, address: str) -> None:
    for place in (["--database", filled], ["--server", address]):
        first = answered(here("runs", "--limit", "3", *place, "--json"), 0)
        rest = answered(here("runs", "--after", first["next"], *place, "--json"), 0)
        assert [run["number"] for run in first["runs"] + rest["runs"]] == [4, 3, 2, 1]
        assert rest["next"] is None
        units = answered(here("units", "--limit", "1", *place, "--json"), 0)
        more = answered(here("units", "--after", units["next"], *place, "--json"), 0)
        assert [one["unit"]["serial"] for one in units["units"] + more["units"]] == ["DN-0001", "DN-0002", "DN-0003", "DN-0004"]


def test_words_for_people(filled: str) -> None:
    run = here("runs", "4", "--database", filled).stdout
    assert run.startswith("Run 4: invalid: rig-guard\n")
    assert "The guard opened during the run." in run
    assert "2026-11-24 07:33:00" in run
    assert "emulated" in run
    unit = here("units", "DN-0002", "--database", filled).stdout
    assert "lot ML-2607" in unit
    assert "snapback:x+" in unit
    assert "More: --after " in here("runs", "--limit", "1", "--database", filled).stdout


def test_the_installed_command_answers(filled: str) -> None:
    assert len(answered(restpoint("runs", "--database", filled, "--json"), 0)["runs"]) == 4


def test_what_cannot_be_asked_is_refused(filled: str, tmp_path: Path, address: str) -> None:
    for place in (["--database", filled], ["--server", address]):
        refused(here("runs", "99", *place), "99")
        refused(here("units", "DN-9999", *place), "DN-9999")
        refused(here("units", "a/b c?d", *place))
        refused(here("runs", "--after", "nonsense", *place), "nonsense")
        refused(here("runs", "--since", "yesterday", *place), "--since", "2026-11-25T07:30:00Z")
        refused(here("runs", "--until", "2026-11-25T07:30:00", *place), "--until", "without a zone")
        refused(here("runs", "2", "--verdict", "fail", *place), "filters")
        refused(here("units", "DN-0001", "--limit", "2", *place), "filters")
    refused(here("runs", "--verdict", "good", "--database", filled), "--verdict")
    refused(here("runs", "--limit", "0", "--database", filled), "--limit")
    refused(here("runs", "--database", filled, "--server", address), "one place")
    refused(here("runs", "--database", filled, "--token-file", tmp_path), "--server")
    refused(here("runs", "--database", f"sqlite:///{tmp_path / 'absent.db'}"), "absent.db")
    refused(here("runs", "--config", tmp_path / "absent.toml"), "absent.toml")
    refused(here("runs", "--server", "http://127.0.0.1:1"), "127.0.0.1:1")
    refused(here("runs", "--server", "ftp://mossgate"), "http://HOST:PORT")
    refused(here("runs", "--server", "http://"), "http://HOST:PORT")
    refused(here("runs", "--server", address, "--token-file", tmp_path / "absent"), "absent")


def test_tokens_open_a_guarded_station(
    desk: FakeDesk, queries: Queries, settings: WebSettings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    token, hashed = new_token("bench")
    file = tmp_path / "token"
    file.write_text(token + "\n")
    with serving(build_app(desk, queries, Access([Token("bench", Role.VIEW, hashed)]), settings)) as (url, _):
        refused(here("runs", "--server", url), "station")
        assert answered(here("runs", "--server", url, "--token-file", file, "--json"), 0)["runs"]
        monkeypatch.setenv("RESTPOINT_TOKEN", token)
        assert answered(here("runs", "--server", url, "--json"), 0)["runs"]
        monkeypatch.setenv("RESTPOINT_TOKEN", token[:-1] + "x")
        refused(here("runs", "--server", url), "station")


def test_a_token_is_one_word(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RESTPOINT_TOKEN", raising=False)
    assert read_token(None) == ""
    file = tmp_path / "token"
    for text in ("", " \n", "two words", "naïve", "line\nline"):
        file.write_text(text)
        with pytest.raises(UsageError, match="token file"):
            read_token(file)
    file.write_text("bench.secret\n")
    assert read_token(file) == "bench.secret"


def _answering(status: int, **answer: Any) -> RemoteRecords:
    return RemoteRecords("http://station.test", "", httpx.MockTransport(lambda request: httpx.Response(status, **answer)))


@pytest.mark.parametrize(
    ("status", "answer", "kind", "words"),
    [
        (200, {"text": "<html></html>"}, StationError, "expected a Restpoint station"),
        (200, {"content": b"{", "headers": {"Content-Type": "application/json"}}, StationError, "no JSON"),
        (200, {"json": [1]}, StationError, "expected a Restpoint station"),
        (301, {"headers": {"Location": "http://elsewhere.test"}}, StationError, "301"),
        (401, {"json": {"title": "A token is needed"}}, AccessDenied, "A token is needed"),
        (403, {"json": {"detail": "Not allowed"}}, AccessDenied, "Not allowed"),
        (404, {"json": {"detail": "run 7 does not exist"}}, NotFound, "run 7 does not exist"),
        (422, {"json": {"detail": "limit is 0"}}, UsageError, "limit is 0"),
        (500, {"json": {}}, StationError, "status 500"),
        (502, {"text": "bad gateway"}, StationError, "502"),
    ],
)
def test_answers_of_other_kinds_are_told_in_one_line(status: int, answer: dict[str, Any], kind: type[RestpointError], words: str) -> None:
    with _answering(status, **answer) as records, pytest.raises(kind, match=words) as caught:
        records.run(7)
    assert "\n" not in str(caught.value)
    assert "station http://station.test" in str(caught.value)


def test_a_station_that_does_not_answer_in_time_is_given_up() -> None:
    def late(request: httpx.Request) -> httpx.Response:
        raise httpx.ReadTimeout("timed out", request=request)

    with RemoteRecords("http://station.test", "", httpx.MockTransport(late)) as records, pytest.raises(StationError, match="timed out"):
        records.unit("DL2-00001")
