"""A store with more on it: what it takes at once, what is allocated, and where that leads in the two futures.

For a disk whose growth was not stated, the first future counts only what is written at once: an image's own growth
cannot be known before it runs. The second future counts every disk in full, so that the two bound what may happen.
"""

from collections.abc import Iterator

from watchkeeper.planning.capacity import futures
from watchkeeper.planning.capacity.answer import (
    DAYS,
    DECIDES_D,
    Fit,
    Lack,
    LevelNow,
    Limits,
    Metadata,
    Reason,
    Recorded,
    StoreAnswer,
)
from watchkeeper.planning.capacity.futures import Added
from watchkeeper.planning.capacity.question import Question
from watchkeeper.planning.host_state import StoreKind, StoreNow

GIB = 2**30
ZFS_TABLES_SHARE = 1 / 32
"""What a ZFS volume takes for its block tables, at most: two copies of a pointer block of 128 KiB for each 1,024
blocks, which is 3 % with blocks of 8 KiB and half of that with 16 KiB. A reserved volume has that set aside from the
beginning (tests/host/test_capacity.py checks it on a real pool). A raidz may need more."""

THIN_KEPT_SHARE, THIN_KEPT_BYTES = 1 / 10, 16 * 2**20
"""What the kernel reserves of a thin pool's metadata and counts as used: a tenth, and 16 MiB at most
(__set_metadata_reserve() in dm-thin-metadata.c, as remembered; of an empty pool's 512 blocks it reports 61 as used)."""
LEAST_SHARE = 1 / 16
"""A store that holds less than this share of its data does not show how much metadata a byte takes."""


def with_tables(store: StoreNow) -> float:
    """What a byte of a disk takes on the store."""
    return 1 + ZFS_TABLES_SHARE if store.kind is StoreKind.ZFS else 1.0


def whole_bytes(question: Question, store: StoreNow) -> int:
    """What the disk takes when it is fully written."""
    return round(question.disk_bytes * with_tables(store))


def added(question: Question, store: StoreNow) -> Added:
    """What the question adds to the store, over time."""
    whole, each = whole_bytes(question, store), with_tables(store)
    if question.reserved:
        return Added(whole, 0.0, whole)
    return Added(question.written_bytes * each, question.grows_bytes_per_day * each, whole)


def outstanding_bytes(store: StoreNow) -> int:
    """What is allocated to volumes, and neither held nor set aside by them. An unknown amount held counts as none."""
    return sum(
        max(each.promised_bytes - (each.own_bytes or 0) - each.set_aside_bytes, 0)
        for each in store.volumes
        if each.promised_bytes is not None
    )


def answer(question: Question, store: StoreNow, recorded: Recorded, limits: Limits) -> StoreAnswer:
    """What happens to a store."""
    case = _Case(question, store, recorded)
    growing = tuple(case.growing())
    reasons = (*case.lacks(growing), *case.over_promised(limits))
    unknown = any(each.lack is Lack.RECORD for each in reasons)
    return StoreAnswer(
        key=store.key,
        kind=store.kind,
        fit=Fit.YES if not reasons else Fit.UNKNOWN if unknown and len(reasons) == 1 else Fit.NO,
        reasons=reasons,
        used_bytes=store.used_bytes,
        capacity_before_bytes=store.capacity_bytes,
        capacity_bytes=case.capacity,
        added_now_bytes=round(case.added.now),
        added_bytes=case.whole,
        reserved=question.reserved,
        promised_before_bytes=case.promised,
        promised_bytes=case.promised + question.disk_bytes,
        outstanding_bytes=case.outstanding,
        unbounded=sum(each.promised_bytes is None for each in store.volumes),
        held_by_snapshots=len(store.snapshots),
        recorded_d=recorded.recorded_d,
        growth_bytes_per_day=_trend(recorded),
        trend_d=recorded.growth.bend_d if recorded.growth else 0.0,
        before=case.before(),
        after=case.after,
        growing=growing,
        written=tuple(case.written(growing)),
        largest_bytes=case.largest(),
        largest_kept_bytes=_whole_gib(case.capacity - store.used_bytes - case.outstanding, case.tables),
    )


