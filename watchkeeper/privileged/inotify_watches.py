"""Prints how many inotify watches and instances each user has, as JSON: `python -m ...`. Reads /proc, nothing else.

The kernel limits both for each user and shows neither. Each instance is a descriptor; the lines of its fdinfo are its
watches: proc(5), inotify(7). Of other users' processes only root may read them. Nothing is printed of what is watched.
"""

import json
import os
from collections.abc import Iterator
from pathlib import Path

PROCESSES_LIMIT = 20_000
DESCRIPTORS_LIMIT = 4096
FDINFO_LIMIT_BYTES = 64 << 20
"""A million watches, at about 60 bytes a line."""

_CHUNK_BYTES = 1 << 20


def users(proc: Path = Path("/proc")) -> list[dict[str, object]]:
    """Each user with an instance: the user's number, watches and instances, and the program with the most watches."""
    found: dict[int, dict[str, object]] = {}
    most: dict[int, int] = {}
    for folder in sorted(proc.glob("[0-9]*"))[:PROCESSES_LIMIT]:
        try:
            owner, counts = folder.stat().st_uid, list(_instances(folder))
        except OSError:
            continue  # It has ended since it was listed.
        if not counts:
            continue
        user = found.setdefault(owner, {"user": owner, "watches": 0, "instances": 0, "program": ""})
        user["watches"] = int(str(user["watches"])) + sum(counts)
        user["instances"] = int(str(user["instances"])) + len(counts)
        if sum(counts) >= most.get(owner, 0):
            most[owner], user["program"] = sum(counts), _program(folder)
    return [found[owner] for owner in sorted(found)]


def _instances(folder: Path) -> Iterator[int]:
    """The number of watches of each instance that a process has open."""
    with os.scandir(folder / "fd") as entries:
        for _, entry in zip(range(DESCRIPTORS_LIMIT), entries, strict=False):
            try:
                if os.readlink(entry.path) == "anon_inode:inotify":  # noqa: PTH115  the text of the link
                    yield _watches(folder / "fdinfo" / entry.name)
            except OSError:
                continue  # It was closed since it was listed.


def _watches(fdinfo: Path) -> int:
    """Lines that begin with `inotify`; in pieces, for there may be a hundred thousand."""
    count, rest, left = 0, b"\n", FDINFO_LIMIT_BYTES
    with fdinfo.open("rb") as file:
        while left > 0 and (piece := file.read(_CHUNK_BYTES)):
            text = rest + piece
            count += text.count(b"\ninotify wd:")
            rest, left = text[-len(b"\ninotify wd:") + 1 :], left - len(piece)
    return count


def _program(folder: Path) -> str:
    """The name of a process; empty if it has ended."""
    try:
        return (folder / "comm").read_text("utf-8", "replace").strip()
    except OSError:
        return ""


if __name__ == "__main__":
    print(json.dumps(users()))  # noqa: T201  its output is its purpose
