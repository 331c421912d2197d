"""Whether there is room, worked by hand: every step of an example stands beside its check.

The growth in here is as even as a line, so that all futures but for a stated error of the slope are one, and paper and
pencil are enough. What is drawn is tested in test_futures.py.
"""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.planning.houses import GIB, HOUSE, NOW, POOL, SRV, THIN, TIB, straight_growth
from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.capacity.answer import (
    CapacityAnswer,
    Fit,
    Lack,
    Limits,
    Metadata,
    Peak,
    Recorded,
    StoreAnswer,
)
from watchkeeper.planning.capacity.decide import answer
from watchkeeper.planning.capacity.question import BadQuestion, Question
from watchkeeper.planning.host_state import GuestNow, HostNow, StoreKind, StoreNow, Volume

GROWTH = {POOL.key: Recorded(straight_growth(4 * GIB), 60.0), THIN.key: Recorded(straight_growth(0.0), 60.0)}
PEAK = Peak(9 * GIB, 30.0)
HUB = Question(disk_bytes=32 * GIB, memory_bytes=2 * GIB, cpus=2)
"""The usual smallest size of a house hub: 2 vCPUs, 2 GiB, 32 GiB. Practice, without a source."""


def ask(question: Question, host: HostNow = HOUSE, limits: Limits | None = None) -> CapacityAnswer:
    """Answer it with the growth of above."""
    return answer(question, host, GROWTH, PEAK, limits or Limits())


def on_pool(question: Question, host: HostNow = HOUSE, limits: Limits | None = None) -> StoreAnswer:
    """What becomes of the pool."""
    found = {each.key: each for each in ask(question, host, limits).stores}
    return found[POOL.key]


def lacks(found: StoreAnswer) -> list[Lack]:
    """Why not."""
    return [each.lack for each in found.reasons]


def test_a_pool_that_grows_by_hand() -> None:
    """1 TiB, 600 GiB used, 4 GiB a day: 424 GiB are free and last for 424 / 4 = 106 days.

    The hub's disk is thin and nothing is stated of it: as things grow it changes nothing, and after 30 and 90 days the
    level is 600 + 120 = 720 and 600 + 360 = 960 GiB. After 365 days it would be 600 + 1460 = 2060: 1036 GiB short.
    """
    found = on_pool(HUB)
    assert found.free_bytes == 424 * GIB
    assert found.before is not None
    assert found.after is not None
    assert found.before.straight_d == pytest.approx(106.0)
    assert found.before.likely_d == pytest.approx(106.0, abs=1 / 24)
    assert found.after == found.before
    assert [each.fit for each in found.growing] == [Fit.YES, Fit.YES, Fit.YES, Fit.NO]
    assert [each.level_bytes for each in found.growing] == [each * GIB for each in (600, 720, 960, 2060)]
    assert [each.short_bytes for each in found.growing] == [0, 0, 0, 1036 * GIB]
    assert found.fit is Fit.YES


def test_a_stated_growth_brings_the_end_nearer_until_the_disk_is_full() -> None:
    """With 1 GiB a day besides: the 32 GiB are written after 32 days, and with a 32nd for tables take 33.

    Then 600 + 32 * 4 + 33 = 761 GiB are used. The 263 that are left last for 65.75 days at 4 a day: 97.75 in all. By
    day 90: 761 + 58 * 4 = 993 GiB.
    """
    found = on_pool(replace(HUB, grows_bytes_per_day=float(GIB)))
    assert found.after is not None
    assert found.after.straight_d == pytest.approx(97.75)
    assert found.after.likely_d == pytest.approx(97.75, abs=1 / 24)
    assert found.growing[2].level_bytes == pytest.approx(993 * GIB)
    assert found.fit is Fit.YES


def test_what_is_written_at_once_is_missing_from_the_first_day() -> None:
    """An image of 32 GiB and its tables are 33: 424 - 33 = 391 GiB last for 97.75 days.

    One of 64 GiB: 66 with its tables, and 358 GiB last for 89.5 days, which is too few.
    """
    some = on_pool(Question(disk_bytes=80 * GIB, written_bytes=32 * GIB))
    assert some.after is not None
    assert some.after.straight_d == pytest.approx(97.75)
    assert some.growing[0].level_bytes == 633 * GIB
    much = on_pool(Question(disk_bytes=80 * GIB, written_bytes=64 * GIB))
    assert lacks(much) == [Lack.SOON]
    assert much.reasons[0].within_d == pytest.approx(89.5, abs=1 / 24)
    assert much.fit is Fit.NO


