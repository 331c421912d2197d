"""What is on a host and no probe covers: of a host in a folder, of this machine, and across examinations."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import pytest

from tests.discovery.conftest import NOW, put
from tests.discovery.test_diff import configured
from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.config.types import ProbeSettings
from watchkeeper.discovery import coverage
from watchkeeper.discovery.coverage import HostCoverage, HostFound, missing
from watchkeeper.discovery.examine import summary
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Key, Proposal, Thing, Unseen, things
from watchkeeper.discovery.registry import FINDERS, Section, discover
from watchkeeper.errors import ProbeError
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.registry import BUILT_IN
from watchkeeper.probes.support.tools import SOCKET, run_tool
from watchkeeper.probes.support.workers import ThreadWorkers


def found(*proposals: Proposal, unseen: tuple[Unseen, ...] = (), kinds: tuple[str, ...] = ()) -> HostFound:
    """What is kept of one section."""
    return summary([Section("What was found", Found(proposals, unseen), kinds)])


def words(host: HostFound, probes: Sequence[ProbeSettings]) -> list[str]:
    """What is not covered, as it is listed."""
    return [each.what for each in missing(host, probes)]


POOLS = Proposal("zfs", things=things("pool", ("skerry", "holm")))


def test_pools_are_covered_by_any_probe_of_pools() -> None:
    """That probe monitors every pool, whether it names it or not."""
    host = found(POOLS)
    assert words(host, ()) == ["pool skerry", "pool holm"]
    assert words(host, configured({"kind": "zfs"})) == []
    (first, _) = missing(host, ())
    assert first.why == "no probe of kind zfs is configured; `watchkeeper discover` prints the table to add"


def test_snapshots_are_covered_by_a_probe_that_names_them() -> None:
    """A probe of one set says nothing of another one."""
    daily = Thing("snapshots of zfs", "skerry/hub", "daily-2026-11-25")
    host = found(Proposal("zfs-snapshots", things=(daily,)))
    table = {"kind": "zfs-snapshots", "name": "a", "datasets": ["skerry/hub"], "max_age": "1d"}
    assert words(host, configured({**table, "name_pattern": ["daily-*"]})) == []
    other = configured({**table, "name_pattern": ["hourly-*"]})
    (left,) = missing(host, other)
    assert left.what == "snapshots of zfs skerry/hub (such as daily-2026-11-25)"
    assert left.why.startswith("no probe of kind zfs-snapshots names it;")


def test_guests_are_covered_by_their_monitors_folder() -> None:
    """A probe of the guests in one folder does not see those in another."""
    keys = (Key("sockets", ("/run/guests/*.qmp",)),)
    host = found(Proposal("guests", keys, things=things("guest", ("hide-hub",))))
    assert words(host, configured({"kind": "guests", "sockets": ["/run/guests/hub.qmp"]})) == []
    assert words(host, configured({"kind": "guests", "sockets": ["/srv/*/monitor"]})) == ["guest hide-hub"]
    excluded = configured({"kind": "guests", "sockets": ["/srv/*/monitor"], "exclude": ["hide-*"]})
    assert words(host, excluded) == []


def test_what_is_only_offered_need_not_be_covered() -> None:
    """The operator knows which port must answer."""
    assert words(found(Proposal("tcp", offered=True, things=things("port", ("25",)))), ()) == []


def test_what_could_not_be_examined_is_listed_unless_a_probe_says_it() -> None:
    """A probe of that kind has a condition of its own about the missing privilege."""
    host = found(unseen=(Unseen("LVM", "this needs root.", "Start the helper"),), kinds=("lvm", "lvm-snapshots"))
    assert [(each.what, each.why) for each in missing(host, ())] == [("LVM", "this needs root. Start the helper")]
    assert words(host, configured({"kind": "lvm"})) == []


def test_every_kind_that_discovery_proposes_has_words_or_names_things() -> None:
    """No bare kind is shown, and each kind exists."""
    kinds = {kind for each in FINDERS for kind in each.kinds}
    assert kinds <= set(BUILT_IN)
    named = coverage.BY_NAME | {"zfs", "raid", "guests"}
    assert kinds - named <= set(coverage.WORDS)


TIMERS = '[{"unit": "tide-log.timer", "unit_file": "tide-log.timer", "next": 2, "last": 1}]'


async def test_a_host_with_an_array(host: Host, toolbox: Toolbox) -> None:
    """md0 is here, and with a probe of arrays it is covered. systemd and its timers count each."""
    toolbox.says("systemctl", TIMERS)
    for name, text in {"level": "raid1", "raid_disks": "2", "degraded": "0", "array_state": "clean"}.items():
        put(host.root, f"sys/block/md0/md/{name}", text)
    sections = await discover(host, [each for each in FINDERS if each.kinds])
    bare = words(summary(sections), ())
    assert {"array md0", "timers of systemd", "restarts of services", "file systems"} <= set(bare)
    tables = ({"kind": "raid"}, {"kind": "timers"}, {"kind": "services"}, {"kind": "filesystems"})
    assert set(bare) - set(words(summary(sections), configured(*tables))) == {
        "array md0",
        "timers of systemd",
        "restarts of services",
        "file systems",
    }


JOBS = [each for each in FINDERS if {"user-units", "mail-queue"} & set(each.kinds)]


async def test_units_of_users_and_local_mail(host: Host, toolbox: Toolbox) -> None:
    """A user with lingering and a mail server are found; what they need is listed."""
    toolbox.says("postqueue", "")
    put(host.root, "var/lib/systemd/linger/warden")
    found_here = words(summary(await discover(host, JOBS)), configured({"kind": "after-reboot"}))
    assert found_here == ["units of users who need not be logged in", "the queue of the local mail server"]


async def test_a_host_without_either(host: Host, toolbox: Toolbox) -> None:
    """Nothing is listed, and a queue that cannot be read is."""
    sections = await discover(host, JOBS)
    assert words(summary(sections), configured({"kind": "after-reboot"})) == []
    toolbox.says("postqueue", "", status=69, stderr="postqueue: fatal: Queue report unavailable")
    sections = await discover(host, JOBS)
    assert words(summary(sections), configured({"kind": "after-reboot"})) == ["the queue of the local mail server"]


@pytest.fixture
def context(workers: ThreadWorkers) -> ProbeContext:
    """A context whose clock the test moves."""
    return ProbeContext(FixedClock(NOW), workers, MemoryStateStore())


async def test_this_machine_is_examined_once_a_day(context: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each later call compares what was kept with the configuration of that moment, also after a restart."""
    examined = list[str]()

    async def run(*words: Any) -> str:
        examined.append(words[1][-1])
        return await run_tool(*words)

    monkeypatch.setattr(coverage, "run_tool", run)
    probes: list[ProbeSettings] = []
    port, clock = HostCoverage(lambda: probes), context.clock
    assert isinstance(clock, FixedClock)

    async def listed(one: HostCoverage) -> set[str]:
        return {each.what for each in await one.uncovered(context, "coverage", 86_400.0, 60.0)}

    assert {"memory", "the clock"} <= await listed(port)
    probes += configured({"kind": "memory"})
    clock.at = NOW + timedelta(hours=23)
    assert "memory" not in await listed(port)
    assert "the clock" in await listed(HostCoverage(lambda: probes))
    assert examined == [str(SOCKET)]
    clock.at = NOW + timedelta(hours=24)
    assert "the clock" in await listed(port)
    assert len(examined) == 2


