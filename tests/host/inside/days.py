"""Simulates days in seconds: days.py PLAN. Writes what a disk and all others grow by each day, day after day.

Runs in the machine, with the standard library alone. PLAN is a JSON file: `first` and `last` day, and `writers`, each
with its `path` and with `totals`, the bytes that it has written at the end of day 0, 1, 2 and so on. Only time is
compressed: every byte of a day is written, past the page cache if the target is a device, and is on the store before
the next day begins. Prints JSON: `lived`, the days until the store was full, with the fraction of the last one;
`written`, bytes of each writer; `error`.
"""

import json
import mmap
import os
import sys
from pathlib import Path
from typing import Any

BLOCK = 2**20
STAMP = 4_096
"""Bytes from one stamp to the next: no two blocks are alike, so that the store's tables are as large as possible."""


class Writer:
    """Writes one target from its beginning to its end."""

    def __init__(self, path: str, totals: list[int], day: int) -> None:
        """day: at its end, what is on the target was written."""
        direct = os.O_DIRECT if path.startswith("/dev/") else 0
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | direct, 0o600)
        self._block = mmap.mmap(-1, BLOCK)
        self._block.write(os.urandom(BLOCK))
        self.totals, self.at = totals, totals[day]

    def write_until(self, total: int) -> None:
        """Write until the total is reached. Raises OSError when the store is full."""
        while self.at < total:
            part = memoryview(self._block)[: min(BLOCK, total - self.at)]
            for offset in range(0, len(part), STAMP):
                part[offset : offset + 8] = (self.at + offset).to_bytes(8, "little")
            self.at += os.pwrite(self._fd, part, self.at)

    def settle(self) -> None:
        """Return when everything is on the store."""
        os.fsync(self._fd)


def main(plan: dict[str, Any]) -> dict[str, object]:
    """Simulate the days."""
    day = plan["first"]
    writers = [Writer(each["path"], each["totals"], day) for each in plan["writers"]]
    try:
        while day < plan["last"]:
            for each in writers:
                each.write_until(each.totals[day + 1])
            for each in writers:
                each.settle()
            day += 1
    except OSError as error:
        due = sum(each.totals[day + 1] - each.totals[day] for each in writers)
        done = sum(each.at - each.totals[day] for each in writers)
        return _said(day + done / due, writers, os.strerror(error.errno or 0))
    return _said(day, writers, "")


def _said(lived: float, writers: list[Writer], error: str) -> dict[str, object]:
    return {"lived": lived, "written": [each.at for each in writers], "error": error}


if __name__ == "__main__":
    print(json.dumps(main(json.loads(Path(sys.argv[1]).read_text("utf-8")))))  # noqa: T201  a program's output
