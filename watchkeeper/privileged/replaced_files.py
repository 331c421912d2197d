"""Prints which control groups run programs or libraries whose files have been removed or replaced, as JSON.

`python -m ...` reads /proc, nothing else. A process keeps the file that it began with, also when an update has replaced
it: the kernel then writes "(deleted)" behind its name in /proc/PID/maps: proc(5). Of other users' processes only root
may read that. Only what is executed counts, and only below the folders of packages: a cache that a program maps and
replaces is no update. Processes with a root folder of their own (containers) are left out: their files are no packages
of this host.
"""

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

PROCESSES_LIMIT = 20_000
MAPS_LIMIT_BYTES = 8 << 20
"""A browser has two thousand mappings, of about 100 bytes each."""
GROUPS_LIMIT = 500
FILES_LIMIT = 20

_REPLACED = re.compile(
    rb"^[0-9a-f]+-[0-9a-f]+ ..x. [0-9a-f]+ [0-9a-f]+:[0-9a-f]+ \d+ +"
    rb"(/(?:usr|opt|bin|sbin|lib[0-9a-z]*)/[^\n]*) \(deleted\)$",
    re.MULTILINE,
)


def groups(proc: Path = Path("/proc"), root: Path = Path("/")) -> list[dict[str, object]]:
    """Each control group with such a process: its path, a program's name, how many processes, and the files."""
    found: dict[str, dict[str, object]] = {}
    files: dict[str, set[str]] = {}
    ours = root.stat()
    for folder in sorted(proc.glob("[0-9]*"), key=lambda each: int(each.name))[:PROCESSES_LIMIT]:
        try:
            names = set(_replaced(folder))
            if not names or not os.path.samestat((folder / "root").stat(), ours):
                continue
            group, program = _group(folder), (folder / "comm").read_text("utf-8", "replace").strip()
        except OSError:
            continue  # It has ended since it was listed.
        if group not in found and len(found) >= GROUPS_LIMIT:
            continue
        entry = found.setdefault(group, {"group": group, "program": program, "processes": 0})
        entry["processes"] = int(str(entry["processes"])) + 1
        files.setdefault(group, set()).update(names)
    return [{**entry, "files": sorted(files[group])[:FILES_LIMIT]} for group, entry in found.items()]


def _replaced(folder: Path) -> Iterator[str]:
    """The files that a process executes and that are gone, or are another file by now."""
    with (folder / "maps").open("rb") as file:
        text = file.read(MAPS_LIMIT_BYTES)
    if b"(deleted)\n" in text:
        yield from (name.decode("utf-8", "replace") for name in _REPLACED.findall(text))


def _group(folder: Path) -> str:
    """The control group of a process as systemd sees it: cgroups(7). Version 2, else systemd's own hierarchy."""
    lines = (folder / "cgroup").read_text("utf-8", "replace").split("\n")
    for prefix in ("0::", "1:name=systemd:"):
        for line in lines:
            if line.startswith(prefix) and len(line) > len(prefix) + 1:
                return line.removeprefix(prefix)
    return "/"


if __name__ == "__main__":
    print(json.dumps(groups()))  # noqa: T201  its output is its purpose
