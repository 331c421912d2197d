"""Which disk is it: a tree as the kernel and udev lay it out, and the texts of real probes about its disks."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.hands import SetClock
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import OWN_NAME, Answer, Condition, Level, Observed, SeriesKey, Unseen
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.registry import NAME_DISKS, PROBES
from watchkeeper.probes.storage.disk_names import Naming, WithDiskNames, read_disks
from watchkeeper.probes.storage.smart.disks import SmartProbe, SmartSettings

LINK = "ata-Example_HDD_4TB_S2R5NX0H"


def put(root: Path, name: str, links: Sequence[str] = (), path: str = "", slot: str = "", **files: str | bytes) -> None:
    """Plug in a disk. files: below its device."""
    folder = root / "sys/block" / name
    (folder / "device").mkdir(parents=True)
    for file, text in files.items():
        (folder / "device" / file).write_bytes(text if isinstance(text, bytes) else text.encode())
    if slot:
        (folder / f"device/enclosure_device:{slot}").mkdir()
    for place, names in (("by-id", links), ("by-path", [path] if path else [])):
        (root / "dev/disk" / place).mkdir(parents=True, exist_ok=True)
        for each in names:
            (root / "dev/disk" / place / each).symlink_to(f"../../{name}")


def pull(root: Path, name: str) -> None:
    """Take it out: the kernel and udev forget it."""
    (root / "sys/block" / name).rename(root / f"pulled-{name}")
    for link in (root / "dev/disk").glob("*/*"):
        if link.is_symlink() and link.readlink().name == name:
            link.unlink()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A host with a SATA disk in a bay, an NVMe, and a loop device."""
    page = b"\x00\x80\x00\x10" + b"S2R5NX0H".rjust(16)
    links = [LINK, "wwn-0x5000c500a1b2c3d4"]
    put(tmp_path, "sda", links, "pci-0000:00:17.0-ata-1", "Slot 03", model="Example HDD 4TB ", vpd_pg80=page)
    put(tmp_path, "nvme0n1", ["nvme-Example_N1TB_77AA88"], "pci-0000:01:00.0-nvme-1", model="Example N1TB",
        serial="77AA88")  # fmt: skip
    (tmp_path / "sys/block/loop0").mkdir()
    (tmp_path / "dev/disk/by-id/README").write_text("no link\n")
    return tmp_path


def test_what_the_kernel_and_udev_say(root: Path) -> None:
    """Serial numbers of both sorts, links, path and bay, in one description."""
    nvme, sata = read_disks(root)
    assert (sata.serial, sata.slot, sata.links) == ("S2R5NX0H", "Slot 03", (LINK, "wwn-0x5000c500a1b2c3d4"))
    assert sata.description({}) == "bay Slot 03; Example HDD 4TB S2R5NX0H; sda; pci-0000:00:17.0-ata-1"
    assert sata.description({"S2R5NX0H": "upper bay"}).startswith("upper bay; bay Slot 03; Example")
    assert (nvme.serial, nvme.label({}), nvme.label({"pci-0000:01:00.0-nvme-1": "fast"})) == ("77AA88", "", "fast")
    assert read_disks(root / "nowhere") == []


@pytest.mark.parametrize(
    ("reason", "expected"),
    [
        (f"the pool is DEGRADED: {LINK} is FAULTED", f"the pool is DEGRADED: {LINK} (upper bay) is FAULTED"),
        (f"{LINK}-part1 is REMOVED", f"{LINK}-part1 (upper bay) is REMOVED"),
        ("faulty: sda1, sdb1", "faulty: sda1 (upper bay), sdb1"),
        ("sda: I/O error, then sda: reset", "sda (upper bay): I/O error, then sda: reset"),
        ("/dev/sda.", "/dev/sda (upper bay)."),
        ("nvme0: timeout", "nvme0 (fast): timeout"),
        ("nvme0n1p2 is missing", "nvme0n1p2 (fast) is missing"),
        ("sdaa and xsda and sda-old", "sdaa and xsda and sda-old"),
        ("", ""),
    ],
)
def test_every_form_in_a_reason(root: Path, reason: str, expected: str) -> None:
    """ZFS, md, the kernel: each disk has its name where it is first mentioned; what only looks like one has none."""
    naming = Naming(read_disks(root), {f"/dev/disk/by-id/{LINK}": "upper bay", "77AA88": "fast"})
    named = naming.applied(Condition(SeriesKey("pool skerry", "health"), not reason, reason))
    assert isinstance(named, Condition)
    assert named.reason == expected
    assert [name for name, _ in named.facts] == ["which disk"] * (expected != reason)


