"""A real PostgreSQL server of a test, with a folder and a socket of its own."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import trustme

from tests.support.needs import need
from tests.support.waiting import until

_SETTINGS = ("fsync=off", "shared_buffers=32MB", "max_connections=40", "log_min_messages=fatal", "autovacuum=off")


def programs() -> Path:
    """The folder of the newest installed server's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    need(found, "PostgreSQL's server (postgresql-15) is not installed")
    return found[-1].parent


class Server:
    """A server that can be stopped, killed and started again."""

    def __init__(self, folder: Path, settings: tuple[str, ...] = (), port: int = 5432) -> None:
        self.folder, self._data = folder, folder / "data"
        self._programs, self._settings = programs(), (*_SETTINGS, f"port={port}", *settings)
        self._process: subprocess.Popen[bytes] | None = None
        self.port = port
        _run_as(folder, [self._programs / "initdb", "--no-sync", "--username=owner", "--auth=trust", "-D", self._data])

    def start(self) -> None:
        """Start it, and wait until it answers."""
        words = [
            str(self._programs / "postgres"),
            "-D",
            str(self._data),
            "-k",
            str(self.folder),
            "-c",
            "listen_addresses=",
        ]
        for each in self._settings:
            words += ["-c", each]
        log = (self.folder / "log").open("ab")
        with log:
            self._process = subprocess.Popen(words, stdout=log, stderr=log, **_as_user(self.folder))
        until("the server", self._answers, within_s=60)

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.folder / "log").read_text()
        try:
            psycopg.connect(self.address("postgres"), connect_timeout=5).close()
        except psycopg.OperationalError:
            return False
        return True

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """End it: SIGINT disconnects everybody first, SIGKILL is a power cut."""
        if self._process is None:
            return
        if how is signal.SIGKILL:
            self._kill_all()
        else:
            self._process.send_signal(how)
        self._process.wait(60)
        self._process = None

    def _kill_all(self) -> None:
        """The server's processes: its children end a moment after it, as they notice that it has gone."""
        assert self._process is not None
        pid = self._process.pid
        listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for each in (pid, *map(int, listed)):
            os.kill(each, signal.SIGKILL)

    def address(self, database: str = "watchkeeper", user: str = "owner", **more: str) -> str:
        """The address through its socket."""
        given = {"host": str(self.folder), "port": str(self.port), "dbname": database, "user": user, **more}
        return psycopg.conninfo.make_conninfo(**given)

    def use_certificate(self, certificate: trustme.LeafCert) -> None:
        """Accept TLS with this certificate from now on."""
        owner = self._data.stat()
        for name, content in (
            ("server.crt", b"".join(each.bytes() for each in certificate.cert_chain_pems)),
            ("server.key", certificate.private_key_pem.bytes()),
        ):
            path = self._data / name
            path.write_bytes(content)
            path.chmod(0o600)
            os.chown(path, owner.st_uid, owner.st_gid)
        self.query("ALTER SYSTEM SET ssl = on", database="postgres")
        self.query("SELECT pg_reload_conf()", database="postgres")

    def query(self, text: str, *values: object, database: str = "watchkeeper") -> list[tuple[Any, ...]]:
        """Rows, as the owner."""
        with psycopg.connect(self.address(database), autocommit=True) as conn:
            found = conn.execute(text.encode(), values or None)
            return found.fetchall() if found.description else []


def _as_user(folder: Path) -> dict[str, Any]:
    """The server refuses to run as root."""
    if os.geteuid() != 0:
        return {"cwd": folder}
    return {"cwd": folder, "user": folder.stat().st_uid, "group": folder.stat().st_gid, "extra_groups": []}


def _run_as(folder: Path, words: list[object]) -> None:
    subprocess.run(
        [str(each) for each in words], check=True, stdout=subprocess.DEVNULL, timeout=120, **_as_user(folder)
    )


@contextmanager
def server(*settings: str, port: int = 5432) -> Iterator[Server]:
    """A running server in a short path (a socket's has at most 107 bytes), deleted at the end."""
    programs()
    folder = Path(tempfile.mkdtemp(prefix="wk-pg-"))
    folder.chmod(0o755)
    if os.geteuid() == 0:
        user = next((each for each in ("postgres", "nobody") if _known(each)), None)
        need(user, "there is no user to run PostgreSQL as")
        found = pwd.getpwnam(str(user))
        os.chown(folder, found.pw_uid, found.pw_gid)
    made: Server | None = None
    try:
        made = Server(folder, settings, port)
        made.start()
        yield made
    finally:
        if made is not None:
            made.stop(signal.SIGQUIT)
        shutil.rmtree(folder, ignore_errors=True)


def _known(user: str) -> bool:
    try:
        pwd.getpwnam(user)
    except KeyError:
        return False
    return True
