"""Thin pools, groups and volumes, from what LVM and the kernel really said while a pool filled."""

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.toolbox import FixedClock, Toolbox, find, keys, sample, utc
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Level, Observation, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.lvm import tables as lvm_tables
from watchkeeper.probes.storage.lvm.tables import (
    Group,
    ThinStatus,
    mapper_name,
    read_groups,
    read_thin_status,
    read_volumes,
)
from watchkeeper.probes.storage.lvm.volume_groups import LvmProbe, LvmSettings

NOW = utc("2026-12-01 06:00:00")
VOLUMES = sample("lvs-nosuffix.json").stdout
GROUPS = sample("vgs.json").stdout
THIN = sample("dmsetup-status.txt").stdout
CHUNK_BYTES = 65_536


class Host:
    """A host with LVM's tools, on which the daemon is root."""

    def __init__(self, toolbox: Toolbox, bench: ProbeContext) -> None:
        self.toolbox, self.clock = toolbox, FixedClock(NOW)
        self.bench = replace(bench, clock=self.clock)
        toolbox.says("lvs", VOLUMES)
        toolbox.says("vgs", GROUPS)
        toolbox.says("dmsetup", THIN)

    def thin(self, rest: str) -> None:
        """Let the kernel say this of the pool."""
        self.toolbox.says("dmsetup", f"vg0-thin0-tpool: 0 6291456 thin-pool {rest}\n")

    def volumes(self, name: str, **changed: str) -> None:
        """Let lvs say something else of one volume."""
        report = json.loads(VOLUMES)
        for row in report["report"][0]["lv"]:
            if row["lv_name"] == name:
                row.update(changed)
        self.toolbox.says("lvs", json.dumps(report))

    async def observe(self, **settings: object) -> list[Observation]:
        """One look of a new probe."""
        return list(await LvmProbe(LvmSettings.model_validate(settings), self.bench).observe())


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host with one thin pool, as a real one described itself."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Host(Toolbox(tmp_path, monkeypatch), bench)


async def test_a_kernel_without_device_mapper(host: Host) -> None:
    """The tools are installed and nothing uses them: dmsetup of Debian 12 then fails so, and LVM is still readable."""
    said = (
        "/dev/mapper/control: open failed: No such device\nFailure to communicate with kernel device-mapper driver.\n"
    )
    host.toolbox.says("dmsetup", "", status=1, stderr=said)
    with pytest.raises(ProbeError, match="dmsetup ended with status 1: /dev/mapper/control: open failed"):
        await host.observe()
    host.toolbox.says("lvs", '{"report": [{"lv": []}]}')
    host.toolbox.says("vgs", '{"report": [{"vg": []}]}')
    assert await host.observe() == []


async def test_a_sound_thin_pool(host: Host) -> None:
    """Data and metadata by the kernel's own count of blocks, which is finer than lvs's hundredths of a percent."""
    seen = await host.observe()
    data = find(seen, "thin pool vg0/thin0", "data", Level)
    assert (data.used, data.capacity) == (2605 * CHUNK_BYTES, 49152 * CHUNK_BYTES)
    metadata = find(seen, "thin pool vg0/thin0", "metadata", Level)
    assert (metadata.used, metadata.capacity) == (233 * 4096, 8 * 2**20)
    assert data.used / data.capacity == pytest.approx(0.0530, abs=5e-5)  # lvs says 5.30
    assert metadata.used / metadata.capacity == pytest.approx(0.1138, abs=5e-5)  # lvs says 11.38
    assert find(seen, "thin pool vg0/thin0", "health", Condition).ok
    assert dict(data.facts) == {"allocated": "8 GiB to 3 volumes, of 3 GiB", "when full": "writes wait"}


async def test_without_the_kernels_count(host: Host) -> None:
    """The percentages of lvs are used; a pool that is not active has no level."""
    host.toolbox.says("dmsetup", "")
    seen = await host.observe()
    assert find(seen, "thin pool vg0/thin0", "data", Level).used == pytest.approx(0.053 * 3 * 2**30)
    assert find(seen, "thin pool vg0/thin0", "metadata", Level).used == pytest.approx(0.1138 * 8 * 2**20)
    host.volumes("thin0", data_percent="", metadata_percent="", lv_metadata_size="")
    assert not [
        key
        for key in keys(await host.observe())
        if key in {"thin pool vg0/thin0: data", "thin pool vg0/thin0: metadata"}
    ]


FULL = "3 478/2048 49152/49152 - out_of_data_space discard_passdown queue_if_no_space - 512"
"""What the kernel said of a pool that had run out of data, as it did for the whole minute in which writes waited."""