def test_a_disk_that_only_a_tool_knows() -> None:
    """It is behind a controller, so the kernel has no device for it: its serial number alone is enough."""
    naming = Naming((), {"S2R5NX0H": "upper bay", "S1": "too short to be looked for"})
    named = naming.applied(Condition(SeriesKey("disk Example S2R5NX0H", "health"), ok=False, reason="S1 fails"))
    assert isinstance(named, Condition)
    assert (named.reason, named.facts) == ("S1 fails", ((OWN_NAME, "upper bay"), ("which disk", "upper bay")))


def test_the_subject_itself(root: Path) -> None:
    """SMART's subject has the serial number: the name is a fact, the key and the reason stay; so does a level's."""
    naming = Naming(read_disks(root), {"Slot 03": "upper bay"})
    key = SeriesKey("disk Example HDD 4TB S2R5NX0H", "early signs")
    named = naming.applied(Condition(key, ok=False, reason="8 pending sectors", facts=(("a", "b"),)))
    assert isinstance(named, Condition)
    assert (named.key, named.reason) == (key, "8 pending sectors")
    assert named.facts[0] == (OWN_NAME, "upper bay")
    assert dict(named.facts)["which disk"].startswith("upper bay; bay Slot 03; Example")
    level = naming.applied(Level(SeriesKey("disk nvme0n1", "endurance"), 1, 2))
    assert isinstance(level, Level)
    assert level.facts == (("which disk", "Example N1TB 77AA88; nvme0n1; pci-0000:01:00.0-nvme-1"),)
    other = Answer(SeriesKey("service tide-log", "answer"), answered=True)
    assert naming.applied(other) == other
    assert naming.applied(Unseen("disk sda", "why")) == Unseen("disk sda", "why")
    assert Naming((), {}).applied(level) is level


class Pool(BaseProbe):
    """A probe that always reports the same."""

    def __init__(self) -> None:
        self.closed = False

    async def observe(self) -> Sequence[Observed]:
        return [Condition(SeriesKey("pool skerry", "health"), ok=False, reason=f"{LINK} is REMOVED")]

    async def close(self) -> None:
        self.closed = True


async def test_a_disk_that_has_dropped_out_still_has_its_name(root: Path, still: ProbeContext, clock: SetClock) -> None:
    """It is remembered, also over a restart of the daemon; its letter may belong to another one by then."""
    bench = replace(still, disk_names={"S2R5NX0H": "upper bay"})

    async def reason(probe: WithDiskNames) -> str:
        (seen,) = await probe.observe()
        assert isinstance(seen, Condition)
        return seen.reason

    probe = WithDiskNames(Pool(), SmartSettings(), bench, root)
    assert await reason(probe) == f"{LINK} (upper bay) is REMOVED"
    pull(root, "sda")
    put(root, "sda", model="Another", serial="ZZ99YY88")
    clock.advance(700)
    assert await reason(probe) == f"{LINK} (upper bay) is REMOVED"
    again = WithDiskNames(Pool(), SmartSettings(), bench, root)
    assert await reason(again) == f"{LINK} (upper bay) is REMOVED"
    mention = again._naming.applied(Condition(SeriesKey("array md0", "health"), ok=False, reason="faulty: sda"))
    assert isinstance(mention, Condition)
    assert mention.facts == (("which disk", "Another ZZ99YY88; sda"),)
    await again.close()
    assert isinstance(again.probe, Pool)
    assert again.probe.closed


async def test_disks_that_cannot_be_read(root: Path, still: ProbeContext) -> None:
    """The names stay as they are, and the observations come."""

    class Hanging:
        async def call(self, *_: object) -> None:
            await asyncio.sleep(0)
            raise ProbeError("it hangs")

    probe = WithDiskNames(Pool(), SmartSettings(), replace(still, workers=Hanging()), root)  # type: ignore[arg-type]
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert seen.reason == f"{LINK} is REMOVED"


def test_the_kinds_that_speak_of_disks(still: ProbeContext) -> None:
    """Each is wrapped, and nothing else: pools, arrays, SMART and the kernel's log."""
    assert {"zfs", "raid", "smart", "kernel-log", "btrfs", "lvm", "disk-latency"} <= NAME_DISKS
    made = PROBES["smart"].make(SmartSettings(), still)
    assert isinstance(made, WithDiskNames)
    assert isinstance(made.probe, SmartProbe)
