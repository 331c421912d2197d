"""The sentences of an answer: plain, with their figures, and never more exact than the estimate."""

from dataclasses import replace

import pytest

from tests.planning.houses import GIB, HOUSE, POOL, THIN, TIB, straight_growth
from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import CapacityAnswer, Fit, Lack, LevelNow, Limits, Peak, Reason, Recorded
from watchkeeper.planning.capacity.decide import answer
from watchkeeper.planning.capacity.futures import TimeToFull
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.host_state import GuestNow, HostNow, Volume

PEAK = Peak(9 * GIB, 30.0)
HUB = Question(disk_bytes=32 * GIB, memory_bytes=2 * GIB, cpus=2, store="skerry")


def ask(question: Question, host: HostNow = HOUSE, gib_per_day: float | None = 4.0) -> CapacityAnswer:
    """Answer it; None: nothing is recorded."""
    growth = None if gib_per_day is None else straight_growth(gib_per_day * GIB)
    record = {key: Recorded(growth, 60.0 if growth else 2.0) for key in (POOL.key, THIN.key)}
    return answer(question, host, record, PEAK, Limits())


def test_a_yes_says_where_and_for_how_long() -> None:
    """The first sentence is the answer."""
    assert wording.verdict(ask(HUB)) == (
        "Yes: a guest with 32 GiB of disk, 2 GiB of memory and 2 CPUs fits. Pool skerry has space now and in 90 days: "
        "full in about 105 days; memory and CPUs suffice."
    )
    assert wording.verdict(ask(Question(memory_bytes=GIB))) == (
        "Yes: a guest with 1 GiB of memory fits. Memory suffices."
    )


def test_a_no_says_every_reason() -> None:
    """Of the store, of memory, of CPUs."""
    asked = Question(disk_bytes=480 * GIB, reserved=True, memory_bytes=9 * GIB, cpus=5, store="skerry")
    assert wording.verdict(ask(asked)) == (
        "No: a guest with 480 GiB of reserved disk, 9 GiB of memory and 5 CPUs does not fit. Pool skerry is 71 GiB "
        "short now; guests would be allocated 3 GiB more memory than the host can give; at the recorded peak of use "
        "the host would lack 2 GiB of memory; the guest would have more CPUs than the host (by 1), which gains nothing."
    )


def test_a_guest_that_changes_nothing() -> None:
    """The store is full at the same time without it, so the guest is not the reason; a larger store may be."""
    found = ask(HUB, gib_per_day=20.0)
    (store,) = found.stores
    assert [each.lack for each in store.reasons] == [Lack.SOON]
    same = replace(found, stores=(replace(store, before=store.after),))
    assert wording.verdict(same).endswith(f". {wording.SAME}")
    earlier = replace(store, before=TimeToFull(300.0, 301.0, 302.0, 0.0, None))
    assert wording.SAME not in wording.verdict(replace(found, stores=(earlier,)))
    assert wording.SAME not in wording.verdict(ask(Question(memory_bytes=900 * GIB)))
    larger = replace(same, question=replace(same.question, host_disk_bytes=GIB))
    assert wording.SAME not in wording.verdict(larger)


def test_what_is_not_known_says_what_is_missing() -> None:
    """How much record there is and how much it takes."""
    assert wording.verdict(ask(HUB, gib_per_day=None)) == (
        "Cannot tell whether a guest with 32 GiB of disk, 2 GiB of memory and 2 CPUs fits. Pool skerry has space now; "
        "a forecast needs 7 days of history (so far: 2 days)."
    )


@pytest.mark.parametrize(
    ("question", "says"),
    [
        (Question(enlarges="hide-hub", disk_bytes=16 * GIB), "hide-hub with 16 GiB of disk more"),
        (
            Question(enlarges="hide-hub", memory_bytes=GIB, cpus=1, host_memory_bytes=8 * GIB),
            "with 8 GiB of memory more in the host, hide-hub with 1 GiB of memory and 1 CPU more",
        ),
        (
            Question(host_disk_bytes=TIB, host_memory_bytes=16 * GIB),
            "with 1 TiB of disk and 16 GiB of memory more in the host, what is there today",
        ),
    ],
)
def test_what_is_asked_is_said_again(question: Question, says: str) -> None:
    """Enlarging, and changes of the host."""
    assert wording.what_is_asked(question) == says


