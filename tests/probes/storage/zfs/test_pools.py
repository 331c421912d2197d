"""Pools and data sets, from what the tools really said while pools filled, lost disks and were suspended."""

from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.storage.zfs.test_tables import DEGRADED, projected
from tests.probes.toolbox import FixedClock, Toolbox, find, keys, sample, utc
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Deadline, Level, Observation, SeriesKey, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.zfs.pools import PARTS_EVERY_S, ZfsProbe, ZfsSettings

NOW = utc("2026-12-01 06:00:00")
DAY_S = 86_400.0

SCRUBBED = "  pool: tank\n  scan: scrub repaired 0B in 00:00:01 with 0 errors on Sun Nov 22 00:24:02 2026\nconfig:\n"
RESILVERED = "  pool: tank\n  scan: resilvered 40.4M in 00:00:00 with 0 errors on Wed Nov 25 05:17:23 2026\nconfig:\n"


class Host:
    """A host with ZFS tools that say what a test wants, and the kernel's folder of pools."""

    def __init__(self, folder: Path, toolbox: Toolbox, bench: ProbeContext) -> None:
        self.toolbox, self.kstat, self.clock = toolbox, folder / "kstat", FixedClock(NOW)
        self.bench = replace(bench, clock=self.clock)
        self.imported("tank")
        self.pools("tank\tONLINE\t4026531840\t120561664\t12\n")
        self.datasets(projected())
        self.status(sample("zpool-status-p.txt").stdout)

    def imported(self, name: str, state: str = "ONLINE") -> None:
        """The kernel has this pool, in this state."""
        (self.kstat / name).mkdir(parents=True, exist_ok=True)
        (self.kstat / name / "state").write_text(f"{state}\n")

    def pools(self, text: str) -> None:
        """What `zpool list` says; `zpool status` is kept."""
        self.toolbox.says("zpool-list", text)
        self.toolbox.put("zpool", 'exec "$(dirname "$0")/zpool-$1"')

    def status(self, text: str) -> None:
        """What `zpool status` says."""
        self.toolbox.says("zpool-status", text)

    def datasets(self, text: str) -> None:
        """What `zfs list` says."""
        self.toolbox.says("zfs", text)

    def probe(self, **settings: object) -> ZfsProbe:
        """A probe of this host."""
        return ZfsProbe(ZfsSettings.model_validate(settings), self.bench, self.kstat)

    async def observe(self, **settings: object) -> list[Observation]:
        """One look of a new probe."""
        return [each for each in await self.probe(**settings).observe() if not isinstance(each, Unseen)]


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host with one sound pool, as a real one described itself."""
    return Host(tmp_path, Toolbox(tmp_path, monkeypatch), bench)


async def test_a_sound_pool(host: Host) -> None:
    """Its level is used of (used + available) of its root; its facts say what holds the space."""
    seen = await host.observe()
    space = find(seen, "pool tank", "space", Level)
    assert (space.used, space.capacity) == (1212801024, 1212801024 + 2679513088)
    assert dict(space.facts) == {
        "held by snapshots": "36.3 MiB",
        "most of that": "tank/home (20.1 MiB)",
        "reserved, not written": "1.02 GiB",
        "allocated to volumes": "3 GiB of 3.62 GiB",
        "fragmentation": "12%",
    }
    assert find(seen, "pool tank", "health", Condition).ok
    assert find(seen, "pool tank", "errors", Condition).ok
    assert find(seen, "probe zfs", "sees all", Condition).ok


@pytest.mark.parametrize(
    ("used", "available"),
    [(3893153792, 0), (3894059008, 0), (3895242752, 0)],
    ids=["96 % of zpool's capacity", "85 % beside volumes", "41 % beside a reserved volume"],
)
async def test_a_pool_is_full_exactly_when_writers_fail(host: Host, used: int, available: int) -> None:
    """Measured on a pool of 4 GiB at the first "no space": `zpool` said 96, 85 and 41 %, the level says 100 %."""
    host.datasets(projected().replace("1212801024\t2679513088", f"{used}\t{available}", 1))
    space = find(await host.observe(), "pool tank", "space", Level)
    assert space.used == space.capacity


async def test_quotas_are_levels_of_their_own(host: Host) -> None:
    """A quota counts snapshots and children in, a refquota does not; nothing of the pool's is in either."""
    seen = await host.observe()
    quota = find(seen, "dataset tank/home", "quota", Level)
    assert (quota.used, quota.capacity, quota.facts) == (36896768, 524288000, (("held by snapshots", "20.1 MiB"),))
    refquota = find(seen, "dataset tank/backup", "quota without snapshots", Level)
    assert (refquota.used, refquota.capacity) == (31563776, 2**30)


