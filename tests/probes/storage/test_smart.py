"""Disks' own word: smartctl's report and the bits of its exit status, as smartctl(8) has them.

No disk of ours has failed yet, so the reports of sick ones are made up by the manual and by the names of the fields in
smartmontools 7.3; those of a machine without SMART are real.
"""

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.toolbox import Toolbox, find, keys, sample
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Level, Observed, Unit
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.smart.disks import SmartProbe, SmartSettings
from watchkeeper.probes.storage.smart.report import SLEEPS, Disk, Status, read_disk

NVME = {
    "model_name": "Example NVMe 1TB",
    "serial_number": "N1",
    "smart_status": {"passed": True, "nvme": {"value": 0}},
    "nvme_smart_health_information_log": {"critical_warning": 0, "percentage_used": 7, "media_errors": 0},
    "temperature": {"current": 41},
    "power_on_time": {"hours": 1200},
}
SATA = {
    "model_name": "Example HDD 4TB",
    "serial_number": "S1",
    "smart_status": {"passed": True},
    "ata_smart_attributes": {
        "table": [{"id": 5, "raw": {"value": 0}}, {"id": 197, "raw": {"value": 8}}, {"id": 9, "raw": {"value": 5}}]
    },
}
SSD = {
    "model_name": "Example SSD",
    "serial_number": "D1",
    "ata_device_statistics": {
        "pages": [
            {"number": 1, "table": [{"name": "Lifetime Power-On Resets", "value": 3}]},
            {
                "number": 7,
                "table": [{"name": "Percentage Used Endurance Indicator", "value": 103, "flags": {"valid": True}}],
            },
        ]
    },
}
NVME_SUBJECT, SATA_SUBJECT = "disk Example NVMe 1TB N1", "disk Example HDD 4TB S1"


class Host:
    """A host with disks, on which the daemon is root."""

    def __init__(self, folder: Path, toolbox: Toolbox, bench: ProbeContext) -> None:
        self.toolbox, self.bench, self.proc = toolbox, bench, folder / "proc"
        self.boot_id = self.proc / "sys/kernel/random/boot_id"
        self.boot_id.parent.mkdir(parents=True)
        self.boot_id.write_text("first\n")
        self.disks: dict[str, tuple[Mapping[str, Any] | str, int]] = {}

    def disk(self, name: str, said: Mapping[str, Any] | str, status: int = 0) -> None:
        """Put in a disk, of which smartctl says this."""
        self.disks[f"/dev/{name}"] = (said, status)
        listed = json.dumps({"devices": [{"name": each, "type": "scsi"} for each in self.disks]})
        cases = []
        for number, (each, (report, code)) in enumerate(self.disks.items()):
            text = self.toolbox.folder / f"report{number}"
            text.write_text(report if isinstance(report, str) else json.dumps(report))
            cases.append(f"*{each}) cat {text}; exit {code};;")
        scan = self.toolbox.folder / "scan"
        scan.write_text(listed)
        self.toolbox.put("smartctl", "\n".join(['case "$*" in', f"*--scan) cat {scan};;", *cases, "esac"]))

    def probe(self, **settings: object) -> SmartProbe:
        """A probe of this host."""
        return SmartProbe(SmartSettings.model_validate(settings), self.bench, self.proc)

    async def observe(self, **settings: object) -> list[Observed]:
        """One look of a new probe."""
        return list(await self.probe(**settings).observe())


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host that has no disk yet."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Host(tmp_path, Toolbox(tmp_path, monkeypatch), bench)


async def test_a_sound_ssd(host: Host) -> None:
    """Its wear is a level like any other; it is known by model and serial number, for its device name may change."""
    host.disk("nvme0", NVME)
    seen = await host.observe()
    health = find(seen, NVME_SUBJECT, "health", Condition)
    assert health.ok
    assert health.facts == (("device", "/dev/nvme0"), ("temperature", "41 °C"), ("powered on", "1200 h"))
    wear = find(seen, NVME_SUBJECT, "endurance", Level)
    assert (wear.used, wear.capacity, wear.unit) == (0.07, 1.0, Unit.SHARE)
    assert find(seen, "probe smart", "sees all", Condition).ok


async def test_wear_beyond_the_rated_endurance(host: Host) -> None:
    """It may pass 100 %: the maker's rating is over, and the disk may go on. A SATA SSD tells it elsewhere."""
    host.disk("sda", SSD)
    assert find(await host.observe(), "disk Example SSD D1", "endurance", Level).used == 1.03


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({"scsi_percentage_used_endurance_indicator": 12}, 0.12),
        ({"endurance_used": {"current_percent": 3}}, 0.03),
        ({"nvme_smart_health_information_log": {"percentage_used": 255}}, 2.55),
        ({"nvme_smart_health_information_log": {"percentage_used": True}}, None),
        ({"ata_device_statistics": {"pages": [{"table": [{"name": "Percentage Used Endurance Indicator", "value": 5,
                                                         "flags": {"valid": False}}]}]}}, None),
        ({}, None),
    ],
)  # fmt: skip
def test_where_wear_is_told(said: dict[str, Any], expected: float | None) -> None:
    """SAS, newer smartctl, NVMe at the end of its counter; and what is marked as not valid, or not there."""
    assert read_disk(json.dumps(said), 0).wear_share == expected


