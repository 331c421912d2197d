"""The whole question, over data sets that really copy on write and a recorded growth."""

from collections.abc import AsyncIterator
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from tests.inventory.places import NOW, fixed, known, mounted
from tests.inventory.pretended_zfs import asked, put_zfs
from tests.planning.cow import BLOCK_BYTES, Dataset
from tests.probes.toolbox import Toolbox
from watchkeeper.inventory.reclaim.measure import Ask, reclaim
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Condition, Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.planning.reclaim.snapshots import Bounds, Missing, ReclaimAnswer
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.store import Store

POOL = SeriesKey("pool skerry", "space")
DAY = timedelta(days=1)
CAPACITY = 3000 * BLOCK_BYTES
GROWTH = 20 * BLOCK_BYTES
"""A day."""


def camera(days: int = 20, a_day: int = 10) -> Dataset:
    """A data set of which each day writes ten new places over those of five days ago, with a snapshot every day."""
    found = Dataset("skerry/nest-cams")
    for day in range(days):
        for number in range(a_day):
            found.write(day % 5 * a_day + number)
        found.snapshot(f"daily-{day:02}", round((NOW - (days - day) * DAY).timestamp()))
    return found


class House:
    """A host with the pool skerry, and the question that is asked of it."""

    def __init__(self, folder: Path, toolbox: Toolbox, workers: ThreadWorkers, store: Store) -> None:
        self.folder, self.toolbox, self.workers, self.store = folder, toolbox, workers, store
        self.probes: list[dict[str, object]] = []
        self.pool(Dataset("skerry"), camera())
        mounted(folder)

    def pool(self, *datasets: Dataset) -> None:
        """These are in it."""
        put_zfs(self.toolbox.folder, self.folder, datasets)

    async def grew(self, a_day: float = GROWTH, left: float = 300 * BLOCK_BYTES) -> None:
        """The pool has grown by so much a day for thirty days, and has so much left."""
        seen = [
            Seen(
                NOW - hour * timedelta(hours=1), Level(POOL, CAPACITY - left - a_day * hour / 24, CAPACITY), "zfs", 3600
            )
            for hour in range(30 * 24, -1, -1)
        ]
        other = Seen(NOW, Condition(SeriesKey("pool skerry", "health"), ok=True), "zfs", 3600)
        await self.store.commit(Commit((*seen, other)))

    async def ask(self, *, recorded: bool = True, **words: object) -> ReclaimAnswer:
        """Ask."""
        return await reclaim(
            Ask(**words),  # type: ignore[arg-type]  # the test's own words
            known(*self.probes),
            fixed(self.workers),
            self.store if recorded else None,
            mountinfo=self.folder / "mountinfo",
            sysfs=self.folder / "sys",
        )


@pytest.fixture
async def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, workers: ThreadWorkers) -> AsyncIterator[House]:
    """A host with one pool and an empty database."""
    async with await Store.open(tmp_path / "watchkeeper.db") as store:
        yield House(tmp_path, Toolbox(tmp_path, monkeypatch), workers, store)


async def test_two_neighbours_free_more_than_each_alone(house: House) -> None:
    """What one alone frees is told beside what both free together, and the time to full before and after."""
    await house.grew()
    dataset = camera()
    answer = await house.ask(names=("skerry/nest-cams@daily-02", "skerry/nest-cams@daily-03"))
    (store,) = answer.stores
    assert store.store == POOL
    assert [each.label for each in store.chosen] == ["daily-02", "daily-03"]
    assert store.together.bounds == Bounds(*[dataset.truth(["daily-02", "daily-03"])] * 2)
    assert store.alone == Bounds(*[dataset.truth(["daily-02"]) + dataset.truth(["daily-03"])] * 2)
    assert store.before is not None
    assert store.before.likely_s == pytest.approx(NOW.timestamp() + 15 * 86_400, abs=43_200)
    assert store.after is not None
    assert (answer.sets, answer.gain, answer.missing, answer.unseen) == ((), None, (), ())


async def test_everything_that_is_given_narrows_the_question(house: House) -> None:
    """A glob, what they are of, how old: all must fit."""
    house.pool(
        Dataset("skerry"), camera(), Dataset("skerry/hide-hub", {0: 1}, {"daily-00": frozenset({1})}, {"daily-00": 0})
    )
    answer = await house.ask(names=("*@daily-0*",), of=("skerry/nest-*",), older_than_s=17.5 * 86_400)
    assert [each.name for each in answer.stores[0].chosen] == [f"skerry/nest-cams@daily-0{n}" for n in range(3)]
    assert answer.seen == 21
    assert (await house.ask(older_than_s=1e9 * 10)).stores == ()
    assert (await house.ask(store="pool skerry")).stores[0].before is None