def test_promises_by_hand() -> None:
    """Promised are 64 + 200 + 700 = 964 GiB of 1024, which is 94 %; with 32 more 996, which is 97 %.

    Of the promises 24 + 60 + 460 = 544 are held, so 420 are outstanding. Written whole, and with a 32nd for the new
    disk's tables, the pool holds 600 + 420 + 33 = 1053 GiB: 29 GiB are missing. Without the new disk 4 GiB would be
    left: 3 GiB and their tables keep all promises.
    """
    found = on_pool(HUB)
    assert (found.promised_before_bytes, found.promised_bytes) == (964 * GIB, 996 * GIB)
    assert found.overcommit_before_share == pytest.approx(964 / 1024)
    assert found.overcommit_share == pytest.approx(996 / 1024)
    assert found.outstanding_bytes == 420 * GIB
    assert found.written[0].level_bytes == 1053 * GIB
    assert found.written[0].short_bytes == 29 * GIB
    assert [each.fit for each in found.written] == [Fit.NO] * 4
    assert found.largest_kept_bytes == 3 * GIB


def test_the_largest_disk_by_hand() -> None:
    """Written whole at once and not full within 90 days: 424 - 90 * 4 = 64 GiB are to spare.

    All that is not full after 90 days of growth is less than that: 62 GiB, in whole GiB, are 63.94 with their tables.
    The next one does not fit.
    """
    found = on_pool(HUB)
    assert found.largest_bytes == 62 * GIB
    assert on_pool(Question(disk_bytes=62 * GIB, written_bytes=62 * GIB)).fit is Fit.YES
    assert on_pool(Question(disk_bytes=63 * GIB, written_bytes=63 * GIB)).fit is Fit.NO


def test_an_unsure_trend_makes_the_early_end_decide() -> None:
    """4 GiB a day with an error of 0.5: one future in twenty grows by 4.82 a day or more, and is full in 88 days.

    424 / (4 + 1.645 * 0.5) = 87.9: no, although the likely end is 106 days away.
    """
    record = {POOL.key: Recorded(straight_growth(4 * GIB, 0.5 * GIB), 60.0)}
    (found,) = answer(replace(HUB, store="pool skerry"), HOUSE, record, PEAK, Limits()).stores
    assert found.after is not None
    assert found.after.likely_d == pytest.approx(106, rel=0.01)
    assert found.after.earliest_d == pytest.approx(87.9, rel=0.01)
    assert lacks(found) == [Lack.SOON]


def test_a_reserved_volume_takes_its_whole_size_at_once() -> None:
    """64 GiB and a thirty-second of it for its tables are 66 GiB: 424 - 66 = 358 last for 89.5 days. That is too few.

    A sparse one of the same size takes nothing at first, and fits.
    """
    reserved = on_pool(Question(disk_bytes=64 * GIB, reserved=True))
    assert (reserved.added_now_bytes, reserved.added_bytes) == (66 * GIB, 66 * GIB)
    assert reserved.after is not None
    assert reserved.after.straight_d == pytest.approx(89.5)
    assert reserved.fit is Fit.NO
    assert reserved.largest_bytes == 62 * GIB  # 62 * 33 / 32 = 63.9
    assert on_pool(Question(disk_bytes=64 * GIB)).fit is Fit.YES


def test_what_a_volume_has_reserved_is_used_already() -> None:
    """A volume of 64 GiB that holds 24 and has 42 set aside for it can take no more of the pool than it has."""
    kept = replace(POOL, volumes=(Volume("skerry/hide-hub", 64 * GIB, 24 * GIB, set_aside_bytes=42 * GIB),))
    found = on_pool(HUB, replace(HOUSE, stores=(kept,)))
    assert found.outstanding_bytes == 0
    assert found.written[0].level_bytes == 633 * GIB


