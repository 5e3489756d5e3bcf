"""The trail as the doors write it: what was done, by whom, before and after; what was refused, in bounded number."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import anyio
import pytest

from api.http import audit
from api.http.access import Access, Role, Token, new_token, read_tokens
from api.http.app import build_app
from api.http.audit import AccessBook, Trail, printable
from api.http.settings import WebSettings
from db.answers import AnswerStore
from db.audit import AuditStore, KeptEntry, entries
from db.chain_check import verify
from db.engine import Database
from db.migrate import create_or_require
from db.queries import Queries
from station.errors import AccessDenied
from tests.api.client import TestClient
from tests.api.command import answered, here, refused
from tests.api.fakes import FakeDesk

HOST = "http://127.0.0.1:8000"
MADE = {name: new_token(name) for name in ("view", "operate", "engineer", "admin")}
TOKENS = [Token(name, Role[name.upper()], hashed) for name, (_, hashed) in MADE.items()]


@dataclass
class Doors:
    client: TestClient
    desk: FakeDesk
    database: Database

    def ask(self, method: str, path: str, who: str = "operate", **more: Any) -> Any:
        return self.client.request(method, path, headers={"Authorization": f"Bearer {MADE[who][0]}"}, **more)

    def trail(self) -> list[KeptEntry]:
        """Oldest first."""
        return list(reversed(entries(self.database, None, 500)))


@pytest.fixture
def doors(tmp_path: Path, settings: WebSettings) -> Iterator[Doors]:
    url = f"sqlite:///{tmp_path / 'station.sqlite'}"
    create_or_require(url)
    queries, database, desk = Queries(url), Database(url), FakeDesk(alarmed={"dunlin-2 A": "by count alone"})
    desk.show("a", not_ready=())
    book = AccessBook(AuditStore(database, "mossgate-1"), AnswerStore(database))
    app = build_app(desk, queries, Access(TOKENS), settings, book=book)
    with TestClient(app, base_url=HOST, raise_server_exceptions=False, client=("127.0.0.1", 50000)) as client:
        yield Doors(client, desk, database)
    queries.close()
    database.close()


def test_a_start_is_written_down_with_who_from_where_and_what_it_changed(doors: Doors) -> None:
    assert doors.ask("POST", "/v1/rigs/a/start").status_code == 202
    (kept,) = doors.trail()
    entry = kept.entry
    assert (entry.who, entry.role, entry.address, entry.status) == ("operate", "operate", "127.0.0.1", 202)
    assert (kept.station, entry.what) == ("mossgate-1", "POST /v1/rigs/a/start")
    assert len(entry.before) == len(entry.after) == 64
    assert entry.before != entry.after


def test_what_was_asked_is_kept(doors: Doors) -> None:
    body = {"specification": "dunlin-2 A", "operator": "a. marsh", "cause": "worn tip"}
    assert doors.ask("POST", "/v1/monitors/set-back", "engineer", json=body).status_code == 200
    assert json.loads(doors.trail()[0].entry.asked) == body


def test_a_halt_that_changes_nothing_has_the_same_digest_before_and_after(doors: Doors) -> None:
    doors.ask("POST", "/v1/rigs/a/halt")
    assert doors.trail()[0].entry.before == doors.trail()[0].entry.after != ""


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/v1/rigs", 200),
        ("POST", "/v1/rigs/none/halt", 404),
        ("POST", "/v1/rigs/a/unit", 422),
        ("DELETE", "/v1/rigs/a", 405),
    ],
)
def test_what_changed_nothing_is_not_written_down(doors: Doors, method: str, path: str, status: int) -> None:
    assert doors.ask(method, path).status_code == status
    assert doors.trail() == []


@pytest.mark.parametrize(
    ("who", "path", "status"), [("view", "/v1/rigs/a/halt", 403), ("operate", "/v1/charts/limits", 403), ("view", "/v1/audit", 403)]
)
def test_a_refused_role_is_written_down(doors: Doors, who: str, path: str, status: int) -> None:
    method = "GET" if path == "/v1/audit" else "POST"
    assert doors.ask(method, path, who).status_code == status
    entry = doors.trail()[0].entry
    assert (entry.who, entry.role, entry.what, entry.status) == (who, who, f"{method} {path}", status)


def test_a_wrong_token_is_written_down_without_the_token(doors: Doors) -> None:
    doors.client.get("/v1/rigs", headers={"Authorization": "Bearer admin.guess"})
    doors.client.post("/sign-in", data={"token": "admin.guess"})
    trail = doors.trail()
    assert [(one.entry.what, one.entry.status, one.entry.who) for one in trail] == [("GET /v1/rigs", 401, ""), ("POST /sign-in", 401, "")]
    assert "guess" not in repr(trail)


def test_refusals_are_bounded_and_what_was_left_out_is_counted(doors: Doors) -> None:
    now_s = [1000.0]
    trail = Trail(AccessBook(AuditStore(doors.database, "mossgate-1"), AnswerStore(doors.database)), lambda: now_s[0])
    scope: dict[str, Any] = {"type": "http", "method": "GET", "path": "/v1/rigs", "client": ("192.0.2.7", 50000)}

    async def refuse(times: int, last: int = 7) -> None:
        for _ in range(times):
            await trail.refused({**scope, "client": (f"192.0.2.{last}", 1)}, 401)

    anyio.run(refuse, audit.REFUSED_BURST + 30)
    assert len(doors.trail()) == audit.REFUSED_BURST
    anyio.run(refuse, 1, 8)
    assert doors.trail()[-1].entry.left_out == 30
    now_s[0] += audit.REFUSED_EVERY_S
    anyio.run(refuse, 2)
    assert (len(doors.trail()), doors.trail()[-1].entry.left_out) == (audit.REFUSED_BURST + 2, 0)


def test_many_addresses_together_are_bounded_too(doors: Doors) -> None:
    """Without a book nothing is written, but the same counting is done."""
    trail = Trail(None, lambda: 1000.0)
    written: list[int] = []

    async def refuse() -> None:
        for number in range(audit.ALL_BURST + 50):
            before = trail.left_out
            await trail.refused({"type": "http", "method": "GET", "path": "/", "client": (f"10.0.{number // 250}.{number % 250}", 1)}, 401)
            written.append(int(trail.left_out == before))

    anyio.run(refuse)
    assert sum(written) == audit.ALL_BURST


def test_no_character_of_an_address_or_a_body_forges_a_line(doors: Doors) -> None:
    doors.ask("POST", "/v1/rigs/a%0Aforged%1b[2J%00/halt", "view")
    what = doors.trail()[0].entry.what
    assert what == r"POST /v1/rigs/a\nforged\x1b[2J\x00/halt"
    assert printable("\u202eabc\ud800", 20) == "\\u202eabc?"
    assert len(printable("\x00" * 5000, 100)) == 100


def test_admins_read_the_trail_page_by_page(doors: Doors) -> None:
    for _ in range(5):
        doors.ask("POST", "/v1/rigs/a/halt")
    seen, address = [], "/v1/audit?limit=2"
    while address:
        page = doors.ask("GET", address, "admin").json()
        seen += [one["number"] for one in page["entries"]]
        address = page["next"]
    assert seen == [5, 4, 3, 2, 1]
    assert page["entries"][0]["at"].endswith("Z")


def test_the_trail_is_sealed_as_it_is_written(doors: Doors) -> None:
    for _ in range(3):
        doors.ask("POST", "/v1/rigs/a/halt")
    (report,) = verify(doors.database)
    assert (report.entries, report.findings) == (3, [])


def test_a_deed_whose_entry_cannot_be_kept_is_still_answered_and_logged(doors: Doors, caplog: pytest.LogCaptureFixture) -> None:
    with doors.database.writer.begin() as connection:
        connection.exec_driver_sql("DROP TABLE chain")
    assert doors.ask("POST", "/v1/rigs/a/halt").status_code == 200
    assert "audit entry not kept" in caplog.text


def test_the_command_lists_and_verifies(doors: Doors) -> None:
    doors.ask("POST", "/v1/rigs/a/halt")
    place = ("--database", str(doors.database.url))
    (entry,) = answered(here("audit", "list", *place, "--json"), 0)["entries"]
    assert (entry["who"], entry["what"]) == ("operate", "POST /v1/rigs/a/halt")
    assert "POST /v1/rigs/a/halt" in here("audit", "list", *place).stdout
    (chain,) = answered(here("audit", "verify", *place, "--json"), 0)["chains"]
    assert (chain["entries"], chain["findings"]) == (1, [])
    assert here("audit", "verify", *place, "--noted", f"{chain['position']}:{chain['link']}").returncode == 0
    assert here("audit", "verify", *place, "--noted", "1:abc").returncode == 1
    refused(here("audit", "verify", *place, "--noted", "nonsense"), "POSITION:LINK")
    with doors.database.writer.begin() as connection:
        connection.exec_driver_sql("DROP TRIGGER audit_entries_no_update")
        connection.exec_driver_sql("UPDATE audit_entries SET who = 'nobody'")
    bad = here("audit", "verify", *place)
    assert bad.returncode == 1
    assert "audit entry 1 was changed" in bad.stdout


def test_the_command_makes_tokens_that_end_and_revokes_them(tmp_path: Path) -> None:
    file = tmp_path / "tokens.toml"
    made = [answered(here("token", "new", name, "--expires", "2027-06-30T00:00:00Z", "--json"), 0) for name in ("bench", "line-2")]
    file.write_text("# people of the line\n" + "\n".join(one["entry"] for one in made) + "\n", encoding="utf-8")
    file.chmod(0o640)
    assert [one.expires_at for one in read_tokens(file)] == [datetime(2027, 6, 30, tzinfo=UTC)] * 2
    access = Access(read_tokens(file), lambda: datetime(2026, 11, 25, tzinfo=UTC), file)
    assert access.by_token(made[0]["token"]).name == "bench"
    assert here("token", "revoke", "bench", "--file", file).returncode == 0
    with pytest.raises(AccessDenied):
        access.by_token(made[0]["token"])
    assert access.by_token(made[1]["token"]).name == "line-2"
    assert file.stat().st_mode & 0o777 == 0o640
    assert file.read_text(encoding="utf-8").startswith("# people of the line")
    refused(here("token", "revoke", "bench", "--file", file), "no token 'bench'")
    refused(here("token", "new", "bench", "--expires", "tomorrow"), "--expires")
