"""Which questions can be asked of a host, and about which stores."""

from dataclasses import replace

import pytest

from tests.planning.houses import HOUSE, POOL, SRV, THIN
from watchkeeper.planning.capacity.question import BadQuestion, Question, candidates, check
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow

GIB = 2**30


@pytest.mark.parametrize(
    ("question", "says"),
    [
        (Question(), "nothing is asked"),
        (Question(disk_bytes=GIB, written_bytes=2 * GIB), "more is written at once than the disk can hold"),
        (Question(memory_bytes=GIB, grows_bytes_per_day=1.0), "growth is given without a disk"),
        (Question(memory_bytes=GIB, reserved=True), "reserved is given without a disk"),
        (Question(enlarges="hide-hob", memory_bytes=GIB), 'there is no guest "hide-hob" here; known: hide-hub'),
        (Question(disk_bytes=GIB, store="pool skery"), 'there is no store "pool skery" here; known: pool skerry'),
        (Question(disk_bytes=GIB, store="vg0/guests", reserved=True), "a thin volume cannot be reserved"),
        (Question(host_disk_bytes=GIB), "choose one of pool skerry, thin pool vg0/guests"),
        (Question(enlarges="ringing-db", disk_bytes=GIB), "the disks of ringing-db are on pool skerry, thin pool"),
        (Question(enlarges="tide-log", disk_bytes=GIB), "the disks of tide-log were not found on any store"),
    ],
)
def test_what_cannot_be_asked_says_why(question: Question, says: str) -> None:
    """The text names what is wrong and what is there."""
    with pytest.raises(BadQuestion, match=says):
        check(question, HOUSE)


def test_a_host_without_stores_and_guests_says_so() -> None:
    """There is nothing to name."""
    bare = HostNow(HOUSE.at, GIB, GIB, 1)
    with pytest.raises(BadQuestion, match="no store that could hold a disk is visible here"):
        check(Question(disk_bytes=GIB), bare)
    with pytest.raises(BadQuestion, match='there is no guest "hide-hub" here; no guest is visible at all'):
        check(Question(enlarges="hide-hub", memory_bytes=GIB), bare)


def test_all_stores_that_may_hold_a_disk_are_looked_at() -> None:
    """Pools are; a file system only where a guest's disk lies on it, or where it is named."""
    assert candidates(Question(disk_bytes=GIB), HOUSE) == (POOL, THIN)
    assert candidates(Question(disk_bytes=GIB, store="/srv"), HOUSE) == (SRV,)
    on_srv = GuestNow("tide-log", disks=(Disk("/srv/tide-log.qcow2", store=SRV.key),))
    assert SRV in candidates(Question(disk_bytes=GIB), replace(HOUSE, guests=(on_srv,)))


def test_a_reserved_disk_needs_a_store_that_can_reserve() -> None:
    """Thin pools fall away."""
    assert candidates(Question(disk_bytes=GIB, reserved=True), HOUSE) == (POOL,)


def test_a_guest_is_enlarged_where_its_disk_lies() -> None:
    """No other store is looked at; with more than one the operator says which."""
    assert candidates(Question(enlarges="hide-hub", disk_bytes=GIB), HOUSE) == (POOL,)
    assert candidates(Question(enlarges="ringing-db", disk_bytes=GIB, store="skerry"), HOUSE) == (POOL,)


def test_more_memory_needs_no_store() -> None:
    """What is not about disks is asked of any host."""
    check(Question(host_memory_bytes=GIB), HOUSE)
    check(Question(enlarges="tide-log", memory_bytes=GIB), HOUSE)