def test_what_has_no_limit_is_no_promise() -> None:
    """A dataset without a quota is counted as such, and what is not known to be held as not held."""
    free = replace(POOL, volumes=(Volume("skerry/photos"), Volume("skerry/tide-log", 10 * GIB)))
    found = on_pool(HUB, replace(HOUSE, stores=(free,)))
    assert (found.unbounded, found.outstanding_bytes, found.promised_before_bytes) == (1, 10 * GIB, 10 * GIB)


def test_it_does_not_fit_now() -> None:
    """A reserved 480 GiB are 495 with their tables: 600 + 495 = 1095, which is 71 GiB more than 1 TiB."""
    found = on_pool(Question(disk_bytes=480 * GIB, reserved=True))
    assert lacks(found) == [Lack.NOW]
    assert found.reasons[0].short == 71 * GIB
    assert [each.fit for each in found.growing] == [Fit.NO] * 4


def test_a_guest_is_enlarged_on_its_own_store() -> None:
    """16 GiB more for hide-hub: promised are 980 of 1024 GiB. 600 + 420 + 16.5 = 1036.5, 12.5 GiB short."""
    found = ask(Question(enlarges="hide-hub", disk_bytes=16 * GIB, memory_bytes=GIB, cpus=1))
    assert [each.key for each in found.stores] == [POOL.key]
    assert found.stores[0].promised_bytes == 980 * GIB
    assert found.stores[0].written[0].short_bytes == 12.5 * GIB
    assert found.memory.promised_bytes == 10 * GIB
    assert found.cpu.vcpus == 8
    assert found.fit is Fit.YES


def test_a_disk_for_the_host_by_hand() -> None:
    """1 TiB more: 1448 GiB are free, for 362 days instead of 106. Promised are 964 of 2048: 47 instead of 94 %."""
    found = ask(Question(host_disk_bytes=TIB, store="skerry"))
    (pool,) = found.stores
    assert pool.before is not None
    assert pool.after is not None
    assert pool.before.straight_d == pytest.approx(106)
    assert pool.after.straight_d == pytest.approx(362)
    assert pool.overcommit_share == pytest.approx(964 / 2048)
    assert pool.added_bytes == 0
    assert found.fit is Fit.YES
    assert pool.largest_bytes == 1055 * GIB  # 1448 - 360 = 1088, and 1055 * 33 / 32 = 1087.97


def test_the_best_store_comes_first() -> None:
    """The thin pool does not grow: it fits there the longest. Where it has no room the pool is first."""
    found = ask(HUB)
    assert [each.key for each in found.stores] == [THIN.key, POOL.key]
    full = replace(THIN, used_bytes=THIN.capacity_bytes + 1)
    assert [each.key for each in ask(HUB, replace(HOUSE, stores=(full, POOL))).stores] == [POOL.key, THIN.key]


def test_a_limit_on_promises_decides() -> None:
    """964 + 32 = 996 GiB of a limit of 0.95 * 1024 = 972.8: 23.2 too much. A limit of 1.5 says nothing."""
    found = on_pool(HUB, limits=Limits({StoreKind.ZFS: 0.95}))
    assert lacks(found) == [Lack.PROMISED]
    assert found.reasons[0].short == pytest.approx(23.2 * GIB)
    assert on_pool(HUB, limits=Limits({StoreKind.ZFS: 1.5})).fit is Fit.YES


# Records that are too short, and metadata ----------------------------------------------------------------------------


def test_without_a_record_only_now_is_answered() -> None:
    """There is room now; what comes later is not known, and neither is the whole. What must fail now is a no."""
    found = answer(replace(HUB, store="skerry"), HOUSE, {POOL.key: Recorded(None, 2.0)}, PEAK, Limits())
    (pool,) = found.stores
    assert found.fit is Fit.UNKNOWN
    assert [each.fit for each in pool.growing] == [Fit.YES, Fit.UNKNOWN, Fit.UNKNOWN, Fit.UNKNOWN]
    assert [each.fit for each in pool.written] == [Fit.NO] * 4
    assert (pool.before, pool.after, pool.largest_bytes) == (None, None, None)
    assert pool.largest_kept_bytes == 3 * GIB
    too_large = Question(disk_bytes=480 * GIB, reserved=True, store="skerry")
    (pool,) = answer(too_large, HOUSE, {}, PEAK, Limits()).stores
    assert pool.fit is Fit.NO
    assert [each.fit for each in pool.growing] == [Fit.NO] * 4