@pytest.mark.parametrize("printed", ["", "[]", '{"things": 3}'])
async def test_an_examination_that_prints_nonsense(
    context: ProbeContext, monkeypatch: pytest.MonkeyPatch, printed: str
) -> None:
    """It is an error of the probe, and nothing is kept."""

    async def run(*_words: Any) -> str:
        return printed

    monkeypatch.setattr(coverage, "run_tool", run)
    with pytest.raises(ProbeError, match="something unexpected"):
        await HostCoverage(list).uncovered(context, "coverage", 86_400.0, 60.0)
    assert await context.probe_states.read("coverage") == ""


async def test_a_name_that_is_not_text_is_kept(context: ProbeContext) -> None:
    """A file name may be any bytes; the notes are text."""
    names = things("pool", (b"ta\xffnk".decode("utf-8", "surrogateescape"),))
    kept = summary([Section("ZFS", Found((Proposal("zfs", things=names),)))])
    await context.probe_states.write("coverage", kept.model_dump_json())
    assert HostFound.model_validate_json(await context.probe_states.read("coverage")) == kept
    assert words(kept, ()) == ["pool ta\\xffnk"]


STORAGE = [each for each in FINDERS if {"mapped-devices", "storage-risks", "disk-latency"} & set(each.kinds)]


async def test_layers_and_risks_of_storage(host: Host) -> None:
    """Mapped devices, bcache and disks that a driver serves are found by the kernel's names for them."""
    after = configured({"kind": "after-reboot"})
    assert words(summary(await discover(host, STORAGE)), after) == []
    put(host.root, "sys/block/bcache0/bcache/state", "clean")
    assert words(summary(await discover(host, STORAGE)), after) == ["mapped devices and bcache"]
    put(host.root, "sys/block/dm-0/dm/name", "cams")
    put(host.root, "sys/block/sda/device/model", "disk")
    everything = ["mapped devices and bcache", "risks of the storage", "latency of the disks"]
    assert words(summary(await discover(host, STORAGE)), after) == everything
    tables = ({"kind": "after-reboot"}, {"kind": "mapped-devices"}, {"kind": "storage-risks"}, {"kind": "disk-latency"})
    assert words(summary(await discover(host, STORAGE)), configured(*tables)) == []


async def test_a_pool_of_zfs_has_risks_too(host: Host) -> None:
    """Its folder in /proc is enough."""
    (host.root / "proc/spl/kstat/zfs").mkdir(parents=True)
    found_here = words(summary(await discover(host, STORAGE)), configured({"kind": "after-reboot"}))
    assert found_here == ["risks of the storage"]
