"""A real PostgreSQL in a temporary folder, spoken to over a unix socket, for tests.

Rule: where it is not installed, whoever asks for it fails and says what to install. It listens on no network.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

USER = "postgres"  # who runs it where the tests are root, as PostgreSQL refuses to be; also the database's first user
DATABASE = "postgres"  # the one that every cluster has; each test takes a schema of it, which is made in no time
DEBIAN = Path("/usr/lib/postgresql")  # Debian keeps its programs there, by version, off PATH


class ServerError(Exception):
    """There is no PostgreSQL, or it does not start; says why."""


def program(name: str) -> str:
    """The path of one of PostgreSQL's own programs, of the newest version."""
    found = shutil.which(name)
    installed = sorted(DEBIAN.glob(f"*/bin/{name}"), key=lambda file: float(file.parent.parent.name))
    if found is None and not installed:
        raise ServerError(f"there is no {name}; on Debian and Ubuntu: apt-get install postgresql")
    return str(installed[-1]) if installed else str(found)


class Server:
    """A cluster of databases and its process."""

    def __init__(self) -> None:
        self.root = Path(tempfile.mkdtemp(prefix="pg-"))
        self._as: dict[str, Any] = {"user": USER, "group": USER, "extra_groups": []} if os.geteuid() == 0 else {}
        if self._as:
            shutil.chown(self.root, USER, USER)
        self._run("initdb", "--auth=trust", f"--username={USER}", "--encoding=UTF8", "--locale=C", "--no-sync", str(self.data))
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def data(self) -> Path:
        """Where its files are."""
        return self.root / "data"

    def _run(self, name: str, *arguments: str) -> str:
        done = subprocess.run(
            [program(name), *arguments], capture_output=True, text=True, check=False, cwd=self.root, **self._as
        )
        if done.returncode:
            raise ServerError(f"{name} failed: {done.stderr.strip()[-500:]}")
        return str(done.stdout)

    def start(self, **settings: str) -> None:
        """Start it, with `settings` besides; waits until it answers."""
        more = [f"-c{name}={value}" for name, value in {"listen_addresses": "", "max_connections": "40", **settings}.items()]
        log = (self.root / "log").open("ab")
        deadline = time.monotonic() + 30
        while True:  # a killed server's shared memory is let go of a moment after it
            self.process = subprocess.Popen(
                [program("postgres"), "-D", str(self.data), "-k", str(self.root), *more], stdin=subprocess.DEVNULL, stdout=log,
                stderr=log, cwd=self.root, **self._as,
            )  # fmt: skip
            while self.process.poll() is None and time.monotonic() < deadline:
                if not subprocess.run([program("pg_isready"), "-q", "-h", str(self.root), "-U", USER], check=False).returncode:
                    log.close()
                    return
                time.sleep(0.05)
            if time.monotonic() > deadline:
                log.close()
                raise ServerError((self.root / "log").read_text(errors="replace")[-500:])
            time.sleep(0.2)

    def schema(self, name: str, **settings: str) -> str:
        """The URL of a new, empty schema, whose sessions begin with `settings`."""
        self.ask("public", f"CREATE SCHEMA {name}")
        options = "%20".join(f"-c{key}%3D{value}" for key, value in {"search_path": name, **settings}.items())
        return f"{self.url(DATABASE)}&options={options}"

    def url(self, database: str) -> str:
        """The URL of a database."""
        return f"postgresql+psycopg://{USER}@/{database}?host={self.root}"

    def ask(self, schema: str, query: str) -> list[str]:
        """What PostgreSQL's own client says to `query` in a schema, by line."""
        where = f"host={self.root} user={USER} dbname={DATABASE} options=-csearch_path={schema}"
        return self._run("psql", where, "-qAtc", query).splitlines()

    def kill(self) -> None:
        """kill -9 of the server and of every process that it started: none of them can tidy up."""
        assert self.process is not None
        first = self.process.pid
        listed = Path(f"/proc/{first}/task/{first}/children").read_text(encoding="ascii").split()
        for process in (first, *map(int, listed)):
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self.process.wait(30)

    def stop(self) -> None:
        """Stop it, whatever is connected."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            except subprocess.TimeoutExpired:
                self.kill()

    def remove(self) -> None:
        """End it and leave nothing behind."""
        if self.process is not None and self.process.poll() is None:
            self.kill()
        shutil.rmtree(self.root, ignore_errors=True)
