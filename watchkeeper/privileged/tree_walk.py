"""Prints how much each directory takes, of every local file system: reads names and sizes, never content.

A walk goes on where it stopped: one run walks for some seconds and writes its place into a file of root's, so that no
run is long, and a restart loses little. Directories are read in the order of their names, so a place is one path. Sizes
are allocated blocks; a file with several links counts once; nothing is entered that lies on another device, or where
something else is mounted. What cannot be read is counted, never left out in silence.

Runs as a program: `begin` starts a new walk unless one is not finished, `continue` goes on with it. Both print all that
is known as JSON. Not here: which directories are shown (probes/filesystems/directories.py), the I/O class
(commands.py).
"""

import json
import os
import re
import stat
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from watchkeeper.clock import Clock

STATE = Path("/var/lib/watchkeeper-helper/trees.json")
"""StateDirectory= of watchkeeper-helper@.service."""

TYPES = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "jfs", "reiserfs", "bcachefs"})
"""File systems on devices of this machine whose directories are walked. On ZFS, datasets show what grew."""

BUDGET_S = 20.0
"""How long one run walks."""

DIRECTORY_S = 40.0
"""A single directory that takes longer is left, and counted as not read."""

DEPTH = 4
"""Directories are told apart down to here; what lies deeper counts for the one at this depth."""

DEEPEST = 200
"""Levels that are entered: each holds an open directory, and 1,024 files may be open."""

DIRECTORIES_MOST = 20_000
"""Directories that are told apart in one file system; more count for the directory above. About 5 MB."""

LINKS_MOST = 200_000
"""Files with several links that are remembered; about 15 MB. More are counted at each link, and that is said."""

PRINTED = 2_000
"""The largest directories that are printed."""

HOLDERS = 5
FILES_OPEN_S = 5.0
BLOCK = 512
"""st_blocks counts these, whatever the file system's own blocks are: stat(2)."""

_OCTAL = re.compile(r"\\([0-7]{3})")


def file_systems(mountinfo: str) -> dict[str, set[str]]:
    """Mount point of each local file system -> every mount point below it that is not entered: proc(5).

    A bind mount of a directory onto itself is entered: the sandbox of the helper makes such.
    """
    mounts, chosen = list[tuple[str, str, str]](), dict[str, tuple[str, str]]()
    for line in mountinfo.split("\n"):
        before, _, after = line.partition(" - ")
        fields, kind = before.split(" "), after.split(" ")
        if len(fields) < 6:
            continue
        device, root, point = fields[2], _plain(fields[3]), _plain(fields[4])
        mounts.append((device, root, point))
        whole = root == "/" or kind[0] == "btrfs"
        if kind[0] in TYPES and whole and (device not in chosen or len(point) < len(chosen[device][1])):
            chosen[device] = root, point
    return {
        point: {
            other for on, part, other in mounts if other != point and not _itself(device, root, point, on, part, other)
        }
        for device, (root, point) in sorted(chosen.items(), key=lambda each: each[1][1])
    }


def _itself(device: str, root: str, point: str, on: str, part: str, other: str) -> bool:
    """Is this mount the same directory of the file system that would be there without it?"""
    return on == device and part.removeprefix(root.rstrip("/")) == other.removeprefix(point.rstrip("/"))


def _plain(text: str) -> str:
    return _OCTAL.sub(lambda found: chr(int(found.group(1), 8)), text)


@dataclass(slots=True)
class _Frame:
    """An open directory. waiting: the directories in it that are not walked yet, the next one last."""

    file: int
    name: str
    path: str
    waiting: list[str]
    done: str = ""


