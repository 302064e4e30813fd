"""A PostgreSQL of one's own for the tests: a new cluster on loopback, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

PLACES = ("/usr/lib/postgresql/*/bin", "/usr/local/bin", "/usr/local/pgsql/bin")


class Absent(Exception):
    """Why no server can be started here."""


@dataclass(frozen=True)
class Server:
    """A running server."""

    port: int

    def url(self, name: str) -> str:
        return f"postgresql+psycopg://tests@127.0.0.1:{self.port}/{name}"

    def new_database(self) -> str:
        """Make an empty database and return its URL."""
        import psycopg

        name = f"records_{uuid4().hex[:12]}"
        address = f"postgresql://tests@127.0.0.1:{self.port}/postgres"
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return self.url(name)


def binaries() -> Path:
    """Return the folder with initdb and postgres, newest first."""
    found = [path for place in PLACES for path in sorted(Path("/").glob(place[1:]), reverse=True)]
    for folder in found:
        if (folder / "initdb").exists() and (folder / "postgres").exists():
            return folder
    raise Absent("PostgreSQL is not installed (Debian: apt-get install postgresql)")


@contextlib.contextmanager
def running() -> Iterator[Server]:
    """Start a server and stop it at the end; it refuses to run as root, so another user does."""
    try:
        import psycopg  # noqa: F401
    except ImportError:
        raise Absent("the library psycopg is not installed") from None
    folder = binaries()
    room = Path(tempfile.mkdtemp(prefix="canalwright-pg-", dir="/tmp"))
    user = _unprivileged(room)
    try:
        data = room / "data"
        _run(
            [folder / "initdb", "-D", data, "-U", "tests", "-A", "trust", "-E", "UTF8",
             "--no-locale", "--no-sync"],
            user,
        )  # fmt: skip
        port = _free_port()
        log = (room / "log").open("wb")
        server = subprocess.Popen(
            [folder / "postgres", "-D", data, "-p", str(port), "-c", "listen_addresses=127.0.0.1",
             "-c", f"unix_socket_directories={room}", "-c", "max_connections=120",
             "-c", "fsync=off", "-c", "full_page_writes=off"],
            stdout=log, stderr=log, stdin=subprocess.DEVNULL, cwd=room, **user,
        )  # fmt: skip
        try:
            _wait(server, port, room / "log")
            yield Server(port)
        finally:
            # Nothing of it is needed any more: no orderly end.
            server.send_signal(signal.SIGQUIT)
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait()
            log.close()
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _unprivileged(room: Path) -> dict[str, int]:
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            found = pwd.getpwnam(name)
            os.chown(room, found.pw_uid, found.pw_gid)
            return {"user": found.pw_uid, "group": found.pw_gid}
    raise Absent("there is no user but root, as whom PostgreSQL refuses to run")


def _run(command: list[object], user: dict[str, int]) -> None:
    done = subprocess.run(
        [str(part) for part in command], capture_output=True, text=True, cwd="/", **user
    )
    if done.returncode:
        raise Absent(f"initdb failed: {done.stderr.strip()[-300:]}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait(server: subprocess.Popen[bytes], port: int, log: Path) -> None:
    import psycopg

    for _ in range(150):
        if server.poll() is not None:
            raise Absent(f"the server ended: {log.read_text()[-300:]}")
        with contextlib.suppress(psycopg.OperationalError):
            psycopg.connect(
                f"postgresql://tests@127.0.0.1:{port}/postgres", connect_timeout=2
            ).close()
            return
        time.sleep(0.1)
    raise Absent("the server did not answer within 15 s")
