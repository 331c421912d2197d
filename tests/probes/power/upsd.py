"""A real UPS server (Debian's nut-server) with its scripted driver, on a free port of loopback."""

import os
import socket
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import MappingProxyType

from tests.support.needs import need
from tests.support.receivers import free_port
from tests.support.waiting import until

PROGRAMS = Path("/lib/nut")

DEVICE = """
[shed]
driver = dummy-ups
port = shed.dev
mode = dummy-once
pollinterval = 1
desc = "in the shed"
"""


class UpsServer:
    """A server that knows one UPS, `shed`; its state is what was scripted last."""

    def __init__(self, folder: Path) -> None:
        need((PROGRAMS / "upsd").exists(), "nut-server is not installed")
        self.port, self._folder, self._written_s = free_port(), folder, int(time.time())
        self._env = {**os.environ, **dict.fromkeys(("NUT_CONFPATH", "NUT_STATEPATH", "NUT_ALTPIDPATH"), str(folder))}
        for name, text in {
            "nut.conf": "MODE=standalone\n",
            "ups.conf": DEVICE,
            "upsd.conf": f"LISTEN 127.0.0.1 {self.port}\nMAXAGE 2\n",
            "upsd.users": "",
        }.items():
            (folder / name).write_text(text)
            (folder / name).chmod(0o600)
        self.script()
        self.driver = self._started("dummy-ups", "-a", "shed")
        until("the driver's socket", (folder / "dummy-ups-shed").exists)
        self._server = self._started("upsd")
        until("the first data", lambda: b'ups.status "OL"' in self._said())

    def _said(self) -> bytes:
        """What the server lists of the device."""
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 5) as connection:
            connection.sendall(b"LIST VAR shed\nLOGOUT\n")
            with connection.makefile("rb") as answer:
                return answer.read()
        return b""

    def script(
        self,
        status: str = "OL",
        charge: int = 100,
        run_time_s: int = 1200,
        more: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """What the device reports from its driver's next look on. more: further variables."""
        lines = {"ups.status": status, "battery.charge": charge, "battery.runtime": run_time_s, "ups.load": 20, **more}
        made = self._folder / "new"
        made.write_text("".join(f"{name}: {value}\n" for name, value in lines.items()))
        self._written_s += 2  # the driver reads a file again whose time, in whole seconds, is another one
        os.utime(made, (self._written_s, self._written_s))
        made.rename(self._folder / "shed.dev")

    def _started(self, program: str, *more: str) -> subprocess.Popen[bytes]:
        command = [str(PROGRAMS / program), *more, "-F", "-u", "root"]
        log = (self._folder / f"{program}.log").open("wb")
        with log:
            return subprocess.Popen(command, env=self._env, stdout=log, stderr=subprocess.STDOUT)

    def close(self) -> None:
        """End both programs."""
        for each in (self._server, self.driver):
            if each.poll() is None:
                each.kill()
            each.wait(20)


@contextmanager
def ups_server(folder: Path) -> Iterator[UpsServer]:
    """Start one, and end it."""
    folder.mkdir(exist_ok=True)
    server = UpsServer(folder)
    try:
        yield server
    finally:
        server.close()