async def test_names_that_are_not_there(house: House) -> None:
    """The nearest ones are named, and nothing else is answered."""
    answer = await house.ask(names=("skerry/nest-cam@daily-03",), of=("vg0/x",), store="pool sker")
    assert [each.asked for each in answer.missing] == ["skerry/nest-cam@daily-03", "vg0/x", "pool sker"]
    assert answer.missing[0].near[0] == "skerry/nest-cams@daily-03"
    assert answer.missing[2].near == ("pool skerry",)
    assert answer.stores == ()
    assert all(each[0] == "list" for each in asked(house.folder))


async def test_what_cannot_be_deleted_is_kept_apart(house: House) -> None:
    """A held one among the named ones: the answer is about the others."""
    dataset = camera()
    dataset.holds["daily-02"] = 1
    house.pool(dataset)
    (store,) = (await house.ask(names=("*@daily-0[123]",), recorded=False)).stores
    assert [each.label for each in store.chosen] == ["daily-01", "daily-03"]
    assert [each.label for each in store.stuck] == ["daily-02"]
    assert store.together.bounds.least == dataset.truth(["daily-01", "daily-03"])
    assert store.before is None


async def test_sets_are_listed_the_largest_first(house: House) -> None:
    """Without a word: every set with what it holds together; its own that cannot go are counted."""
    other = Dataset("skerry/hide-hub")
    for number in range(3):
        other.write(0)
        other.snapshot(f"hourly-{number}", 100 * number)
    other.write(0)
    other.holds["hourly-1"] = 1
    house.pool(other, camera())
    answer = await house.ask()
    assert [(each.of, each.called, each.count, each.stuck) for each in answer.sets] == [
        ("skerry/nest-cams", "daily-*", 20, 0), ("skerry/hide-hub", "hourly-*", 3, 1),
    ]  # fmt: skip
    assert answer.sets[0].together.bounds.least == camera().truth(list(camera().snapshots))
    assert answer.sets[1].together.bounds.least == 2 * BLOCK_BYTES
    assert (answer.sets[0].oldest_at, answer.sets[0].newest_at) == (NOW - 20 * DAY, NOW - DAY)
    assert answer.stores[0].together.bounds.least == sum(each.together.bounds.least for each in answer.sets)


async def test_two_days_are_gained_by_the_oldest(house: House) -> None:
    """Forty blocks are two days. Each day of old snapshots holds ten: five or so of the oldest go, no more."""
    await house.grew()
    gain = (await house.ask(gain_s=2 * 86_400)).gain
    assert gain is not None
    assert gain.enough
    assert gain.need_bytes is not None
    assert gain.need_bytes == pytest.approx(40 * BLOCK_BYTES, rel=0.03)
    labels = [each.label for each in gain.drop]
    dataset = camera()
    assert labels == [f"daily-{n:02}" for n in range(len(labels))]
    assert dataset.truth(labels) >= gain.need_bytes > dataset.truth(labels[:-1])
    assert gain.freed.bounds.least == dataset.truth(labels)
    assert gain.before is not None
    assert gain.after is not None
    assert (gain.after.likely_s or 0) - (gain.before.likely_s or 0) >= 2 * 86_400
    assert (gain.after.earliest_s or 0) > (gain.before.earliest_s or 0)
    assert [(each.label, why) for each, why in gain.kept] == [("daily-19", "the newest of daily-*")]
    assert not (house.folder / "DESTROYED").exists()


async def test_thinning_out_keeps_the_oldest(house: House) -> None:
    """The same two days, and the oldest is still there; what is left is told."""
    await house.grew()
    gain = (await house.ask(gain_s=2 * 86_400, thin_out=True)).gain
    assert gain is not None
    assert gain.enough
    assert gain.need_bytes is not None
    labels = [each.label for each in gain.drop]
    assert "daily-00" not in labels
    assert camera().truth(labels) >= gain.need_bytes
    assert [(each.of, each.before, each.after) for each in gain.left] == [("skerry/nest-cams", 20, 20 - len(labels))]
    assert gain.left[0].oldest_at == NOW - 20 * DAY


async def test_a_limit_of_the_configuration_is_kept_to(house: House) -> None:
    """The newest that a limit counts is not dropped, though by its name it could be."""
    await house.grew()
    house.probes = [{"kind": "zfs-snapshots", "name": "first days", "datasets": ["skerry/nest-cams"],
                     "name_pattern": ["daily-0?"], "max_age": "30d"}]  # fmt: skip
    gain = (await house.ask(gain_s=2 * 86_400, names=("*@daily-0*",))).gain
    assert gain is not None
    assert [each.label for each, why in gain.kept if "monitored for its age" in why] == ["daily-09"]
    assert gain.droppable == 9


