"""The virtual machine: boots it, runs commands in it, and copies into it, through the scripts under rig/."""

import json
import os
import socket
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TextIO

HERE = Path(__file__).parent
RIG = HERE / "rig"

BOOT_S = 400.0
"""rig/up itself gives up after 300 s, and may try /dev/kvm for 25 s before."""


def cache() -> Path:
    """Where the rig keeps everything heavy: as rig/lib.sh has it."""
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return Path(os.environ.get("HOST_RIG_CACHE") or home / "watchkeeper" / "rig")


class Failed(AssertionError):
    """A command in the machine ended with another status than 0; the text has what it said."""


def _ask(talk: TextIO, command: dict[str, object]) -> object:
    """Send one command and pass over the events that come before its reply."""
    talk.write(json.dumps(command) + "\n")
    talk.flush()
    while "event" in (reply := json.loads(talk.readline())):
        pass
    if "error" in reply:
        raise Failed(f"{command}: {reply['error']}")
    return reply["return"]


class Machine:
    """The machine that is up, or will be. Every time that it tells is by its own clock."""

    def up(self, *words: str) -> None:
        """Boot it; `--keep` with the disks of last time, `--later SECONDS` with its clock ahead."""
        self._rig("up", *words, timeout_s=BOOT_S)

    def down(self) -> None:
        """Power it off. Nothing happens where it is off already."""
        self._rig("down", timeout_s=200)

    def put(self, source: Path, target: str) -> None:
        """Copy a file, or what is in a folder."""
        self._rig("put", str(source), target, timeout_s=300)

    def run(self, command: str, timeout_s: float = 120) -> str:
        """What a command line prints, run as root by bash. Raises Failed where it does not end well."""
        return self._rig("ssh", command, timeout_s=timeout_s)

    def write(self, path: str, text: str) -> None:
        """Write a file that everybody may read."""
        with tempfile.NamedTemporaryFile("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            Path(file.name).chmod(0o644)
            self.put(Path(file.name), path)

    def works(self, command: str) -> bool:
        """Does a command line end well?"""
        done = subprocess.run([RIG / "ssh", command], capture_output=True, timeout=120, check=False)
        return done.returncode == 0

    def now(self) -> float:
        """Its clock, in seconds since 1970."""
        return float(self.run("date +%s.%N"))

    def qmp(self, command: str, arguments: Mapping[str, object]) -> object:
        """Have what emulates the machine do something to its hardware; what it returns. Raises Failed at an error."""
        with socket.socket(socket.AF_UNIX) as monitor, monitor.makefile("rw") as talk:
            monitor.settimeout(20)
            monitor.connect(str(cache() / "run" / "qmp.sock"))
            talk.readline()  # its greeting
            _ask(talk, {"execute": "qmp_capabilities"})
            return _ask(talk, {"execute": command, "arguments": dict(arguments)})

    def _rig(self, script: str, *words: str, timeout_s: float) -> str:
        done = subprocess.run(
            [RIG / script, *words], capture_output=True, text=True, timeout=timeout_s, check=False, errors="replace"
        )
        if done.returncode != 0:
            raise Failed(
                f"rig/{script} {' '.join(words)[:200]}: status {done.returncode}\n{done.stderr}\n{done.stdout}"
            )
        return done.stdout
