"""A test's own file system for a real process: a tmpfs in a private mount namespace.

Only the process that is started here, and readers through /proc/PID/root, see the mount; it disappears with the
process.
"""

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from tests.support.needs import need


def namespace() -> list[str]:
    """The command that runs the command after it in a private mount namespace. Needs root or user namespaces."""
    need(shutil.which("unshare"), "unshare (util-linux) is not installed")
    words = ["unshare", "--mount"] if os.geteuid() == 0 else ["unshare", "--mount", "--user", "--map-root-user"]
    tried = subprocess.run(
        [*words, "mount", "-t", "tmpfs", "station", "/mnt"], capture_output=True, check=False, timeout=60
    )
    need(tried.returncode == 0, f"no private mount namespace here: {tried.stderr.decode().strip()}")
    return words


def start_on_tmpfs(mount_point: Path, size: str, command: Sequence[str], **options: object) -> subprocess.Popen[str]:
    """Start a command that sees a tmpfs of `size` (such as 64m) at `mount_point`."""
    mount_point.mkdir(parents=True, exist_ok=True)
    script = f'mount -t tmpfs -o size={size},mode=700 station "{mount_point}" && exec "$@"'
    return subprocess.Popen([*namespace(), "sh", "-c", script, "sh", *command], text=True, **options)  # type: ignore[call-overload,no-any-return]


def seen_by(process: subprocess.Popen[str], path: Path) -> Path:
    """The path as the process sees it, reachable from outside."""
    return Path(f"/proc/{process.pid}/root{path}")
