"""A test's own file system for a real process: a tmpfs in a private mount namespace.

Only the process that is started here, and readers through /proc/PID/root, see the mount; it disappears with the
process.
"""

import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.support.needs import need
from tests.support.processes import started


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


class TinyDisk:
    """A tmpfs that outlives the processes that use it, as long as one process holds it."""

    def __init__(self, holder: int, path: Path) -> None:
        self._holder, self._path = holder, path
        self.seen = Path(f"/proc/{holder}/root{path}")
        """The folder, reachable from outside."""

    def within(self, command: Sequence[str]) -> list[str]:
        """The command that runs a command where the tmpfs is mounted."""
        users = [] if os.geteuid() == 0 else ["--user", "--preserve-credentials"]
        return ["nsenter", f"--target={self._holder}", "--mount", *users, "--", *command]

    def fill(self) -> None:
        """Write until not a single byte more fits."""
        with suppress(OSError), (self.seen / "ballast").open("ab", buffering=0) as file:
            while file.write(bytes(4096)):
                pass

    def free(self) -> None:
        """Take away what fills it."""
        (self.seen / "ballast").unlink(missing_ok=True)


@contextmanager
def tiny_disk(path: Path, size: str) -> Iterator[TinyDisk]:
    """A tmpfs of `size` (such as 64m) at a path, in a mount namespace of its own."""
    need(shutil.which("nsenter"), "nsenter (util-linux) is not installed")
    path.mkdir(parents=True, exist_ok=True)
    script = f'mount -t tmpfs -o size={size},mode=700 station "{path}" && echo mounted && exec sleep infinity'
    with started([*namespace(), "sh", "-c", script], stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"mounted\n"
        yield TinyDisk(holder.pid, path)