@dataclass(slots=True)
class Walk:
    """A walk over one file system. sizes: bytes of each directory down to DEPTH, without those below it.

    unread: directories that could not be read, or not to the end. links: files with several links that were counted.
    """

    point: str
    others: set[str] = field(default_factory=set)
    began_s: float = 0.0
    device: int = 0
    files: int = 0
    unread: int = 0
    sizes: dict[str, int] = field(default_factory=dict)
    links: set[int] = field(default_factory=set)
    links_exceeded: bool = False
    took_s: float = 0.0
    _open: list[_Frame] = field(default_factory=list)
    _clock: Clock = field(default_factory=Clock)

    def begin(self) -> None:
        """Open the mount point. Raises OSError if that fails."""
        file = os.open(self.point, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        found = os.fstat(file)
        self.device = found.st_dev
        self._count(found, "")
        self._open = [_Frame(file, "", self.point.rstrip("/"), self._read(file, ""))]

    def resume(self, place: list[str], done: str) -> None:
        """Open the place where an earlier run stopped; what has gone since is left."""
        file = os.open(self.point, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        names = [*place, done]
        self._open = [_Frame(file, "", self.point.rstrip("/"), _after(file, names[0]), names[0])]
        for name, after in zip(place, names[1:], strict=True):
            above = self._open[-1]
            try:
                file = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=above.file)
            except OSError:
                return
            if os.fstat(file).st_dev != self.device:
                os.close(file)
                return
            self._open.append(_Frame(file, name, f"{above.path}/{name}", _after(file, after), after))

    def run(self, budget_s: float) -> bool:
        """Walk for so long; True when all is walked."""
        began_s = self._clock.monotonic_s()
        try:
            while self._open:
                frame = self._open[-1]
                if not frame.waiting:
                    os.close(self._open.pop().file)
                elif self._clock.monotonic_s() - began_s >= budget_s:
                    return False
                else:
                    frame.done = frame.waiting.pop()
                    self._enter(frame, frame.done)
            return True
        finally:
            self.took_s += self._clock.monotonic_s() - began_s

    def place(self) -> tuple[list[str], str]:
        """Where it is: the names of the open directories, and the last one that is walked in the innermost."""
        return [each.name for each in self._open[1:]], self._open[-1].done

    def close(self) -> None:
        """Close what is open."""
        while self._open:
            os.close(self._open.pop().file)

    def _enter(self, above: _Frame, name: str) -> None:
        path = f"{above.path}/{name}"
        if path in self.others:
            return
        if len(self._open) >= DEEPEST:
            self.unread += 1
            return
        try:
            file = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=above.file)
        except FileNotFoundError:
            return  # deleted since its name was read
        except OSError:
            self.unread += 1
            return
        found = os.fstat(file)
        if found.st_dev != self.device:
            os.close(file)
            return
        node = self._node(path)
        self._count(found, node)
        self._open.append(_Frame(file, name, path, self._read(file, node)))

    def _node(self, path: str) -> str:
        """The directory that this one counts for: itself, or one above it."""
        below = path[len(self.point.rstrip("/")) + 1 :].split("/")
        for depth in range(min(len(below), DEPTH), 0, -1):
            name = "/".join(below[:depth])
            if name in self.sizes or len(self.sizes) < DIRECTORIES_MOST:
                return name
        return ""

    def _read(self, file: int, node: str) -> list[str]:
        """Count the files of a directory; its directories in the order in which they are popped."""
        found, end_s = list[str](), self._clock.monotonic_s() + DIRECTORY_S
        try:
            with os.scandir(file) as entries:
                for number, entry in enumerate(entries):
                    if entry.is_dir(follow_symlinks=False):
                        found.append(entry.name)
                    else:
                        self._file(entry, node)
                    if number % 4096 == 4095 and self._clock.monotonic_s() > end_s:
                        self.unread += 1
                        break
        except OSError:
            self.unread += 1
        return sorted(found, reverse=True)

    def _file(self, entry: "os.DirEntry[str]", node: str) -> None:
        with suppress(FileNotFoundError):  # deleted since its name was read
            found = entry.stat(follow_symlinks=False)
            if found.st_dev == self.device:  # else something is mounted on the file
                self._count(found, node)

    def _count(self, found: os.stat_result, node: str) -> None:
        if found.st_nlink > 1 and not stat.S_ISDIR(found.st_mode):
            if found.st_ino in self.links:
                return
            if len(self.links) < LINKS_MOST:
                self.links.add(found.st_ino)
            else:
                self.links_exceeded = True
        self.files += 1
        self.sizes[node] = self.sizes.get(node, 0) + found.st_blocks * BLOCK

    def result(self, ended_s: float) -> dict[str, Any]:
        """What is known at its end. sizes: of each directory with all below it, the largest; "" is the mount point."""
        whole = Counter[str]()
        for name, size in self.sizes.items():
            parts = name.split("/") if name else []
            for depth in range(len(parts) + 1):
                whole["/".join(parts[:depth])] += size
        return {
            "began_s": self.began_s,
            "ended_s": ended_s,
            "took_s": self.took_s,
            "files": self.files,
            "unread": self.unread,
            "links_exceeded": self.links_exceeded,
            "sizes": dict(whole.most_common(PRINTED)),
            "deleted": deleted(self.device, self._clock),
        }