async def test_too_much_cannot_be_gained(house: House) -> None:
    """All that may be dropped is not enough: what it would free is told."""
    await house.grew()
    gain = (await house.ask(gain_s=60 * 86_400)).gain
    assert gain is not None
    assert not gain.enough
    assert gain.drop == ()
    assert gain.droppable == 19
    dataset = camera()
    assert gain.all_of_them.bounds.least == dataset.truth([f"daily-{n:02}" for n in range(19)])
    assert gain.after is not None


async def test_no_growth_is_known(house: House) -> None:
    """Nothing is recorded, or it does not fill: it cannot be said, and why."""
    gain = (await house.ask(gain_s=86_400)).gain
    assert gain is not None
    assert gain.hindrance == "there is no history of pool skerry: space; it needs some hours of monitoring first"
    await house.grew(a_day=0.0)
    gain = (await house.ask(gain_s=86_400)).gain
    assert gain is not None
    assert gain.before is not None
    assert gain.before.no_end is NoEnd.STILL
    assert "not filling" in gain.hindrance


async def test_no_amount_moves_the_end(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The search for what has to come free ends, and where it found nothing that is said and nothing is dropped."""
    await house.grew()
    found = (await house.ask(gain_s=86_400)).gain
    assert found is not None
    assert (found.enough, found.hindrance) == (True, "")
    monkeypatch.setattr("watchkeeper.planning.reclaim.gain.STEPS", 0)
    gain = (await house.ask(gain_s=86_400)).gain
    assert gain is not None
    assert gain.hindrance == "no amount of freed space would change its time to full"
    assert (gain.enough, gain.drop) == (False, ())


async def test_a_gain_is_about_one_store(house: House) -> None:
    """With two pools one must be named; the other is left alone."""
    await house.grew()
    other = Dataset("jetty", {0: 1}, {"a": frozenset({2})}, {"a": 0})
    house.pool(other, camera())
    answer = await house.ask(gain_s=86_400)
    assert answer.missing == (Missing("", ("pool jetty", "pool skerry")),)
    gain = (await house.ask(gain_s=86_400, store="pool skerry")).gain
    assert gain is not None
    assert gain.enough


async def test_the_chooser_gives_back_what_is_not_needed(house: House) -> None:
    """Ten old snapshots hold nothing; one younger one holds it all: it alone is dropped."""
    await house.grew()
    dataset = Dataset("skerry/hide-hub")
    for place in range(100):
        dataset.write(place)
    for day in range(12):
        if day == 10:
            for place in range(100):
                dataset.write(100 + place)
        dataset.snapshot(f"daily-{day:02}", round((NOW - (12 - day) * DAY).timestamp()))
        if day == 10:
            for place in range(100):
                dataset.erase(100 + place)
    house.pool(dataset)
    gain = (await house.ask(gain_s=3 * 86_400)).gain
    assert gain is not None
    assert [each.label for each in gain.drop] == ["daily-10"]


@pytest.mark.parametrize("seed", range(6))
async def test_random_pools_keep_the_promise(house: House, seed: int) -> None:
    """Whatever is proposed frees in truth what is needed, and nothing of it could stay."""
    await house.grew()
    random, dataset = Random(seed), Dataset("skerry/hide-hub")
    for _ in range(150):
        dataset.live(random, 1, places=60)
    house.pool(dataset)
    gain = (await house.ask(gain_s=0.2 * 86_400)).gain
    assert gain is not None
    assert gain.need_bytes is not None
    labels = [each.label for each in gain.drop]
    if labels:
        assert dataset.truth(labels) >= gain.need_bytes
        assert all(dataset.truth([other for other in labels if other != each]) < gain.need_bytes for each in labels)
    else:
        stay = {each.label for each, _ in gain.kept}
        assert dataset.truth([each for each in dataset.snapshots if each not in stay]) < gain.need_bytes


async def test_what_cannot_be_seen_is_told(house: House) -> None:
    """A tool that fails, and a table that is not there, cost their own store alone."""
    house.toolbox.says("zfs", "", status=1, stderr="internal error\n")
    (house.folder / "mountinfo").unlink()
    answer = await house.ask()
    assert answer.stores == ()
    assert answer.unseen[0] == "ZFS: zfs ended with status 1: internal error"
    assert answer.unseen[1].startswith("btrfs: No such file or directory: ")
