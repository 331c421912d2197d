"""Debian's syslog server as a process on loopback: what it received, as it parsed it."""

import json
import shutil
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import trustme

from tests.support.needs import need
from tests.support.receivers import free_port
from tests.support.waiting import listens

PROGRAM = shutil.which("rsyslogd") or "/usr/sbin/rsyslogd"
TLS_DRIVER = Path("/usr/lib/x86_64-linux-gnu/rsyslog/lmnsd_gtls.so")

CONFIG = """
global(workDirectory="{folder}" maxMessageSize="8k" defaultNetstreamDriver="gtls"
  defaultNetstreamDriverCAFile="{folder}/ca.pem" defaultNetstreamDriverCertFile="{folder}/server.pem"
  defaultNetstreamDriverKeyFile="{folder}/server.key")
module(load="imuxsock" SysSock.Use="off")
module(load="imtcp" streamDriver.name="gtls" streamDriver.mode="1" streamDriver.authMode="{mode}")
module(load="mmpstrucdata")
template(name="seen" type="string" string="%jsonmesg%\\n")
ruleset(name="keep") {{
  action(type="mmpstrucdata" sd_name.lowercase="off")
  action(type="omfile" file="{folder}/seen" template="seen" asyncWriting="off" flushOnTXEnd="on")
}}
input(type="imtcp" address="127.0.0.1" port="{port}" ruleset="keep")
input(type="imuxsock" socket="{folder}/local" ruleset="keep")
input(type="imuxsock" socket="{folder}/local5424" ruleset="keep" useSpecialParser="off" parseHostname="on")
"""


@dataclass
class LogServer:
    """A running server. ca: the authority of its certificate. local, local5424: its sockets of two forms."""

    folder: Path
    mode: str = "anon"
    port: int = field(default_factory=free_port)
    ca: trustme.CA = field(default_factory=trustme.CA)
    _process: subprocess.Popen[bytes] | None = None

    @property
    def local(self) -> Path:
        return self.folder / "local"

    @property
    def local5424(self) -> Path:
        return self.folder / "local5424"

    def prepare(self, name: str = "127.0.0.1") -> None:
        """Write certificates and the configuration."""
        need(Path(PROGRAM).exists() and TLS_DRIVER.exists(), "rsyslog and rsyslog-gnutls are not installed")
        made = self.ca.issue_cert(name)
        self.ca.cert_pem.write_to_path(self.folder / "ca.pem")
        made.private_key_pem.write_to_path(self.folder / "server.key")
        for blob in made.cert_chain_pems:
            blob.write_to_path(self.folder / "server.pem", append=True)
        text = CONFIG.format(folder=self.folder, port=self.port, mode=self.mode)
        (self.folder / "rsyslog.conf").write_text(text, encoding="utf-8")

    def start(self) -> None:
        """Start it, also again."""
        with (self.folder / "said").open("ab") as said:
            command = [PROGRAM, "-n", "-f", f"{self.folder}/rsyslog.conf", "-i", f"{self.folder}/pid"]
            self._process = subprocess.Popen(command, stdout=said, stderr=said)
        end = time.monotonic() + 30
        while not (listens(self.port) and self.local.exists() and self.local5424.exists()):
            assert self._process.poll() is None, (self.folder / "said").read_text(errors="replace")
            assert time.monotonic() < end, "the server does not listen"
            time.sleep(0.02)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)
            self._process = None

    def seen(self, count: int, within_s: float = 30) -> list[Mapping[str, Any]]:
        """The first entries of ours that arrived, as the server parsed them. Fails if there are fewer."""
        end = time.monotonic() + within_s
        while len(found := self._entries()) < count:
            assert time.monotonic() < end, (found, (self.folder / "said").read_text(errors="replace"))
            time.sleep(0.05)
        return found

    def _entries(self) -> list[Mapping[str, Any]]:
        file = self.folder / "seen"
        lines = file.read_text(encoding="utf-8").splitlines(keepends=True) if file.exists() else []
        found = [json.loads(line) for line in lines if line.endswith("\n")]
        return [each for each in found if each["programname"] == "watchkeeper"]


@contextmanager
def log_server(folder: Path, name: str = "127.0.0.1", mode: str = "anon") -> Iterator[LogServer]:
    """A server. name: what its certificate is for. mode: `anon`, or `x509/certvalid` to ask clients for one."""
    made = LogServer(folder, mode)
    made.prepare(name)
    made.start()
    try:
        yield made
    finally:
        made.stop()
