"""`restpoint db`: exit codes, one line for a person, one document for a script."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
import typer

from api.cli.db import register
from db.migrate import create_or_require, head
from station.errors import SchemaMismatch, StoreUnavailable, UsageError


@pytest.fixture
def restpoint(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    app = typer.Typer()
    register(app)

    def call(*arguments: str) -> tuple[int, str]:
        code = typer.main.get_command(app)(args=["db", *arguments], standalone_mode=False)
        return int(code or 0), capsys.readouterr().out

    return call


@pytest.fixture
def base(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'station.db'}"


def test_upgrade_makes_it_and_then_finds_it(restpoint: Callable[..., tuple[int, str]], base: str) -> None:
    assert restpoint("upgrade", "--database", base) == (0, f"done: the database came from revision none to {head()}\n")
    assert restpoint("upgrade", "--database", base) == (0, f"good: the database has revision {head()} already\n")
    code, out = restpoint("upgrade", "--database", base, "--json")
    assert (code, json.loads(out)) == (0, {"format": "restpoint-db/1", "before": head(), "after": head(), "backup": None})


def test_check_tells_good_from_damaged(restpoint: Callable[..., tuple[int, str]], base: str, tmp_path: Path) -> None:
    create_or_require(base)
    assert restpoint("check", "--database", base) == (0, f"good: the database is sound and has revision {head()}\n")
    file = tmp_path / "station.db"
    content = bytearray(file.read_bytes())
    content[-4096:] = b"\x7f" * 4096
    file.write_bytes(content)
    code, out = restpoint("check", "--database", base, "--json")
    assert code == 2
    assert json.loads(out)["problems"] != []
    assert restpoint("check", "--database", base) == (2, "")


def test_backup_beside_and_elsewhere(restpoint: Callable[..., tuple[int, str]], base: str, tmp_path: Path) -> None:
    create_or_require(base)
    code, out = restpoint("backup", "--database", base, "--json")
    made = Path(json.loads(out)["backup"])
    assert (code, made.parent, made.stat().st_size) == (0, tmp_path, json.loads(out)["bytes"])
    target = tmp_path / "kept.db"
    assert restpoint("backup", str(target), "--database", base)[0] == 0
    assert restpoint("check", "--database", f"sqlite:///{target}")[0] == 0


def test_what_cannot_be_is_one_of_our_errors(restpoint: Callable[..., tuple[int, str]], base: str, tmp_path: Path) -> None:
    for command in ("check", "backup"):
        with pytest.raises(StoreUnavailable, match="does not exist: run `restpoint db upgrade`"):
            restpoint(command, "--database", base)
    with pytest.raises(UsageError, match="a server makes its own backups"):
        restpoint("backup", "--database", "postgresql://line@db.example/line")
    create_or_require(base)
    newer = tmp_path / "newer.db"
    newer.write_bytes((tmp_path / "station.db").read_bytes().replace(head().encode(), b"9876"))
    with pytest.raises(SchemaMismatch, match="has schema revision 9876"):
        restpoint("check", "--database", f"sqlite:///{newer}")
    code, out = restpoint("check", "--database", f"sqlite:///{newer}", "--json")
    assert (code, json.loads(out)["revision"], json.loads(out)["expected"]) == (2, "9876", head())