async def test_what_each_data_set_holds_is_a_part_of_its_pool(host: Host) -> None:
    """The parts add up to what the pool uses, so that a grower can be named; they come only now and then."""
    probe = host.probe()
    pool = SeriesKey("pool tank", "space")
    parts = [each for each in await probe.observe() if isinstance(each, Level) and each.part_of == pool]
    assert sum(each.used for each in parts) == pytest.approx(1212801024, rel=0.001)  # the rest is the pool's own
    assert {each.key.quantity for each in parts} == {"own data", "held by snapshots"}
    assert find(parts, "dataset tank/vm/disk0", "held by snapshots", Level).used == 17022976
    assert find(parts, "dataset tank/vm/disk0", "own data", Level).used == 33980416 + 1092370432
    host.clock.at = utc("2026-12-01 06:09:59")
    assert not [each for each in await probe.observe() if isinstance(each, Level) and each.part_of]
    host.clock.at = utc("2026-12-01 06:10:00")
    assert [each for each in await probe.observe() if isinstance(each, Level) and each.part_of]
    assert PARTS_EVERY_S == 600


async def test_a_mirror_that_lost_a_disk(host: Host) -> None:
    """Impaired and not grave; the disk is named, and its counts stay a fault of their own until they are cleared."""
    host.imported("skerry")
    host.pools("skerry\tDEGRADED\t4026531840\t74080256\t0\n")
    host.status(DEGRADED)
    seen = await host.observe()
    health = find(seen, "pool skerry", "health", Condition)
    assert (health.ok, health.grave) == (False, False)
    assert health.reason == "the pool is DEGRADED: leg1 is FAULTED (too many errors)"
    errors = find(seen, "pool skerry", "errors", Condition)
    assert errors.reason == "leg1 has 3 read, 254 write and 0 checksum errors"


async def test_a_suspended_pool(host: Host) -> None:
    """`zfs list` prints nothing and ends well: the health is grave, and no level pretends to know."""
    host.imported("tank", "SUSPENDED")
    host.pools("tank\tSUSPENDED\t4026531840\t74080256\t0\n")
    host.datasets("")
    seen = await host.observe()
    health = find(seen, "pool tank", "health", Condition)
    assert (health.ok, health.grave, health.reason) == (False, True, "the pool is SUSPENDED")
    assert not [each for each in seen if isinstance(each, Level)]


async def test_a_cache_that_is_gone(host: Host) -> None:
    """The pool is healthy, and one of its devices is not."""
    host.status(
        sample("zpool-status-p.txt").stdout.replace("\nerrors:", "\tcache\n\t  quick0  REMOVED  0  0  0\n\nerrors:")
    )
    seen = await host.observe()
    assert find(seen, "pool tank", "health", Condition).ok
    assert find(seen, "pool tank", "auxiliary devices", Condition).reason == "cache device quick0 is REMOVED"


async def test_data_that_is_lost(host: Host) -> None:
    """The number of data errors is told with the command that names what is damaged."""
    host.imported("shoal")
    host.pools("shoal\tSUSPENDED\t-\t-\t-\n")
    host.status(DEGRADED)
    errors = find(await host.observe(), "pool shoal", "errors", Condition)
    assert errors.reason.startswith("324 data errors; `zpool status -v` lists what is damaged; odd file with  spaces")


