"""Runs a script in a mount namespace of its own, where it may mount what it likes; nothing of it is left after."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.support.needs import need


def run_apart(script: str, *arguments: str, timeout_s: float = 60, network: bool = False) -> Any:
    """What the script printed, as JSON. `unshare` gives it the rights of root in its own namespace alone.

    network: whether it has a network of its own, too, without any interface.
    """
    program = shutil.which("unshare")
    need(program, "unshare(1) is not installed: a mount namespace of its own cannot be made")
    flags = ["-m"] if os.geteuid() == 0 else ["-Urm"]
    command = [str(program), *flags, *(["-n"] if network else []), "--propagation", "private"]
    able = subprocess.run([*command, "true"], capture_output=True, check=False, timeout=60)
    need(able.returncode == 0, f"this machine lets nobody make a mount namespace: {able.stderr.decode()}")
    paths = [str(Path(__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    done = subprocess.run(
        [*command, sys.executable, "-W", "error", "-c", script, *arguments],
        capture_output=True,
        timeout=timeout_s,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stderr.decode()
    return json.loads(done.stdout)


PREAMBLE = """
import asyncio, ctypes, json, os, subprocess, sys, time
from watchkeeper.clock import Clock
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems.filesystems import FilesystemsProbe, FilesystemsSettings
from watchkeeper.probes.support.workers import ThreadWorkers

libc = ctypes.CDLL(None, use_errno=True)

def mount(source, target, kind, options="", flags=0):
    os.makedirs(target, exist_ok=True)
    if libc.mount(source.encode(), target.encode(), kind.encode(), ctypes.c_ulong(flags), options.encode()):
        error = ctypes.get_errno()
        raise OSError(error, os.strerror(error), target)

def umount(target):
    if libc.umount2(target.encode(), 2):
        raise OSError(ctypes.get_errno(), target)

def told(seen):
    return {str(o.key): [getattr(o, "ok", None), getattr(o, "reason", "")] for o in seen}
"""
"""What the scripts begin with: mount(2) through the C library, and a probe."""