def test_a_missing_record_does_not_hide_a_limit_that_is_passed() -> None:
    """What is known to be too much is a no, however short the record."""
    (pool,) = answer(replace(HUB, store="skerry"), HOUSE, {}, PEAK, Limits({StoreKind.ZFS: 0.5})).stores
    assert lacks(pool) == [Lack.RECORD, Lack.PROMISED]
    assert pool.fit is Fit.NO


def with_metadata(used: float, growth_per_day: float | None) -> StoreAnswer:
    """The thin pool with 1 GiB of metadata, so much of it used, and a guest that writes 32 GiB at once.

    Besides, 16 MiB that the kernel keeps back.
    """
    growth = None if growth_per_day is None else straight_growth(growth_per_day)
    kept = GIB // 64
    record = {THIN.key: Recorded(straight_growth(0.0), 60.0, Metadata(used * GIB + kept, GIB + kept, growth))}
    question = Question(disk_bytes=32 * GIB, written_bytes=32 * GIB, store="vg0/guests")
    (found,) = answer(question, HOUSE, record, PEAK, Limits()).stores
    return found


def test_metadata_may_be_full_before_the_data() -> None:
    """0.6 of 1 GiB for 50 GiB of data: 32 GiB more take 0.384, and 0.016 are left. At 0.001 a day they last 16 days."""
    found = with_metadata(0.6, 0.001 * GIB)
    assert lacks(found) == [Lack.METADATA_SOON]
    assert found.reasons[0].within_d == pytest.approx(16, abs=1 / 24)
    assert [each.fit for each in found.growing] == [Fit.YES, Fit.NO, Fit.NO, Fit.NO]


def test_metadata_bounds_the_largest_disk_and_the_wholly_written() -> None:
    """0.6 GiB for 50 GiB: the 0.4 that are left are enough for 33.3 GiB of data, so 33 GiB are the largest.

    With every promise kept, 50 more of ringing-db's and 32 of the new one, 0.6 * 132 / 50 = 1.58 GiB are needed.
    """
    found = with_metadata(0.6, 0.0)
    assert found.fit is Fit.YES
    assert found.largest_bytes == 33 * GIB
    assert [each.fit for each in found.written] == [Fit.NO] * 4
    assert found.written[0].short_bytes == 0


def test_a_store_that_is_nearly_empty_tells_nothing_of_metadata() -> None:
    """As measured: a new pool of 1,300 MiB with 2 MiB of metadata: 63 of 512 blocks are used, and 51 of them kept back.

    With 1 MiB of data the other 12 blocks would be 48 KiB a MiB, and 1 GiB would need 48 MiB. They count for a 16th
    of the pool, 81 MiB: 0.6 KiB a MiB, so that 1 GiB needs 591 KiB of 1,796. In truth it took 244 KiB.
    """
    mib, block = 2**20, 4096
    new = replace(THIN, used_bytes=mib, capacity_bytes=1300 * mib, volumes=())
    record = {new.key: Recorded(straight_growth(0.0), 60.0, Metadata(63 * block, 512 * block, straight_growth(0.0)))}
    question = Question(disk_bytes=GIB, written_bytes=GIB, store="vg0/guests")
    (found,) = answer(question, replace(HOUSE, stores=(new,)), record, PEAK, Limits()).stores
    assert (found.fit, found.largest_bytes) == (Fit.YES, GIB)
    assert [each.fit for each in found.written] == [Fit.YES] * 4


def test_metadata_without_a_record_hinders_nothing() -> None:
    """What is not known of it is not held against the store; neither is one that has used none."""
    assert with_metadata(0.1, None).fit is Fit.YES
    assert with_metadata(0.0, 0.0).largest_bytes == 149 * GIB


# Memory and CPUs -----------------------------------------------------------------------------------------------------