class _Case:
    """One store and one question."""

    def __init__(self, question: Question, store: StoreNow, recorded: Recorded) -> None:
        self._store, self._recorded = store, recorded
        self.capacity = store.capacity_bytes + question.host_disk_bytes
        self.added = added(question, store)
        self.whole = whole_bytes(question, store)
        self.tables = with_tables(store)
        self._promise = self.whole if question.reserved else question.disk_bytes
        self.outstanding = outstanding_bytes(store)
        self.promised = sum(each.promised_bytes or 0 for each in store.volumes)
        growth = recorded.growth
        self.after = futures.time_to_full(growth, store.used_bytes, self.capacity, self.added) if growth else None
        self._metadata_after = self._of_metadata(recorded.metadata)

    def before(self) -> futures.TimeToFull | None:
        growth = self._recorded.growth
        return futures.time_to_full(growth, self._store.used_bytes, self._store.capacity_bytes) if growth else None

    def growing(self) -> Iterator[LevelNow]:
        """The first future: the present growth, and what is stated about the disk."""
        now = self._store.used_bytes + self.added.now
        for day in DAYS:
            if day == 0:
                yield self._at(day, now, now, Fit.NO if now > self.capacity else Fit.YES)
            elif self._recorded.growth is None or self.after is None:
                yield LevelNow(day, Fit.NO if now > self.capacity else Fit.UNKNOWN, None, None)
            else:
                height = futures.height(self._recorded.growth, self._store.used_bytes, day, self.added)
                full = self.after.fills_by(day) or self._metadata_full_by(day) or now > self.capacity
                yield self._at(day, height.likely, height.high, Fit.NO if full else Fit.YES)

    def written(self, growing: tuple[LevelNow, ...]) -> Iterator[LevelNow]:
        """The second future: every allocation fully used, or the first future if that is more."""
        kept = self._store.used_bytes + self.outstanding + self.whole
        over = kept > self.capacity or self._metadata_too_small()
        for each in growing:
            level, high = max(kept, each.level_bytes or 0), max(kept, each.high_bytes or 0)
            yield self._at(each.day, level, high, Fit.NO if over else each.fit)

    def _at(self, day: int, level: float, high: float, fit: Fit) -> LevelNow:
        return LevelNow(day, fit, level, high, max(level - self.capacity, 0.0))

    def lacks(self, growing: tuple[LevelNow, ...]) -> Iterator[Reason]:
        """What prevents it, now and by the day that decides."""
        if growing[0].fit is Fit.NO:
            yield Reason(Lack.NOW, short=growing[0].short_bytes)
            return
        if self.after is None:
            yield Reason(Lack.RECORD, recorded_d=self._recorded.recorded_d)
        elif self.after.fills_by(DECIDES_D):
            yield Reason(Lack.SOON, within_d=self.after.earliest_d or 0.0)
        if self._metadata_after is not None and self._metadata_after.fills_by(DECIDES_D):
            yield Reason(Lack.METADATA_SOON, within_d=self._metadata_after.earliest_d or 0.0)

    def over_promised(self, limits: Limits) -> Iterator[Reason]:
        """The operator's limit on allocation, if this exceeds it."""
        share = limits.promised_share.get(self._store.kind)
        promised = self.promised + self._promise
        if share is not None and promised > share * self.capacity:
            yield Reason(Lack.PROMISED, short=promised - share * self.capacity, limit_share=share)

    def largest(self) -> int | None:
        """The largest disk, fully written at once, that leaves the store not full by the day that decides."""
        growth, metadata = self._recorded.growth, self._recorded.metadata
        if growth is None:
            return None
        most = futures.most_for(growth, self.capacity - self._store.used_bytes, DECIDES_D)
        if metadata is not None and metadata.growth is not None and (ratio := self._metadata_ratio(metadata)) > 0:
            room = futures.most_for(metadata.growth, metadata.capacity_bytes - metadata.used_bytes, DECIDES_D)
            most = min(most, room / ratio)
        return _whole_gib(most - 1, self.tables)  # a disk that takes exactly all of it makes the store full

    def _metadata_ratio(self, metadata: Metadata) -> float:
        """Metadata for each byte of data, as it is now: what is added is assumed to need as much.

        Without what a thin pool reserves. The metadata of a store that is nearly empty is its own tables, which do not
        grow with data: it counts as filled to LEAST_SHARE.
        """
        kept = 0.0
        if self._store.kind is StoreKind.THIN:
            kept = min(metadata.capacity_bytes * THIN_KEPT_SHARE, THIN_KEPT_BYTES)
        return max(metadata.used_bytes - kept, 0.0) / max(self._store.used_bytes, self.capacity * LEAST_SHARE)

    def _of_metadata(self, metadata: Metadata | None) -> futures.TimeToFull | None:
        """When the metadata is full: what is added to the store takes its share of it too."""
        if metadata is None or metadata.growth is None:
            return None
        ratio = self._metadata_ratio(metadata)
        more = Added(self.added.now * ratio, self.added.per_day * ratio, self.whole * ratio)
        return futures.time_to_full(metadata.growth, metadata.used_bytes, metadata.capacity_bytes, more)

    def _metadata_full_by(self, day: float) -> bool:
        return self._metadata_after is not None and self._metadata_after.fills_by(day)

    def _metadata_too_small(self) -> bool:
        """Would the metadata be full with every disk fully written?"""
        metadata = self._recorded.metadata
        if metadata is None:
            return False
        needed = metadata.used_bytes + self._metadata_ratio(metadata) * (self.outstanding + self.whole)
        return needed > metadata.capacity_bytes


def _trend(recorded: Recorded) -> float | None:
    """The trend as it was found."""
    growth = recorded.growth
    if growth is None:
        return None
    return growth.slope if growth.trend is None else growth.trend


def _whole_gib(most_bytes: float, tables: float) -> int:
    """Rounded down to whole GiB: finer would be false precision."""
    return max(int(most_bytes / tables // GIB), 0) * GIB