def _after(file: int, name: str) -> list[str]:
    """The directories that come after a name, the next one last; their files were counted before."""
    try:
        with os.scandir(file) as entries:
            return sorted((e.name for e in entries if e.name > name and e.is_dir(follow_symlinks=False)), reverse=True)
    except OSError:
        return []


def deleted(device: int, clock: Clock) -> dict[str, Any]:
    """Files on a device that are deleted and still open, with the programs that hold most."""
    held, seen, end_s = Counter[str](), set[int](), clock.monotonic_s() + FILES_OPEN_S
    whole = True
    for process in Path("/proc").iterdir():
        if not process.name.isdecimal():
            continue
        if clock.monotonic_s() > end_s:
            whole = False
            break
        try:
            for size, inode in _deleted_of(process, device):
                if inode not in seen:
                    seen.add(inode)
                    held[(process / "comm").read_text(errors="replace").strip()] += size
        except PermissionError:
            whole = False
        except OSError:
            continue
    return {"bytes": held.total(), "files": len(seen), "holders": held.most_common(HOLDERS), "whole": whole}


def _deleted_of(process: Path, device: int) -> Iterator[tuple[int, int]]:
    for each in (process / "fd").iterdir():
        with suppress(FileNotFoundError):
            found = each.stat()
            if found.st_dev == device and not found.st_nlink and stat.S_ISREG(found.st_mode):
                yield found.st_blocks * BLOCK, found.st_ino


# The walk of all file systems, over several runs ----------------------------------------------------------------------


def advance(state_file: Path, mountinfo: str, *, begin: bool, budget_s: float = BUDGET_S) -> dict[str, Any]:
    """Go on with the walk for a while, and return all that is known: results by mount point, and those still to walk.

    begin: start a new walk if none is under way.
    """
    state, clock, known = _load(state_file), Clock(), file_systems(mountinfo)
    if begin and not state["waiting"]:
        state["waiting"], state["walk"] = list(known), None
    end_s = clock.monotonic_s() + budget_s
    while state["waiting"] and (left_s := end_s - clock.monotonic_s()) > 0:
        point = state["waiting"][0]
        if point not in known or _step(state, point, known[point], left_s, clock):
            state["waiting"], state["walk"] = state["waiting"][1:], None
    state["results"] = {point: each for point, each in state["results"].items() if point in known}
    state["stored"] = _save(state_file, state)
    return state


def _step(state: dict[str, Any], point: str, others: set[str], left_s: float, clock: Clock) -> bool:
    """Walk one file system for a while; True when it is done, or cannot be walked."""
    walk = Walk(point, others)
    try:
        saved = state["walk"]
        if saved is None:
            walk.began_s = clock.now().timestamp()
            walk.begin()
        else:
            _restore(walk, saved)
        if walk.run(left_s):
            state["results"][point] = walk.result(clock.now().timestamp())
            return True
        place, done = walk.place()
        kept = ("began_s", "device", "files", "unread", "sizes", "links_exceeded", "took_s")
        state["walk"] = {name: getattr(walk, name) for name in kept} | {
            "place": place,
            "done": done,
            "links": list(walk.links),
        }
    except OSError as error:
        state["results"][point] = {"error": error.strerror or str(error)}
        return True
    else:
        return False
    finally:
        walk.close()


def _restore(walk: Walk, saved: Mapping[str, Any]) -> None:
    for name in ("began_s", "device", "files", "unread", "sizes", "links_exceeded", "took_s"):
        setattr(walk, name, saved[name])
    walk.links = set(saved["links"])
    walk.resume(saved["place"], saved["done"])


def _load(state_file: Path) -> dict[str, Any]:
    empty: dict[str, Any] = {"results": {}, "waiting": [], "walk": None}
    with suppress(OSError, ValueError):
        found = json.loads(state_file.read_text(encoding="ascii"))
        if found.keys() >= empty.keys():
            return dict(found)
    return empty


def _save(state_file: Path, state: dict[str, Any]) -> bool:
    """Write the state, whole or not at all; False if that fails: the next run then begins again."""
    new = state_file.with_name(f"{state_file.name}.new")
    try:
        state_file.parent.mkdir(mode=0o700, exist_ok=True)
        new.write_text(json.dumps(state), encoding="ascii")
        new.replace(state_file)
    except OSError:
        return False
    return True


def main() -> None:
    """Advance the walk and print what is known."""
    mountinfo = Path("/proc/self/mountinfo").read_bytes().decode("utf-8", "surrogateescape")
    found = advance(STATE, mountinfo, begin=sys.argv[1:] == ["begin"])
    found.pop("walk")
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    main()