@pytest.mark.parametrize(
    ("found", "says"),
    [
        (Reason(Lack.NOW, short=GIB), "pool skerry is 1 GiB short now"),
        (Reason(Lack.SOON, within_d=88.4), "pool skerry may be full in 88 days; it must last 90 days"),
        (Reason(Lack.SOON, within_d=0.5), "pool skerry may be full in about 12 h; it must last 90 days"),
        (Reason(Lack.SOON, within_d=0.0), "pool skerry may be full now; it must last 90 days"),
        (
            Reason(Lack.METADATA_SOON, within_d=16.0),
            "the metadata of pool skerry may be full in 16 days; it must last 90 days",
        ),
        (
            Reason(Lack.PROMISED, short=23 * GIB, limit_share=1.5),
            "allocations on pool skerry would be 23 GiB above the limit of 150 %",
        ),
        (Reason(Lack.RECORD), "pool skerry has space now; a forecast needs 7 days of history (so far: none)"),
        (
            Reason(Lack.RECORD, recorded_d=60),
            "pool skerry has space now; a forecast needs 7 days of history without long gaps",
        ),
        (
            Reason(Lack.GUESTS_UNKNOWN),
            "the memory of some guests is not known; give watchkeeper access to their monitors",
        ),
    ],
)
def test_each_reason_has_its_figure(found: Reason, says: str) -> None:
    """And the store's name."""
    assert wording.reason(found, "pool skerry") == says


@pytest.mark.parametrize(
    ("ends", "says"),
    [
        ((95.0, 106.0, 118.0), "full in about 105 days (95 to 120 days)"),
        ((106.0, 106.0, 106.0), "full in about 105 days"),
        ((3.0, 10.0, 200.0), "full in about 10 days (3 days to 7 months)"),
        ((200.0, 400.0, None), "full in about 13 months (7 months to over 10 years)"),
        ((400.0, None, None), "probably not full within 10 years, at the earliest in about 13 months"),
        ((None, None, None), "not full within 10 years"),
        ((0.0, 0.0, 0.0), "full immediately"),
        ((0.0, 12.0, 14.0), "full in about 12 days (now to 14 days)"),
    ],
)
def test_a_time_has_its_interval(ends: tuple[float | None, float | None, float | None], says: str) -> None:
    """A forecast is an estimate; the interval is part of the answer."""
    assert wording.full(TimeToFull(*ends, never_share=0.0, straight_d=None)) == says


def test_no_record_has_no_time() -> None:
    """Nothing is said of an end."""
    assert wording.full(None) == "time to full not known"


def test_the_straight_line_and_the_futures_that_never_fill() -> None:
    """Beside the likely end."""
    found = TimeToFull(10.0, 20.0, None, never_share=0.12, straight_d=22.0)
    assert wording.straight(found) == "in about 22 days"
    assert wording.straight(replace(found, straight_d=None)) == "not within 10 years"
    assert wording.straight(replace(found, straight_d=0.0)) == "now"
    assert wording.never(found) == "not full within 10 years in 12 % of the simulated futures"
    assert wording.never(replace(found, never_share=0.0)) == ""


@pytest.mark.parametrize(
    ("at", "says"),
    [
        (LevelNow(0, Fit.YES, 600.0 * GIB, 600.0 * GIB), "yes, 600 GiB"),
        (LevelNow(30, Fit.YES, 600.0 * GIB, 640.0 * GIB), "yes, 600 GiB, up to 640 GiB"),
        (LevelNow(30, Fit.NO, 2.0 * TIB, 2.0 * TIB, 12.0 * GIB), "no, 12 GiB short"),
        (LevelNow(365, Fit.NO, 123.0 * TIB, 130.0 * TIB, 121.0 * TIB), "no, full long before"),
        (LevelNow(30, Fit.NO, 900.0 * GIB, 2.0 * TIB), "no, 900 GiB, up to 2 TiB"),
        (LevelNow(30, Fit.UNKNOWN, None, None), "not known"),
    ],
)
def test_a_day_says_how_it_stands(at: LevelNow, says: str) -> None:
    """The likely level, and what one future in twenty passes."""
    assert wording.fits_on_day(at) == says


def test_days_have_names() -> None:
    """Now is no number of days."""
    assert [wording.day_name(day) for day in (0, 30)] == ["now", "in 30 days"]