def test_memory_by_hand() -> None:
    """Guests are promised 2 + 4 + 2 + 1 = 9 GiB of 16, tide-log too, which stands still.

    At the peak 9 GiB were in use, 1 more than the 8 of the running ones: the host's own, and its floor is 1. So
    16 - 1 - 9 = 6 may still be promised, and 16 - 9 = 7 were free at the peak: the largest guest has 6 GiB.
    """
    found = ask(Question(memory_bytes=6 * GIB)).memory
    assert (found.promised_before_bytes, found.promised_bytes, found.own_bytes) == (9 * GIB, 15 * GIB, GIB)
    assert found.largest_bytes == 6 * GIB
    assert found.fit is Fit.YES
    assert found.overcommit_before_share == pytest.approx(9 / 16)
    assert found.overcommit_share == pytest.approx(15 / 16)
    more = ask(Question(memory_bytes=7 * GIB))
    assert [(each.lack, each.short) for each in more.memory.reasons] == [(Lack.MEMORY_PROMISED, GIB)]
    assert more.fit is Fit.NO


def test_a_peak_of_use_speaks_against_it() -> None:
    """At the peak 13 GiB were in use: the host's own are 13 - 8 = 5. 16 - 5 - 9 = 2 may be promised; 3 were free."""
    found = answer(Question(memory_bytes=4 * GIB), HOUSE, {}, Peak(13 * GIB, 30.0), Limits())
    assert [(each.lack, each.short) for each in found.memory.reasons] == [
        (Lack.MEMORY_PROMISED, 2 * GIB),
        (Lack.MEMORY_IN_USE, GIB),
    ]
    assert found.memory.largest_bytes == 2 * GIB


def test_memory_for_the_host() -> None:
    """With 16 GiB more, 32 - 1 - 9 = 22 may be promised."""
    found = ask(Question(host_memory_bytes=16 * GIB))
    assert (found.memory.total_bytes, found.memory.largest_bytes) == (32 * GIB, 22 * GIB)
    assert (found.fit, found.stores) == (Fit.YES, ())


def test_a_keeper_may_promise_more_than_there_is() -> None:
    """With memory_limit at 1.5: 24 - 1 - 9 = 14 may be promised, but 7 were free at the peak."""
    found = ask(Question(memory_bytes=8 * GIB), limits=Limits(memory_share=1.5)).memory
    assert [each.lack for each in found.reasons] == [Lack.MEMORY_IN_USE]
    assert found.largest_bytes == 7 * GIB


def test_a_guest_of_unknown_memory_keeps_it_from_being_known() -> None:
    """Not known, unless what is known is too much already; and not asked, it hinders nothing."""
    host = replace(HOUSE, guests=(*HOUSE.guests, GuestNow("wind-mast")))
    assert ask(Question(memory_bytes=GIB), host).fit is Fit.UNKNOWN
    assert ask(Question(memory_bytes=9 * GIB), host).fit is Fit.NO
    found = ask(Question(cpus=1), host)
    assert found.fit is Fit.YES
    assert found.memory.unknown == found.cpu.unknown == ("wind-mast",)


def test_without_a_recorded_peak_now_stands_for_it() -> None:
    """16 - 8 = 8 GiB are in use, for 0 days of record. A host of 4 GiB keeps an eighth for itself at least."""
    found = answer(Question(memory_bytes=GIB), HOUSE, {}, None, Limits()).memory
    assert (found.peak_bytes, found.recorded_d) == (8 * GIB, 0.0)
    small = HostNow(NOW, 4 * GIB, 4 * GIB, 2)
    assert answer(Question(memory_bytes=GIB), small, {}, None, Limits()).memory.own_bytes == GIB // 2


def test_cpus_by_hand() -> None:
    """7 vCPUs for 4 CPUs are 1.75 for each; with 2 more 2.25. One guest with more than 4 is a no, enlarged or new."""
    found = ask(Question(cpus=2))
    assert (found.cpu.vcpus_before, found.cpu.vcpus) == (7, 9)
    assert (found.cpu.overcommit_before_share, found.cpu.overcommit_share) == (1.75, 2.25)
    assert found.fit is Fit.YES
    five = ask(Question(cpus=5))
    assert [(each.lack, each.short) for each in five.cpu.reasons] == [(Lack.CPUS, 1)]
    assert five.fit is Fit.NO
    assert ask(Question(enlarges="hide-hub", cpus=2)).fit is Fit.YES
    assert ask(Question(enlarges="hide-hub", cpus=3)).fit is Fit.NO


