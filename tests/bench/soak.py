"""Weeks of the watch in simulated time, and what they leave behind: `.venv/bin/python -m tests.bench.soak [folder]`.

Store, rules, keeping, outbox, webhook and page are real (tests/support/soaking.py). Printed for each simulated day:
resident memory, objects that Python's collector knows, open handles, threads, the database's size, its rows. To reach:
memory and handles flat after the first day, the database within its bound. Samples are kept for a week here and the
bound is small, so that both keeping and the bound have much to do within the month.
"""

import argparse
import asyncio
import logging
import tempfile
import time
from pathlib import Path

from tests.support.soaking import DAY_S, Day, soaking

MIB = 2**20


def show(day: Day, took_s: float) -> None:
    """One line of the table."""
    rows = day.rows
    print(
        f"{day.day:4} {day.rss_bytes / MIB:8.1f} {day.objects:9,} {day.handles:8} {day.threads:8}"
        f" {day.database_bytes / MIB:9.2f} {rows['samples']:9,} {rows['hours']:8,} {rows['days']:6,}"
        f" {rows['journal']:8,} {rows['outbox']:7,} {took_s:6.0f}",
        flush=True,
    )


async def soak(folder: Path, days: int, series: int, most_mib: float, kept_days: float) -> None:
    """Live through it and print the table."""
    print(f"{series} series, bound {most_mib:g} MiB, samples kept for {kept_days:g} days")
    print("             objects                     database")
    print(" day  RSS, MiB  of gc   handles  threads       MiB   samples    hours   days  journal  outbox   real s")
    async with soaking(folder, series, samples_s=kept_days * DAY_S, most_bytes=int(most_mib * MIB)) as house:
        began = time.monotonic()
        async for day in house.live(days):
            show(day, time.monotonic() - began)
            began = time.monotonic()
        print(f"{house.read / MIB:.0f} MiB were read from the page")


def main() -> None:
    """Read the words of the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--series", type=int, default=200)
    parser.add_argument("--most", type=float, default=20.0, help="the database's bound in MiB")
    parser.add_argument("--kept", type=float, default=7.0, help="for how many days samples are kept")
    args = parser.parse_args()
    logging.getLogger("watchkeeper").setLevel(logging.ERROR)  # one delivery in ten is put off here, on purpose
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        asyncio.run(soak(Path(folder), args.days, args.series, args.most, args.kept))


if __name__ == "__main__":
    main()