def test_overcommit_and_the_largest_are_told_with_their_criterion() -> None:
    """Before and after, of the store, of memory and of CPUs."""
    found = ask(HUB)
    (pool,) = found.stores
    assert wording.overcommit(pool) == "996 GiB of 1 TiB: 97 % (before: 94 %)"
    assert wording.growth(pool) == "growing 4 GiB a day (history: 60 days)"
    assert wording.largest(pool) == (
        "62 GiB if it is filled at once and the store must last 90 days; "
        "3 GiB if the store must hold every allocation in full"
    )
    assert wording.memory(found.memory) == [
        "allocated 11 GiB of 16 GiB: 69 % (before: 56 %)",
        "the host itself needs 1 GiB; peak use 9 GiB in 30 days",
        "largest that fits: 6 GiB",
    ]
    assert wording.cpus(found.cpu) == ["9 vCPUs on 4 CPUs of the host: 2.25 for each (before: 1.75)"]


def test_what_is_not_known_is_told_beside_the_figures() -> None:
    """No record, no peak, a guest that could not be asked, a level that shrinks."""
    host = replace(HOUSE, guests=(*HOUSE.guests, GuestNow("wind-mast")))
    found = answer(HUB, host, {}, None, Limits())
    (pool,) = found.stores
    assert wording.growth(pool) == "a forecast needs 7 days of history (so far: none)"
    assert (
        wording.largest(pool) == "3 GiB if the store must hold every allocation in full; by forecast: cannot tell yet"
    )
    assert "peak use 8 GiB now (no history yet)" in wording.memory(found.memory)[1]
    assert wording.memory(found.memory)[-1] == "memory not known for wind-mast"
    assert wording.cpus(found.cpu)[-1] == "CPUs not known for wind-mast"
    assert wording.growth(ask(HUB, gib_per_day=-2.0).stores[0]) == "shrinking 2 GiB a day (history: 60 days)"


KEPT = (
    "Snapshots keep overwritten data; that comes on top of the allocation. A snapshot on the same pool is not a backup."
)


KEPT = (
    "Snapshots keep overwritten data; that comes on top of the allocation. A snapshot on the same pool is not a backup."
)


def test_cautions_say_what_a_keeper_must_know() -> None:
    """That it is an estimate; what is missing if all is written; what nobody knows; that a snapshot is no backup."""
    assert wording.cautions(ask(HUB)) == [
        "A forecast is an estimate; its range is part of the answer.",
        ("If every disk on pool skerry were full, 29 GiB would be missing. A full pool stops every guest on it."),
        "The growth of the disk is not stated, so the forecast does not include it.",
        KEPT,
    ]


def test_cautions_fit_what_is_asked() -> None:
    """A reserved disk, volumes without a limit, a disk for the host; nothing of the sort, nothing said."""
    bare = replace(POOL, snapshots=(), volumes=(Volume("skerry/photos"),))
    two = replace(bare, volumes=(*bare.volumes, Volume("skerry/sounds")))
    reserved = replace(HUB, reserved=True)
    assert wording.cautions(ask(reserved, replace(HOUSE, stores=(two,))))[1:] == [
        "2 volumes have no limit but the store: they are not part of the allocation.",
        "A snapshot of a reserved volume needs free space for everything that the volume holds at that time.",
        KEPT,
    ]
    grows = replace(HUB, grows_bytes_per_day=1.0, host_disk_bytes=TIB)
    assert wording.cautions(ask(grows, replace(HOUSE, stores=(bare,))))[1:] == [
        "1 volume has no limit but the store: it is not part of the allocation.",
        "Give the usable bytes of the new disk: a mirror of two gives one, and ZFS keeps a part for itself.",
    ]
    assert wording.cautions(ask(Question(cpus=1))) == []
    files = replace(reserved, store="/srv")
    assert not any("reserved volume" in each for each in wording.cautions(ask(files)))


def test_a_disk_for_the_host_alone_says_nothing_of_memory() -> None:
    """Only what is asked is answered in the first sentence."""
    assert wording.verdict(ask(Question(host_disk_bytes=TIB, store="skerry"))) == (
        "Yes: with 1 TiB of disk more in the host, what is there today fits. Pool skerry has space now and in 90 days: "
        "full in about 12 months."
    )
