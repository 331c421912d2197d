"""The virtual machine: boots it, runs commands in it and copies files into it, with the scripts under rig/."""

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

IS_CONTAINER = os.environ.get("HOST_RIG_ACCEL") == "nspawn"
"""The machine is a container with this host's kernel: for installing, upgrading and removing, which need no disks."""

BOOT_S = 1000.0
"""rig/up itself gives up after 900 s at most, and may try /dev/kvm for 25 s before."""
DOWN_S = 200.0
"""rig/down pulls the plug after 120 s."""
TIMED_OUT = (124, 137)
"""Exit statuses of timeout(1): the time was over; it had to kill."""
KILL_S = 5
"""From the signal that ends a script of the rig, with what it has started, to the one that cannot be refused."""


def cache() -> Path:
    """The folder of the image and the disks, as in rig/lib.sh."""
    home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return Path(os.environ.get("HOST_RIG_CACHE") or home / "watchkeeper" / "rig")


class Failed(AssertionError):
    """A command in the machine did not end with status 0; the text has its output."""


def _ask(talk: TextIO, command: dict[str, object]) -> object:
    """Send one command and skip the events before its reply."""
    talk.write(json.dumps(command) + "\n")
    talk.flush()
    while "event" in (reply := json.loads(talk.readline())):
        pass
    if "error" in reply:
        raise Failed(f"{command}: {reply['error']}")
    return reply["return"]


class Machine:
    """The virtual machine. Every time that it returns is by its own clock, and every call is bounded."""

    def up(self, *words: str) -> None:
        """Boot it, new, or with the disks of the last run (`--keep`), or with saved ones (`--from NAME`).

        `--later SECONDS` sets its clock ahead.
        """
        self._rig("up", *words, timeout_s=BOOT_S)

    def has_saved(self, name: str) -> bool:
        """True if `--from` this name works."""
        return (cache() / ("saved-container" if IS_CONTAINER else "saved") / name).is_dir()

    def save(self, name: str) -> None:
        """Store its disks under a name, and boot it again from them."""
        self._rig("save", name, timeout_s=DOWN_S)
        self.up("--from", name)

    def down(self) -> None:
        """Power it off, if it is up."""
        self._rig("down", timeout_s=DOWN_S)

    def pull_the_plug(self) -> None:
        """End it at once: nothing in it can write or say anything any more."""
        self._rig("down", "--now", timeout_s=DOWN_S)

    def put(self, source: Path, target: str) -> None:
        """Copy a file, or the contents of a folder."""
        self._rig("put", str(source), target, timeout_s=300)

    def run(self, command: str, timeout_s: float = 120) -> str:
        """What a command line prints, run as root by bash. Raises Failed if it fails."""
        return self._rig("ssh", command, timeout_s=timeout_s)

    def write(self, path: str, text: str) -> None:
        """Write a file that everybody may read."""
        with tempfile.NamedTemporaryFile("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            Path(file.name).chmod(0o644)
            self.put(Path(file.name), path)

    def works(self, command: str) -> bool:
        """Does a command line succeed, within two minutes?"""
        return self._call("ssh", command, timeout_s=120).returncode == 0

    def now(self) -> float:
        """Its clock, in seconds since 1970."""
        return float(self.run("date +%s.%N"))

    def qmp(self, command: str, arguments: Mapping[str, object]) -> object:
        """Send a command to QEMU, such as a change of the hardware; returns its reply. Raises Failed on an error."""
        with socket.socket(socket.AF_UNIX) as monitor, monitor.makefile("rw") as talk:
            monitor.settimeout(20)
            monitor.connect(str(cache() / "run" / "qmp.sock"))
            talk.readline()  # its greeting
            _ask(talk, {"execute": "qmp_capabilities"})
            return _ask(talk, {"execute": command, "arguments": dict(arguments)})

    def _rig(self, script: str, *words: str, timeout_s: float) -> str:
        done = self._call(script, *words, timeout_s=timeout_s)
        if done.returncode != 0:
            late = f"not finished after {timeout_s:.0f} s, " if done.returncode in TIMED_OUT else ""
            raise Failed(
                f"rig/{script} {' '.join(words)[:200]}: {late}status {done.returncode}\n{done.stderr}\n{done.stdout}"
            )
        return done.stdout

    def _call(self, script: str, *words: str, timeout_s: float) -> "subprocess.CompletedProcess[str]":
        # timeout(1) ends a script together with its ssh, which would hold the pipes open after the script.
        bounded = ["timeout", f"--kill-after={KILL_S}", f"{timeout_s:.0f}", str(RIG / script), *words]
        return subprocess.run(
            bounded, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, errors="replace"
        )