async def test_metadata_is_full_exactly_when_writers_fail(host: Host) -> None:
    """Measured on Linux 6.1: writers still wrote at 999 of 1024 blocks, and failed with the metadata at 1024."""
    for used in (999, 1024):
        host.thin(f"20 {used}/1024 8538/9600 - rw discard_passdown queue_if_no_space - 256")
        metadata = find(await host.observe(), "thin pool vg0/thin0", "metadata", Level)
        assert metadata.used / metadata.capacity == used / 1024


async def test_a_pool_that_has_run_out_of_data(host: Host) -> None:
    """The level is exactly full, and the health says what writers meet."""
    host.thin(FULL)
    seen = await host.observe()
    data = find(seen, "thin pool vg0/thin0", "data", Level)
    assert data.used == data.capacity
    health = find(seen, "thin pool vg0/thin0", "health", Condition)
    assert (health.ok, health.grave) == (False, True)
    assert "no data space is left" in health.reason


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("20 1024/1024 8538/9600 - ro discard_passdown queue_if_no_space - 256", "is read-only"),
        ("20 1024/1024 8538/9600 - ro discard_passdown queue_if_no_space needs_check 256", "is read-only"),
        ("3 478/2048 100/49152 - rw discard_passdown queue_if_no_space needs_check 512", "needs a check"),
        ("Fail", "has failed"),
        ("Error", "has failed"),
    ],
)
async def test_a_pool_that_is_at_fault(host: Host, status: str, words: str) -> None:
    """The kernel's words for it: admin-guide/device-mapper/thin-provisioning.rst."""
    host.thin(status)
    health = find(await host.observe(), "thin pool vg0/thin0", "health", Condition)
    assert health.grave
    assert words in health.reason


@pytest.mark.parametrize(
    ("said", "words"),
    [("out_of_data", "no data space is left"), ("failed", "has failed"), ("partial", "lvs reports: partial")],
)
async def test_what_lvs_says_of_a_pools_health(host: Host, said: str, words: str) -> None:
    """Where the kernel's line says nothing of it."""
    host.volumes("thin0", lv_health_status=said, seg_monitor="", lv_when_full="error")
    seen = await host.observe()
    health = find(seen, "thin pool vg0/thin0", "health", Condition)
    assert words in health.reason
    assert dict(health.facts)["when full"] == "writes fail at once"
    assert dict(health.facts)["automatic extension"].startswith("off")


async def test_a_volume_group(host: Host) -> None:
    """Its level may be full; its free space is judged only where the operator asks for some."""
    seen = await host.observe()
    space = find(seen, "volume group vg0", "space", Level)
    assert (space.used, space.capacity, space.not_judged) == (4290772992 - 1052770304, 4290772992, True)
    assert find(seen, "volume group vg0", "health", Condition).ok
    assert "volume group vg0: free space" not in keys(seen)
    short = find(await host.observe(group_free="1 GiB"), "volume group vg0", "free space", Condition)
    assert short.reason == "0.98 GiB are free, limit 1 GiB"
    assert find(await host.observe(group_free="900 MiB"), "volume group vg0", "free space", Condition).ok


async def test_a_group_that_misses_a_disk(host: Host) -> None:
    """Grave; and a group that has no size has no level."""
    host.toolbox.says(
        "vgs", '{"report":[{"vg":[{"vg_name":"vg0","vg_size":"0","vg_free":"0","vg_missing_pv_count":"1"}]}]}'
    )
    seen = await host.observe()
    assert find(seen, "volume group vg0", "health", Condition).grave
    assert "volume group vg0: space" not in keys(seen)


async def test_volumes_that_are_at_fault(host: Host) -> None:
    """Told once for the group, with the volumes' names; what is by design is no fault."""
    host.volumes("vm1", lv_health_status="refresh needed")
    assert find(await host.observe(), "volume group vg0", "volumes", Condition).reason == "vm1: refresh needed"
    host.volumes("vm1", lv_health_status="writemostly")
    assert find(await host.observe(), "volume group vg0", "volumes", Condition).ok


async def test_a_snapshot_with_a_space_of_its_own(host: Host) -> None:
    """It is lost when that is full, so it is a level."""
    host.volumes("vm2", lv_attr="swi-a-s---", pool_lv="", origin="vm1", data_percent="25.00")
    space = find(await host.observe(), "snapshot vg0/vm2", "space", Level)
    assert (space.used, space.capacity) == (2**30, 2**32)