async def test_the_kernels_word_where_the_tools_hang(host: Host) -> None:
    """Every tool hangs: the state of each pool still comes, and what cannot be seen is said."""
    host.imported("tank", "SUSPENDED")
    for tool in ("zpool", "zfs"):
        host.toolbox.put(tool, "sleep 60")
    seen = await host.observe(timeout="1s")
    assert find(seen, "pool tank", "health", Condition).grave
    sight = find(seen, "probe zfs", "sees all", Condition)
    assert sight.reason == "zfs did not end within 1s; zpool did not end within 1s"


async def test_one_tool_that_fails_takes_nothing_else_with_it(host: Host) -> None:
    """Without the list of data sets there is no level, but health, errors and the scrub are there."""
    host.toolbox.says("zfs", "", status=1, stderr="internal error")
    seen = await host.observe()
    assert keys(seen) == {
        "probe zfs: sees all",
        "pool tank: health",
        "pool tank: errors",
        "pool tank: scrub",
        "pool tank: auxiliary devices",
    }
    assert not find(seen, "probe zfs", "sees all", Condition).ok


async def test_no_tools_and_no_module(host: Host, tmp_path: Path) -> None:
    """ZFS is not installed: the probe says that, and nothing else."""
    for tool in ("zpool", "zfs"):
        (host.toolbox.folder / tool).unlink()
    host.kstat = tmp_path / "none"
    with pytest.raises(ToolMissing, match="install it"):
        await host.observe()


async def test_no_pool_is_imported(host: Host, tmp_path: Path) -> None:
    """The tools are there and list nothing: a probe that watches nothing says so."""
    host.pools("")
    host.datasets("")
    host.status("no pools available\n")
    host.kstat = tmp_path / "none"
    with pytest.raises(ProbeError, match="no pool is imported"):
        await host.observe()


async def test_a_pool_that_must_be_there(host: Host) -> None:
    """One that is named and not imported is grave; that it is there again ends it."""
    health = find(await host.observe(pools=["skerry", "tank"]), "pool skerry", "health", Condition)
    assert (health.ok, health.grave) == (False, True)
    assert "`zpool import`" in health.reason


async def test_a_pool_that_was_there(host: Host) -> None:
    """One that goes away is told once it is gone, unless it is left out."""
    host.imported("shoal")
    host.pools("tank\tONLINE\t1\t1\t1\nshoal\tONLINE\t1\t1\t1\n")
    told, left = host.probe(), host.probe(exclude=["sh*"])
    for probe in (told, left):
        await probe.observe()
    (host.kstat / "shoal" / "state").unlink()
    host.pools("tank\tONLINE\t1\t1\t1\n")
    health = find(await told.observe(), "pool shoal", "health", Condition)
    assert (health.ok, health.grave) == (False, False)
    assert "pool shoal: health" not in keys(await left.observe())
    await told.close()


async def test_a_pool_that_is_exported_while_it_is_looked_at(host: Host) -> None:
    """Its state cannot be read any more: it is passed over, and the others stay."""
    (host.kstat / "shoal" / "state").mkdir(parents=True)
    seen = keys(await host.observe())
    assert "pool tank: health" in seen
    assert "pool shoal: health" not in seen


async def test_a_pool_with_nothing_in_it(host: Host) -> None:
    """What holds no space is not among the facts; a pool without raw figures has no fragmentation."""
    host.pools("tank\tONLINE\t-\t-\t-\n")
    host.datasets("tank\tfilesystem\t100\t900\t100\t100\t0\t0\t0\t0\t-\t1795582573\n")
    assert find(await host.observe(), "pool tank", "space", Level).facts == (("held by snapshots", "0 B"),)


async def test_what_is_left_out(host: Host) -> None:
    """Pools and data sets by globs."""
    assert not [key for key in keys(await host.observe(exclude=["tank*"])) if "tank" in key]
    seen = keys(await host.observe(exclude=["tank/home"]))
    assert "dataset tank/home: quota" not in seen
    assert "pool tank: space" in seen