@pytest.mark.parametrize(
    ("status", "words", "grave"),
    [
        (0, "", False),
        (4, "", False),
        (32, "", False),
        (64, "", False),
        (8, "failing: copy its data", True),
        (8 | 16, "failing: copy its data", True),
        (16, "predicts failure", False),
        (128, "a self-test failed", False),
        (16 | 128, "at its threshold: copy its data; a self-test failed", False),
    ],
)
async def test_each_bit_of_the_exit_status(host: Host, status: int, words: str, grave: bool) -> None:  # noqa: FBT001  parametrised
    """The status is a set of bits: old entries of the error log and a value that was once low are no fault now."""
    host.disk("sda", {**SATA, "smart_status": {}}, status)
    health = find(await host.observe(), SATA_SUBJECT, "health", Condition)
    assert (health.ok, health.grave) == (not words, grave)
    assert words in health.reason


async def test_what_a_disk_counts_is_shown(host: Host) -> None:
    """Makers count differently, so it is shown and not judged; what is 0 is not shown."""
    host.disk("sda", SATA, 64)
    facts = dict(find(await host.observe(), SATA_SUBJECT, "health", Condition).facts)
    assert facts == {"device": "/dev/sda", "pending sectors": "8", "error log": "has entries, possibly old"}


async def test_a_disk_that_says_itself_that_it_fails(host: Host) -> None:
    """Its verdict alone is enough; NVMe's warnings say why."""
    health = {"critical_warning": 1 | 8, "percentage_used": 99}
    host.disk("nvme0", {**NVME, "smart_status": {"passed": False}, "nvme_smart_health_information_log": health}, 8)
    seen = find(await host.observe(), NVME_SUBJECT, "health", Condition)
    assert seen.grave
    assert seen.reason.endswith("replace it; its spare space has fallen below the threshold; it has become read-only")


SLEEPING = {"smartctl": {"messages": [{"string": "Device is in STANDBY mode, exit(3)", "severity": "information"}]}}


async def test_a_sleeping_disk_is_not_woken(host: Host) -> None:
    """What it said last stands, across a restart of the daemon too; after one of the host it may be another disk."""
    host.disk("sda", SATA)
    await host.observe()
    host.disk("sda", SLEEPING, SLEEPS)
    seen = await host.observe()
    health = find(seen, SATA_SUBJECT, "health", Condition)
    assert health.ok
    assert dict(health.facts)["asleep"]
    host.boot_id.write_text("second\n")
    assert keys(await host.observe()) == {"probe smart: sees all"}
    host.boot_id.unlink()
    assert keys(await host.observe()) == {"probe smart: sees all"}


async def test_one_disk_that_says_nothing_takes_no_other_with_it(host: Host) -> None:
    """The report of a virtual disk: it is named with smartctl's own words, and left out if the operator says so."""
    virtual = sample("smartctl-virtio.json")
    host.disk("vda", virtual.stdout, virtual.status)
    host.disk("nvme0", NVME)
    seen = await host.observe()
    assert find(seen, NVME_SUBJECT, "health", Condition).ok
    assert (
        "/dev/vda: Unable to detect device type; list it under exclude"
        in find(seen, "probe smart", "sees all", Condition).reason
    )
    assert find(await host.observe(exclude=["/dev/vd*"]), "probe smart", "sees all", Condition).ok


async def test_no_disk_says_anything(host: Host) -> None:
    """Then the probe has seen nothing at all."""
    host.disk("vda", "no JSON")
    with pytest.raises(ProbeError, match=r"did not print JSON about /dev/vda"):
        await host.observe()
    host.disk("vda", "{}", 1)
    with pytest.raises(ProbeError, match="/dev/vda reports nothing; list it under exclude"):
        await host.observe()


async def test_disks_that_are_left_out(host: Host) -> None:
    """By model or serial number, too."""
    host.disk("sda", SATA)
    assert keys(await host.observe(exclude=["S1"])) == keys(await host.observe(exclude=["*HDD*"])) == {
        "probe smart: sees all"
    }  # fmt: skip


async def test_a_disk_without_a_name_of_its_own(host: Host) -> None:
    """One that gives a verdict but no model is known by its device."""
    host.disk("sda", {"smart_status": {"passed": True}})
    assert "disk /dev/sda: health" in keys(await host.observe())


async def test_no_disks_at_all(host: Host) -> None:
    """The real list of a virtual machine is empty: a probe that watches nothing says so."""
    host.toolbox.says("smartctl", sample("smartctl-scan.json").stdout)
    with pytest.raises(ProbeError, match="finds no disk"):
        await host.observe()


async def test_without_smartctl_or_root(host: Host, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The package, and the helper, are named."""
    with pytest.raises(ToolMissing, match="smartmontools"):
        await host.observe()
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PrivilegeMissing, match="needs root"):
        await host.observe(helper=str(tmp_path / "none"))
    await host.probe().close()


def test_a_report_that_is_deep(host: Host) -> None:
    """One that was made to exhaust the reader is no report."""
    probe = host.probe()
    with pytest.raises(ProbeError, match="did not print JSON"):
        probe._disk(Result("/dev/sda", Completed(0, b"[" * 100_000)))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
)
NAMES = st.sampled_from([*NVME, *SATA, *SSD, "smartctl", "endurance_used", "scsi_model_name"])


@given(st.dictionaries(NAMES, JSON), st.integers(0, 255))
def test_any_report_is_read_without_a_fault(said: dict[str, Any], status: int) -> None:
    """Every field may be of another kind than expected: it counts as not there."""
    found = read_disk(json.dumps(said), status)
    assert isinstance(found, Disk)
    assert found.status == Status(status)


@given(st.text())
def test_what_is_no_report(text: str) -> None:
    """Anything else is one error."""
    try:
        read_disk(text, 0)
    except ValueError:
        return
    assert isinstance(json.loads(text), dict)