async def test_what_each_volume_holds_is_a_part_of_its_pool(host: Host) -> None:
    """Only of those that are active; and only now and then."""
    probe = LvmProbe(LvmSettings(), host.bench)
    parts = [each for each in await probe.observe() if isinstance(each, Level) and each.part_of]
    assert {each.key.subject for each in parts} == {"volume vg0/vm1", "volume vg0/vm2"}
    assert {each.part_of for each in parts} == {SeriesKey("thin pool vg0/thin0", "data")}
    assert find(parts, "volume vg0/vm1", "own data", Level).used == pytest.approx(0.0312 * 2**31)
    assert not [each for each in await probe.observe() if isinstance(each, Level) and each.part_of]
    await probe.close()


async def test_promises_are_judged_only_where_a_limit_is_set(host: Host) -> None:
    """8 GiB by two volumes and a snapshot, of 3 GiB."""
    assert "thin pool vg0/thin0: allocation" not in keys(await host.observe())
    over = find(await host.observe(overcommit_limit=2), "thin pool vg0/thin0", "allocation", Condition)
    assert over.reason == "8 GiB are allocated to volumes, 3 GiB exist, limit 2 times that"
    assert find(await host.observe(overcommit_limit=3), "thin pool vg0/thin0", "allocation", Condition).ok


async def test_what_is_left_out(host: Host) -> None:
    """A whole group, or one volume."""
    assert await host.observe(exclude=["vg0"]) == []
    assert "volume vg0/vm1: own data" not in keys(await host.observe(exclude=["*/vm1"]))


async def test_without_root(host: Host, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No helper: said as what it is. Nothing is taken from the empty report that lvs gives without root."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PrivilegeMissing, match="needs root"):
        await host.observe(helper=str(tmp_path / "none"))


async def test_without_lvm(host: Host) -> None:
    """The tool is not installed: the package is named."""
    for tool in ("lvs", "vgs", "dmsetup"):
        (host.toolbox.folder / tool).unlink()
    with pytest.raises(ToolMissing, match="Debian"):
        await host.observe()


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"report": [{"lv": 7}]}', '{"report": [{"lv": ["x"]}]}', VOLUMES[:400]]
)
def test_a_report_that_cannot_be_read(text: str) -> None:
    """Empty, cut short, or of another form."""
    with pytest.raises(ProbeError, match="JSON report"):
        read_volumes(text)


@given(st.integers(0, len(VOLUMES) - 1))
def test_a_report_that_is_cut_short_anywhere(end: int) -> None:
    """JSON that has not ended is never taken for a shorter list; only the line break behind it is not missed."""
    try:
        found = read_volumes(VOLUMES[:end])
    except ProbeError:
        return
    assert found == read_volumes(VOLUMES)


@pytest.mark.parametrize("size", ["", "many", "inf", "1,5"])
def test_a_size_that_is_no_number(size: str) -> None:
    """Nothing is guessed."""
    with pytest.raises(ProbeError, match="expected a number"):
        read_volumes(json.dumps({"report": [{"lv": [{"lv_size": size}]}]}))


def test_sizes_with_their_unit() -> None:
    """Without --nosuffix there is a B behind each: real output of vgs."""
    assert read_groups(GROUPS) == [Group("vg0", 4290772992, 1052770304, 0)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1795582585", utc("2026-11-25 04:56:25")),
        ("2026-11-25 04:56:25 +0000", utc("2026-11-25 04:56:25")),
        ("2026-11-25 05:56:25 +0100", utc("2026-11-25 04:56:25")),
        ("25.11.2026", None),
        ("9" * 30, None),
    ],
)
def test_times_in_the_forms_that_lvm_has(text: str, expected: object) -> None:
    """Seconds since 1970, as we ask for; its default form; and nothing where lvm.conf has another."""
    report = json.dumps({"report": [{"lv": [{"lv_size": "1", "lv_time": text}]}]})
    assert read_volumes(report)[0].made_at == expected


def test_the_kernels_line_of_a_thin_pool() -> None:
    """Among other targets' lines, which are passed over."""
    assert read_thin_status(THIN) == {"vg0-thin0-tpool": ThinStatus("rw", False, 233, 2048, 2605, 49152)}


@given(st.text())
def test_any_line_is_read_without_a_fault(text: str) -> None:
    """What is no thin pool is passed over; what is one in a form of its own has failed."""
    assert all(isinstance(each, ThinStatus) for each in read_thin_status(text).values())
    read_thin_status(f"a: 0 1 thin-pool {text}")


def test_hyphens_in_names() -> None:
    """The device mapper doubles them: dmsetup(8), mangling of names by LVM."""
    assert mapper_name("vg-0", "a--b") == "vg--0-a----b-tpool"
    assert lvm_tables.mapper_name("vg0", "thin0") in read_thin_status(THIN)