def test_a_house_hub_needs_room_for_all_of_it() -> None:
    """The usual smallest hub (practice, without a source): it fits here, and not where one of the three is missing."""
    assert ask(HUB).fit is Fit.YES
    assert ask(HUB, replace(HOUSE, cpus=1)).fit is Fit.NO
    assert ask(HUB, replace(HOUSE, memory_bytes=11 * GIB)).fit is Fit.NO
    full = replace(POOL, used_bytes=POOL.capacity_bytes - 100 * GIB)
    assert ask(HUB, replace(HOUSE, stores=(full, SRV))).fit is Fit.NO


def test_a_bad_question_has_no_answer() -> None:
    """It is refused before anything is worked out."""
    with pytest.raises(BadQuestion):
        ask(Question())


# What must hold whatever is there -------------------------------------------------------------------------------------

SIZES = st.integers(0, 400).map(lambda gib: gib * GIB)


@st.composite
def stores(draw: st.DrawFn) -> tuple[StoreNow, Recorded]:
    """A pool of 1 TiB with one volume, and how it grows."""
    own = draw(SIZES)
    used = own + draw(SIZES)
    volume = Volume("skerry/nest-cams", promised_bytes=draw(SIZES), own_bytes=own)
    growth = straight_growth(draw(st.floats(-2, 8)) * GIB, draw(st.floats(0, 1)) * GIB)
    key = SeriesKey("pool skerry", "space")
    return StoreNow(key, StoreKind.ZFS, used, TIB, (volume,)), Recorded(growth, 60.0)


def place(fit: Fit) -> int:
    """No, not known, yes."""
    return [Fit.NO, Fit.UNKNOWN, Fit.YES].index(fit)


@settings(max_examples=15, deadline=None)
@given(
    there=stores(),
    disk=st.integers(1, 200),
    more=st.integers(0, 200),
    reserved=st.booleans(),
    added=st.integers(0, 500),
)
def test_more_never_fits_better(
    there: tuple[StoreNow, Recorded], disk: int, more: int, *, reserved: bool, added: int
) -> None:
    """A larger disk never fits where a smaller one does not, and a larger store never holds less."""
    store, record = there
    host = HostNow(NOW, GIB, GIB, 1, (store,))

    def fit(gib: int, host_gib: int = 0) -> StoreAnswer:
        question = Question(disk_bytes=gib * GIB, written_bytes=gib * GIB // 2, reserved=reserved,
                            host_disk_bytes=host_gib * GIB)  # fmt: skip
        (found,) = answer(question, host, {store.key: record}, None, Limits()).stores
        return found

    small, large, roomy = fit(disk), fit(disk + more), fit(disk, added)
    for a, b, c in zip(small.growing, large.growing, roomy.growing, strict=True):
        assert place(b.fit) <= place(a.fit) <= place(c.fit)
    for a, b, c in zip(small.written, large.written, roomy.written, strict=True):
        assert place(b.fit) <= place(a.fit) <= place(c.fit)
    assert place(large.fit) <= place(small.fit) <= place(roomy.fit)
    assert (small.largest_bytes or 0) <= (roomy.largest_bytes or 0)
    for future in (small.growing, small.written):
        assert [place(each.fit) for each in future] == sorted((place(each.fit) for each in future), reverse=True)


@settings(max_examples=15, deadline=None)
@given(stores())
def test_the_largest_fits(there: tuple[StoreNow, Recorded]) -> None:
    """What is said to be the largest disk fits, written whole at once."""
    store, record = there
    host = HostNow(NOW, GIB, GIB, 1, (store,))
    (found,) = answer(Question(disk_bytes=GIB), host, {store.key: record}, None, Limits()).stores
    largest = found.largest_bytes or 0
    if largest:
        question = Question(disk_bytes=largest, written_bytes=largest)
        assert answer(question, host, {store.key: record}, None, Limits()).fit is Fit.YES
