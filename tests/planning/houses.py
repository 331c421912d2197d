"""A house for the tests of planning: gannet with its pool skerry, a thin pool, a file system and its guests."""

from datetime import UTC, datetime

import numpy as np

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.capacity.growth_pattern import Growth
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, Snapshot, StoreKind, StoreNow, Volume

NOW = datetime(2026, 11, 25, 7, 24, tzinfo=UTC)
GIB, TIB = 2**30, 2**40

POOL = StoreNow(
    SeriesKey("pool skerry", "space"),
    StoreKind.ZFS,
    used_bytes=600 * GIB,
    capacity_bytes=TIB,
    volumes=(
        Volume("skerry/hide-hub", promised_bytes=64 * GIB, own_bytes=24 * GIB),
        Volume("skerry/ringing-db", promised_bytes=200 * GIB, own_bytes=60 * GIB),
        Volume("skerry/nest-cams", promised_bytes=700 * GIB, own_bytes=460 * GIB),
    ),
    snapshots=(Snapshot("skerry/hide-hub", "before-winter", NOW, 6 * GIB),),
)
THIN = StoreNow(
    SeriesKey("thin pool vg0/guests", "data"),
    StoreKind.THIN,
    used_bytes=50 * GIB,
    capacity_bytes=200 * GIB,
    volumes=(Volume("vg0/ringing-db", promised_bytes=100 * GIB, own_bytes=50 * GIB),),
)
SRV = StoreNow(SeriesKey("file system /srv", "space"), StoreKind.FILES, used_bytes=10 * GIB, capacity_bytes=100 * GIB)
HOUSE = HostNow(
    at=NOW,
    memory_bytes=16 * GIB,
    available_bytes=8 * GIB,
    cpus=4,
    stores=(POOL, THIN, SRV),
    guests=(
        GuestNow("hide-hub", True, 2 * GIB, 2, (Disk("/dev/zvol/skerry/hide-hub", 64 * GIB, POOL.key),)),
        GuestNow(
            "ringing-db",
            True,
            4 * GIB,
            2,
            (Disk("/dev/zvol/skerry/ringing-db", 200 * GIB, POOL.key), Disk("/dev/vg0/ringing-db", None, THIN.key)),
        ),
        GuestNow("nest-cams", True, 2 * GIB, 2, (Disk("/dev/zvol/skerry/nest-cams", 700 * GIB, POOL.key),)),
        GuestNow("tide-log", False, 1 * GIB, 1, (Disk("/mnt/tide-log.raw"),)),
    ),
)


def straight_growth(bytes_per_day: float, error: float = 0.0) -> Growth:
    """A growth as even as a line; error: of the slope, a day."""
    return Growth(bytes_per_day, error, 1 / 24, np.zeros(500), np.zeros(501), np.arange(400), 72, recorded_d=60.0)