async def test_promises_are_judged_only_where_a_limit_is_set(host: Host) -> None:
    """3 GiB are promised of 3.62 GiB."""
    assert "pool tank: allocation" not in keys(await host.observe())
    assert find(await host.observe(overcommit_limit=1), "pool tank", "allocation", Condition).ok
    over = find(await host.observe(overcommit_limit=0.5), "pool tank", "allocation", Condition)
    assert over.reason == "3 GiB are allocated to volumes, 3.62 GiB exist, limit 0.5 times that"


async def test_the_next_scrub_counts_from_the_last(host: Host) -> None:
    """And it is remembered across a restart, because a resilver hides it from the tools."""
    host.status(SCRUBBED)
    scrub = find(await host.observe(), "pool tank", "scrub", Deadline)
    assert scrub.last_at == utc("2026-11-22 00:24:02")
    assert scrub.due_at == utc("2027-01-01 00:24:02")
    assert scrub.period_s == 40 * DAY_S
    host.status(RESILVERED)
    again = find(await host.observe(), "pool tank", "scrub", Deadline)
    assert (again.last_at, again.due_at) == (scrub.last_at, scrub.due_at)
    assert dict(again.facts)["last scan"].startswith("resilvered 40.4M")


async def test_a_pool_that_was_never_scrubbed(host: Host) -> None:
    """It is due one period after the pool was made, and not at once; another pool's past is not taken for its own."""
    host.status(SCRUBBED)
    await host.observe()
    host.status("  pool: tank\nconfig:\n")
    scrub = find(await host.observe(scrub_limit="10d"), "pool tank", "scrub", Deadline)
    assert (scrub.last_at, scrub.due_at) == (None, utc("2026-12-05 04:56:13"))


async def test_a_scrub_that_nothing_is_known_of(host: Host) -> None:
    """A resilver hides it: it counts from that. Without that, from when the pool was made or first seen."""
    host.status(RESILVERED)
    scrub = find(await host.observe(), "pool tank", "scrub", Deadline)
    assert (scrub.last_at, scrub.due_at) == (None, utc("2027-01-04 05:17:23"))
    host.status("  pool: tank\nconfig:\n  pool: shoal\nconfig:\n")
    host.datasets("")
    host.imported("shoal")
    seen = await host.observe()
    assert find(seen, "pool tank", "scrub", Deadline).due_at == utc("2027-01-04 04:56:13")
    assert find(seen, "pool shoal", "scrub", Deadline).due_at == utc("2027-01-10 06:00:00")


async def test_a_scrub_from_the_future_is_one_of_now(host: Host) -> None:
    """The clock was wrong when it ran: it does not count for longer than a scrub of today would."""
    host.status(SCRUBBED.replace("2026", "2036"))
    assert find(await host.observe(), "pool tank", "scrub", Deadline).last_at == NOW


async def test_scrubs_that_are_not_asked_for(host: Host) -> None:
    """`never` switches the deadline off; a pool that the report lacks has none."""
    assert "pool tank: scrub" not in keys(await host.observe(scrub_limit="never"))
    host.status("")
    assert "pool tank: scrub" not in keys(await host.observe())


async def test_a_name_with_odd_signs(host: Host) -> None:
    """Spaces and other alphabets stay; bytes that are not UTF-8 are escaped, so that they can be stored."""
    host.datasets(projected().replace("tank/home", "tank/Mö we\udcff"))
    assert "dataset tank/Mö we\\xff: quota" in keys(await host.observe())


async def test_an_error_that_is_no_probes_own_is_not_swallowed(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours goes up to the one place that catches it."""

    def fail(_text: str) -> None:
        raise RuntimeError("a fault of ours")

    monkeypatch.setattr("watchkeeper.probes.storage.zfs.tables.read_status", fail)
    with pytest.raises(RuntimeError):
        await host.observe()
