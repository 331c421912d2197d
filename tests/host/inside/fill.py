"""Fills one store at a constant rate until a write fails: python3 fill.py HOW TARGET PER_SECOND REPORT

Runs in the machine, with the standard library alone. HOW is `file` (bytes appended to a file), `device` (bytes written
past the page cache to a block device), `touch` (blocks far apart, on every device that matches TARGET: each of them
copies part of a snapshot's tree) or `files` (small files in a folder). REPORT is a JSON file with the time at which the
write in progress began, and at the end when and how one failed: it shows a write that never returns too.
"""

import glob
import json
import mmap
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

STEP_S = 0.5
KIB, MIB = 2**10, 2**20

SMALL_FILE = 2000
"""Bytes of a small file: below the 2048 of btrfs's max_inline, so that all of it lies in metadata."""

APART = 8 * MIB
"""Between two blocks that are touched: 128 chunks of 64 KiB. A leaf of a thin pool's tree that was filled in order maps
more of them than that, so no leaf is missed."""


def file(path: str, per_second: float) -> Iterator[None]:
    """Append bytes that no compression makes smaller."""
    block = os.urandom(int(per_second * STEP_S))
    with Path(path).open("ab", buffering=0) as opened:
        while True:
            yield
            rest = memoryview(block)
            while rest:
                rest = rest[opened.write(rest) :]


def device(path: str, per_second: float) -> Iterator[None]:
    """Write one block after the other, each of a step's share and aligned as O_DIRECT requires."""
    size = int(per_second * STEP_S) // (64 * KIB) * 64 * KIB
    block, fd = mmap.mmap(-1, size), os.open(path, os.O_WRONLY | os.O_DIRECT)
    while True:
        yield
        os.write(fd, block)


def touch(pattern: str, _per_second: float) -> Iterator[None]:
    """Write 4 KiB here and there on one device after the other, one write a step."""
    block = mmap.mmap(-1, 4 * KIB)
    for path in sorted(glob.glob(pattern)):  # noqa: PTH207  what is matched is a whole path
        fd = os.open(path, os.O_WRONLY | os.O_DIRECT)
        for offset in range(0, os.lseek(fd, 0, os.SEEK_END), APART):
            yield
            os.pwrite(fd, block, offset)
        os.close(fd)
    raise OSError("every block was written, and nothing was full")


def files(folder: str, per_second: float) -> Iterator[None]:
    """Create small files with numbers as names."""
    made = 0
    while True:
        yield
        for _ in range(int(per_second * STEP_S)):
            Path(folder, f"{made:07d}").write_bytes(os.urandom(SMALL_FILE))
            made += 1


def main(how: str, target: str, per_second: float, report: Path) -> None:
    """Write at the rate, and report it."""
    work = {"file": file, "device": device, "touch": touch, "files": files}[how](target, per_second)
    step_s = 1 / per_second if how == "touch" else STEP_S
    began_at = time.time()
    said: dict[str, object] = {"began_at": began_at, "failed_at": None, "error": ""}
    steps = 0
    try:
        while True:
            next(work)
            time.sleep(max(0.0, began_at + steps * step_s - time.time()))
            said |= {"trying_at": time.time(), "steps": steps}
            _write(report, said)
            steps += 1
    except OSError as error:
        _write(report, said | {"failed_at": time.time(), "error": str(error)})


def _write(report: Path, said: dict[str, object]) -> None:
    """Replace the file at once: it is read while it is written."""
    part = report.with_suffix(".part")
    part.write_text(json.dumps(said), encoding="ascii")
    part.replace(report)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]), Path(sys.argv[4]))
