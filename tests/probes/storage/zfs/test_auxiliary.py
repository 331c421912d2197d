"""Log, cache, special and dedup devices and spares, in the form of zpool-status(8) of OpenZFS 2.1.

The heading `spares` is as a real pool printed it; the others have the form that zpool's source gives them.
"""

import pytest

from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.faults import why_auxiliary, why_single
from watchkeeper.probes.storage.zfs.tables import Device

STATUS = """\
  pool: skerry
 state: ONLINE
config:

\tNAME        STATE     READ WRITE CKSUM
\tskerry      ONLINE       0     0     0
\t  mirror-0  ONLINE       0     0     0
\t    leg0    ONLINE       0     0     0
\t    leg1    ONLINE       0     0     0
\tspecial\t
\t  mirror-1  ONLINE       0     0     0
\t    quick0  ONLINE       0     0     0
\t    quick1  ONLINE       0     0     0
\tdedup\t
\t  quick2    ONLINE       0     0     0
\tlogs\t
\t  quick3    ONLINE       0     0     0
\tcache
\t  quick4    UNAVAIL      0     0     0  cannot open
\tspares
\t  leg9      AVAIL

errors: No known data errors
"""


def devices(text: str = STATUS) -> tuple[Device, ...]:
    """The devices of the one pool."""
    (status,) = zfs_tables.read_status(text)
    return status.devices


def test_roles_and_places() -> None:
    """Each device has the role of the heading above it; those that a role consists of are its top."""
    assert [(each.name, each.role, each.top) for each in devices()] == [
        ("skerry", "", False),
        ("mirror-0", "", True),
        ("leg0", "", False),
        ("leg1", "", False),
        ("mirror-1", "special", True),
        ("quick0", "special", False),
        ("quick1", "special", False),
        ("quick2", "dedup", True),
        ("quick3", "logs", True),
        ("quick4", "cache", True),
        ("leg9", "spares", True),
    ]


def test_a_cache_that_is_gone() -> None:
    """The pool itself is still ONLINE, and says nothing of it."""
    assert why_auxiliary(devices()) == "cache device quick4 is UNAVAIL (cannot open)"


@pytest.mark.parametrize(
    ("line", "state", "reason"),
    [
        ("quick3    ONLINE ", "quick3    FAULTED", "log device quick3 is FAULTED, cache device"),
        ("quick1  ONLINE ", "quick1  REMOVED", "special device quick1 is REMOVED, cache device"),
        ("leg9      AVAIL", "leg9      UNAVAIL", "cache device quick4 is UNAVAIL (cannot open), spare leg9 is UNAVAIL"),
    ],
)
def test_each_role_at_fault(line: str, state: str, reason: str) -> None:
    """By its own name, and never the mirror that it is in."""
    assert why_auxiliary(devices(STATUS.replace(line, state))).startswith(reason)


def test_many_at_fault() -> None:
    """Three by name, the rest by count; a spare that is in use is no fault."""
    text = STATUS.replace("leg9      AVAIL", "\n\t  ".join(f"leg{n}      UNAVAIL" for n in range(5)))
    assert why_auxiliary(devices(text)).endswith("spare leg1 is UNAVAIL and 3 more")
    in_use = STATUS.replace("leg9      AVAIL", "leg9      INUSE     currently in use")
    assert why_auxiliary(devices(in_use)) == why_auxiliary(devices())


def test_devices_without_a_second_copy() -> None:
    """What is lost with each is said; a cache loses nothing."""
    assert why_single(devices()) == (
        "dedup device quick2 has no mirror: if it fails, the whole pool is lost; "
        "log device quick3 has no mirror: if it fails together with the host, the last writes are lost"
    )


def test_a_pool_without_any_redundancy() -> None:
    """Its data has no second copy either: the special device changes nothing."""
    alone = STATUS.replace("  mirror-0  ONLINE", "  leg0      ONLINE")
    assert why_single(devices(alone)) == ""
    assert why_single(()) == ""
