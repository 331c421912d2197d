"""Another user's folder as root finds it, with everything that this user could put there to trick root.

For tests that run as root: users are real, and so are links, pipes and owners.
"""

import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.support.needs import need

DAEMON = 65_534
"""The user whose folder it is; any but root will do, and it need not have a name."""
STRANGER = 65_533

SECRET = "root's own\n"


def names(folder: Path) -> list[str]:
    """What is in a folder, in order."""
    return sorted(each.name for each in folder.iterdir())


@dataclass(frozen=True, slots=True)
class Ground:
    """top: root's folder, which everybody may enter. state: the folder of the daemon's user. victim: root's file."""

    top: Path
    state: Path
    victim: Path

    @property
    def database(self) -> Path:
        """Where the daemon's database is."""
        return self.state / "watchkeeper.db"

    @property
    def untouched(self) -> bool:
        """Whether the victim has its original content, owner and mode, and root's folder has no new entries."""
        status = self.victim.lstat()
        mine = (status.st_uid, status.st_gid, stat.S_IMODE(status.st_mode)) == (0, 0, 0o600)
        return mine and self.victim.read_text() == SECRET and names(self.victim.parent) == ["victim"]

    def give(self) -> None:
        """Give everything in the folder to the daemon's user, except the targets of links."""
        for path in (self.state, *self.state.rglob("*")):
            os.lchown(path, DAEMON, DAEMON)


@contextmanager
def ground(*, closed: bool) -> Iterator[Ground]:
    """Create it. closed: below a folder that only root may enter, with a link to it, as with DynamicUser=."""
    need(os.geteuid() == 0, "only root can work in another user's folder")
    top = Path(tempfile.mkdtemp(prefix="watchkeeper-ground-"))
    top.chmod(0o755)
    try:
        own = top / "own"
        own.mkdir(mode=0o755)
        (own / "victim").write_text(SECRET)
        (own / "victim").chmod(0o600)
        place = top / "private" if closed else top / "lib"
        place.mkdir(mode=0o755)
        (place / "state").mkdir(mode=0o700)
        os.chown(place / "state", DAEMON, DAEMON)
        place.chmod(0o700 if closed else 0o755)
        (top / "state").symlink_to(f"{place.name}/state")
        yield Ground(top, top / "state" if closed else place / "state", own / "victim")
    finally:
        shutil.rmtree(top)


Trap = Callable[[Path, Ground], None]


def _owned_by_daemon(path: Path) -> None:
    os.lchown(path, DAEMON, DAEMON)


def link(path: Path, where: Ground) -> None:
    """A link to root's file."""
    path.symlink_to(where.victim)
    _owned_by_daemon(path)


def dangling(path: Path, where: Ground) -> None:
    """A link to a file in root's folder that does not exist yet."""
    path.symlink_to(where.victim.with_name("new"))
    _owned_by_daemon(path)


def hard(path: Path, where: Ground) -> None:
    """A hard link to root's file, if the kernel allows that (fs.protected_hardlinks = 0)."""
    os.link(where.victim, path)


def pipe(path: Path, _where: Ground) -> None:
    """A named pipe, which blocks a careless reader permanently."""
    os.mkfifo(path, 0o600)
    _owned_by_daemon(path)


def folder(path: Path, where: Ground) -> None:
    """A link to root's folder."""
    path.symlink_to(where.victim.parent)
    _owned_by_daemon(path)


TRAPS: tuple[Trap, ...] = (link, dangling, hard, pipe, folder)
