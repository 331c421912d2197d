"""The fixed list: what root runs, and for what."""

import re
import sys
from pathlib import Path

import pytest

from tests.probes.toolbox import Toolbox, sample
from watchkeeper.privileged import commands
from watchkeeper.privileged.commands import COMMANDS, Target, btrfs_mounts, collect, disks

READING = {
    "lvs": {"--all", "--reportformat", "--units", "--nosuffix", "--options"},
    "vgs": {"--reportformat", "--units", "--nosuffix", "--options"},
    "dmsetup": {"status", "--target"},
    "smartctl": {"--json", "--nocheck", "--all", "--log"},
    "btrfs": {"subvolume", "list", "scrub", "status", "-s", "-R"},
    "systemctl": {
        "list-units",
        "--user",
        "--all",
        "--state=failed,auto-restart",
        "--full",
        "--no-pager",
        "--output=json",
    },
    "postqueue": {"-j"},
    sys.executable: {"-I", "-m"},
    "ionice": {"--class", "-I", "-m"},
}
"""Every option and subcommand that the list may hold: each of them only reads, by its manual."""

MOUNTS = """\
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw
30 22 0:31 / /srv/two\\040words rw shared:2 - btrfs /dev/vdb rw
31 22 0:31 /vms /v rw shared:2 - btrfs /dev/vdb rw,subvol=/vms
32 22 0:40 / /-n rw - btrfs /dev/vdc rw
33 22 0:41 / odd rw - btrfs /dev/vdd rw
nonsense
"""


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Stand-ins for the system's tools."""
    return Toolbox(tmp_path, monkeypatch)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_only_reads(name: str) -> None:
    """The list holds no program, subcommand or option beyond those that were read up on."""
    for tool, *rest in COMMANDS[name].argvs:
        words = {word for word in rest if word.startswith("-") or tool in {"btrfs", "dmsetup"}}
        assert words - {commands.EPOCH, "thin-pool"} <= READING[tool]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_entry_says_what_it_is_for(name: str) -> None:
    """A name is a plain word, so that it is safe wherever it is shown."""
    assert re.fullmatch(r"[a-z-]{1,30}", name)
    assert COMMANDS[name].about


def test_a_name_that_is_not_in_the_list() -> None:
    """Nothing is run."""
    with pytest.raises(KeyError):
        collect("volumes; reboot")


def test_a_command_without_targets_is_run_once(toolbox: Toolbox) -> None:
    """Its result bears the program's name, and every argument is as the list has it."""
    for tool in ("lvs", "vgs", "dmsetup"):
        toolbox.put(tool, 'for word; do printf "%s\\n" "$word"; done')
    results = collect("lvm")
    assert [each.target for each in results] == ["lvs", "vgs", "dmsetup"]
    for result, argv in zip(results, COMMANDS["lvm"].argvs, strict=True):
        assert result.ran.stdout.decode().splitlines() == list(argv[1:])


def test_each_btrfs_is_asked_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Two mounts of one are one; escapes are undone; a point that is no whole path could be an option: passed over."""
    mountinfo = tmp_path / "mountinfo"
    mountinfo.write_text(MOUNTS)
    monkeypatch.setattr(commands, "MOUNTS", mountinfo)
    assert btrfs_mounts().found == (Target("/-n", ("/-n",)), Target("/v", ("/v",)))


def test_a_command_is_run_for_each_target(toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Results come in the order of the targets, and one that hangs does not keep the others' from coming."""
    mountinfo = tmp_path / "mountinfo"
    mountinfo.write_text(MOUNTS)
    monkeypatch.setattr(commands, "MOUNTS", mountinfo)
    monkeypatch.setattr(commands, "TIMEOUT_S", 0.5)
    toolbox.put("btrfs", '[ "$4" = /-n ] && sleep 60; echo "$@"')
    hanging, well = collect("subvolumes")
    assert (hanging.target, hanging.ran.timed_out) == ("/-n", True)
    assert (well.target, well.ran.stdout) == ("/v", b"subvolume list -s /v\n")


def scan(*devices: str) -> str:
    """A report of smartctl --scan."""
    return f'{{"devices": [{", ".join(devices)}]}}'


def test_disks_come_from_smartctl_itself(toolbox: Toolbox) -> None:
    """A guessed type is left to smartctl; one that names a place behind a controller is kept."""
    toolbox.says(
        "smartctl",
        scan(
            '{"name": "/dev/sda", "type": "scsi"}',
            '{"name": "/dev/nvme0", "type": "nvme"}',
            '{"name": "/dev/bus/0", "type": "megaraid,3"}',
        ),
    )
    assert disks().found == (
        Target("/dev/sda", ("/dev/sda",)),
        Target("/dev/nvme0", ("/dev/nvme0",)),
        Target("/dev/bus/0 megaraid,3", ("--device", "megaraid,3", "/dev/bus/0")),
    )


def test_a_disk_with_an_odd_name_is_not_asked(toolbox: Toolbox) -> None:
    """What could be read as an option, or lies outside /dev, is passed over."""
    toolbox.says(
        "smartctl",
        scan(
            '{"name": "--set=x"}',
            '{"name": "/etc/shadow"}',
            '{"name": "/dev/a b"}',
            '{"name": "/dev/sda", "type": "-s"}',
        ),
    )
    assert [each.arguments for each in disks().found] == [("--device", "-s", "/dev/sda")]


def test_a_machine_without_disks_that_smartctl_knows(toolbox: Toolbox) -> None:
    """A virtual machine: the real report names none, and nothing is run."""
    toolbox.says("smartctl", sample("smartctl-scan.json").stdout)
    assert collect("disks") == []


@pytest.mark.parametrize("said", ["", "[]", "no JSON", '{"devices": [7]}', '{"devices": [{}]}', '{"devices": 7}'])
def test_a_scan_that_cannot_be_read(toolbox: Toolbox, said: str) -> None:
    """The look for disks failed: that is the result, and not that there are none."""
    toolbox.says("smartctl", said)
    (result,) = collect("disks")
    assert result.ran.status is None
    assert b"--scan" in result.ran.stderr


def test_a_scan_that_fails(toolbox: Toolbox) -> None:
    """Its own end is the result."""
    toolbox.says("smartctl", "", status=1, stderr="no")
    (result,) = collect("disks")
    assert (result.ran.status, result.ran.stderr) == (1, b"no")


def test_a_tool_that_is_not_installed(toolbox: Toolbox) -> None:
    """It is said to be missing."""
    assert not (toolbox.folder / "lvs").exists()
    (result,) = collect("volumes")
    assert result.ran.missing
