"""A PostgreSQL server of a test's own, to be stopped and started at will, from the binaries that are installed on this machine."""

import os
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path

from sqlalchemy import create_engine

from db.engine import parse_url

PACKAGES = Path("/usr/lib/postgresql")  # where Debian puts the binaries of each version
OWNER = "postgres"
WAIT_S = 30


def binaries() -> Path | None:
    """Folder of the newest version's binaries, None when there is none."""
    found = [folder for folder in PACKAGES.glob("*/bin") if (folder / "initdb").exists() and folder.parent.name.isdecimal()]
    return max(found, key=lambda folder: int(folder.parent.name), default=None)


WHY_NOT = "" if binaries() else f"no PostgreSQL binaries below {PACKAGES}: install Debian's package postgresql"


class OwnServer:
    """Made, but not started. The machine goes on when its plug is pulled, so that what was committed needs no fsync to be found again."""

    def __init__(self) -> None:
        folder = binaries()
        assert folder is not None, WHY_NOT
        self._binaries = folder
        self.folder = Path(tempfile.mkdtemp(prefix="restpoint-postgres-"))
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        self._as_owner = ["runuser", "-u", OWNER, "--"] if os.geteuid() == 0 else []
        if self._as_owner:
            shutil.chown(self.folder, OWNER, OWNER)
        self._call("initdb", "--pgdata", str(self.folder / "data"), "--auth", "trust", "--username", OWNER, "--no-sync")

    @property
    def url(self) -> str:
        return f"postgresql://{OWNER}@127.0.0.1:{self.port}/line"

    def start(self) -> None:
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 -c max_connections=20 -c shared_buffers=16MB -c fsync=off"
        self._call(
            "pg_ctl", "--pgdata", str(self.folder / "data"), "--log", str(self.folder / "log"), "--wait", "--options", options, "start"
        )

    def make_database(self) -> None:
        """The empty database at `url`, of which there is none yet."""
        admin = create_engine(parse_url(self.url).set(database="postgres"), isolation_level="AUTOCOMMIT")
        with admin.connect() as connection:
            connection.exec_driver_sql("CREATE DATABASE line")
        admin.dispose()

    def pull_the_plug(self) -> None:
        """End it at once, with nothing put in order; what it had promised it finds again at the next start."""
        self._call("pg_ctl", "--pgdata", str(self.folder / "data"), "--wait", "--mode", "immediate", "stop")

    def remove(self) -> None:
        """End it and forget everything. Idempotent."""
        if (self.folder / "data" / "postmaster.pid").exists():
            self.pull_the_plug()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _call(self, program: str, *words: str) -> None:
        with (self.folder / f"{program}-{time.monotonic_ns()}.out").open("w+") as output:  # a pipe would stay open with the server
            command = [*self._as_owner, str(self._binaries / program), *words]
            done = subprocess.run(command, cwd=self.folder, stdout=output, stderr=subprocess.STDOUT, timeout=WAIT_S, check=False)
            output.seek(0)
            assert done.returncode == 0, f"{program}: {output.read()}"
