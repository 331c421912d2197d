"""Real records of growth as families: what projects added by commit or by day.

The sources are named in the first line of each file in data/: changelogs as Debian ships them (harfbuzz: lines inserted
by commit; strace, gnupg, mpfr: bytes of the entries of a day), and this repository (bytes of blobs by commit). A case
takes a window of such a record in its own time, on a store that is full somewhere in the window's last third.
"""

from pathlib import Path

import numpy as np

from tests.families.shapes import DAY, HOUR, Case, Family, Floats, Rng, cut

DATA = Path(__file__).parent / "data"

DRAWS = 100_000
"""So many stretches are tried at most."""


def added(name: str) -> tuple[Floats, Floats]:
    """Seconds since its first record, and what was added then."""
    path = DATA / f"{name}.csv"
    grain = float(path.read_text(encoding="utf-8").split("units of ")[1].split(" s ")[0])
    rows = np.loadtxt(path, delimiter=",", comments="#")
    return rows[:, 0] * grain, rows[:, 1]


def window(name: str, rng: Rng, shortest_d: float, longest_d: float, fewest: int, step: float = HOUR) -> Case:
    """A stretch of the record with at least `fewest` events, as the level of a store that it fills."""
    at, size = added(name)
    for _ in range(DRAWS):
        length = rng.uniform(shortest_d, longest_d) * DAY
        begin = rng.uniform(at[0], max(at[-1] - length, at[0] + 1))
        own = (at >= begin) & (at < begin + length)
        if own.sum() < fewest:
            continue
        t = np.arange(0, length, step)
        gained = np.interp(t, at[own] - begin + HOUR, np.cumsum(size[own]), left=0.0)
        stairs = np.concatenate(([0.0], np.cumsum(size[own])))[np.searchsorted(at[own] - begin, t, side="right")]
        whole = stairs[int(rng.uniform(0.67, 0.98) * len(t))]
        if whole <= 0 or np.diff(stairs).max() > 0.25 * whole or gained[len(t) // 3] <= 0:
            continue  # a single addition of a quarter of all is no record of growth
        base = rng.uniform(0.15, 0.4)
        made = cut(name, t, base + (1 - base) * stairs / whole * (1 + 1e-9))
        if made.time[-1] > length / 2:
            return made
    raise AssertionError(f"no stretch of {name} fits")


def commits(rng: Rng) -> Case:
    """Lines inserted into a library by commit, over months."""
    return window("harfbuzz", rng, 60, 200, 60)


def entries_of_a_tracer(rng: Rng) -> Case:
    """Entries of a change log by day: bursts and rests."""
    return window("strace", rng, 100, 300, 40)


def entries_of_a_signer(rng: Rng) -> Case:
    """Entries of another change log by day."""
    return window("gnupg", rng, 150, 360, 40)


def entries_of_a_number_library(rng: Rng) -> Case:
    """Entries of a third change log by day."""
    return window("mpfr", rng, 100, 300, 40)


def own_commits(rng: Rng) -> Case:
    """Blobs of this repository by commit: days."""
    return window("own", rng, 3, 5, 15, 600.0)


FAMILIES: list[Family] = [commits, entries_of_a_tracer, entries_of_a_signer, entries_of_a_number_library, own_commits]
