"""Does work with the file rights of another user, in a thread of its own, while the rest of the process stays root.

setfsuid(2) exists for this: the kernel then checks file access as it would for that user, and removes root's own rights
on files (capabilities(7), "Effect of user ID changes"). What is not a file stays root's: a command can read the host as
before. Nothing is executed in such a thread. Not here: whose rights these are (folder_owner.py).
"""

import ctypes
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from watchkeeper.errors import AccessDenied
from watchkeeper.ownership.folder_owner import Owner

T = TypeVar("T")

_CLONE_NEWNS = 0x00020000  # linux/sched.h
_MS_NOSUID, _MS_NODEV, _MS_NOEXEC, _MS_BIND, _MS_REC, _MS_SLAVE = 2, 4, 8, 4096, 16384, 1 << 19  # sys/mount.h

_FILE_CAPABILITIES = 0b11111
"""CAP_CHOWN, CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH, CAP_FOWNER, CAP_FSETID: linux/capability.h."""

_ASK = 0xFFFF_FFFF
"""No user: setfsuid(2) then changes nothing and returns the current one."""


def with_rights_of(owner: Owner | None, work: Callable[[], T]) -> T:
    """Do the work with a user's file rights; None: with the rights that this thread has.

    Raises AccessDenied where they cannot be taken, and whatever the work raises.
    """
    if owner is None:
        return work()
    with ThreadPoolExecutor(1, thread_name_prefix="owner") as thread:
        thread.submit(take_rights_of, owner).result()
        return thread.submit(work).result()


def take_rights_of(owner: Owner) -> None:
    """Give this thread a user's file rights permanently. Raises AccessDenied if that fails: do nothing in it then."""
    try:
        os.setgroups([])  # of the whole process: root's groups would open files that the user may not open
        if owner.closed is not None:
            _make_way(owner, owner.closed)
        _become(owner)
    except OSError as error:
        raise AccessDenied(
            f"the rights of {owner}, to whom {owner.folder} belongs, cannot be taken ({error.strerror}): "
            "run this as that user"
        ) from error


def _become(owner: Owner) -> None:
    libc = ctypes.CDLL(None)
    for call, number in ((libc.setfsgid, owner.gid), (libc.setfsuid, owner.uid)):
        call.argtypes, call.restype = [ctypes.c_uint], ctypes.c_uint
        call(number)
        if call(_ASK) != number:
            raise PermissionError(1, "Operation not permitted")
    if _capabilities() & _FILE_CAPABILITIES:
        raise PermissionError(1, "root keeps its rights on files here")


def _capabilities() -> int:
    """The thread's effective capabilities. Read as bytes: a codec might be imported from where only root may read."""
    lines = Path("/proc/thread-self/status").read_bytes().splitlines()
    return next((int(line.split()[1], 16) for line in lines if line.startswith(b"CapEff:")), -1)


# A path for a user whose folder is inside one of root's ---------------------------------------------------------------


def _make_way(owner: Owner, closed: Path) -> None:
    """Let this thread's user reach a folder that is inside a folder which only root may enter.

    systemd keeps the folder of a service with DynamicUser= below /var/lib/private, closed to everyone, and lets the
    service in the same way as here: in a private mount namespace, an empty folder hides the closed one and contains
    only the path to the user's own.
    """
    _call("unshare", _CLONE_NEWNS)
    _call("mount", None, b"/", None, ctypes.c_ulong(_MS_REC | _MS_SLAVE), None)
    handle = os.open(owner.folder, os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        flags = ctypes.c_ulong(_MS_NOSUID | _MS_NODEV | _MS_NOEXEC)
        _call("mount", b"none", os.fsencode(closed), b"tmpfs", flags, b"mode=0755,size=64k")
        _make_open(owner.folder, closed)
        for link, target in owner.links:
            if closed in link.parents and not os.path.lexists(link):
                _make_open(link.parent, closed)
                link.symlink_to(target)
        source = f"/proc/thread-self/fd/{handle}".encode("ascii")
        _call("mount", source, os.fsencode(owner.folder), None, ctypes.c_ulong(_MS_BIND), None)
    finally:
        os.close(handle)


def _make_open(folder: Path, closed: Path) -> None:
    """Make a folder below the closed one that anyone may enter, whatever the umask is."""
    if folder != closed and not folder.exists():
        _make_open(folder.parent, closed)
        folder.mkdir()
        folder.chmod(0o755)


def _call(name: str, *arguments: object) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if getattr(libc, name)(*arguments) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
