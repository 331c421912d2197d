"""Prints which QEMU processes hold which USB devices, as JSON: `python -m ...`. Reads /proc, and nothing else.

A guest that a device was handed to holds its node open: /dev/bus/usb/BUS/DEVICE (usbfs). Who holds what can only be
seen by root. Of a process that is not QEMU nothing is printed, and of QEMU only the name of its guest.
"""

import itertools
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

PROCESSES_LIMIT = 20_000
DESCRIPTORS_LIMIT = 4096
COMMAND_LINE_LIMIT_BYTES = 128 * 1024

_NODE = re.compile(r"/dev/bus/usb/([0-9]{3})/([0-9]{3})")
_PROGRAM = re.compile(r"(qemu-system-[\w-]+|qemu-kvm|kvm|qemu)")


def holders(proc: Path = Path("/proc")) -> list[dict[str, object]]:
    """Each device that a QEMU holds: its bus, its number there, and the guest's name; empty if it has none."""
    found: list[dict[str, object]] = []
    for folder in sorted(proc.glob("[0-9]*"))[:PROCESSES_LIMIT]:
        try:
            guest = _guest(folder)
            nodes = [] if guest is None else list(_nodes(folder / "fd"))
        except OSError:
            continue  # It has ended since it was listed.
        found += [{"bus": bus, "device": device, "guest": guest} for bus, device in nodes]
    return found


def _guest(folder: Path) -> str | None:
    """The name of the guest of a QEMU process; None for any other process."""
    with (folder / "cmdline").open("rb") as file:
        words = file.read(COMMAND_LINE_LIMIT_BYTES).decode("utf-8", "replace").split("\0")
    if not _PROGRAM.fullmatch(words[0].rpartition("/")[2]):
        return None
    names = [after for word, after in itertools.pairwise(words) if word.lstrip("-") == "name"]
    return names[-1].partition(",")[0].removeprefix("guest=") if names else ""


def _nodes(descriptors: Path) -> Iterator[tuple[int, int]]:
    """The bus and number of every USB device that a process has open."""
    with os.scandir(descriptors) as entries:
        for _, entry in zip(range(DESCRIPTORS_LIMIT), entries, strict=False):
            try:
                node = _NODE.fullmatch(str(Path(entry.path).readlink()))
            except OSError:
                continue  # It was closed since it was listed.
            if node:
                yield int(node.group(1)), int(node.group(2))


if __name__ == "__main__":
    print(json.dumps(holders()))  # noqa: T201  its output is its purpose
