"""The names of things on this host, from files as the kernel has them, and from programs that list them."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from watchkeeper.cli.commands.configuration import host_names, unmatched
from watchkeeper.probes import registry


def write(root: Path, **files: str) -> None:
    """Files below a folder; two underscores separate folders."""
    for name, content in files.items():
        path = root / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)


def test_every_key_is_one_of_its_kind() -> None:
    """A key that a kind does not have would end check-config."""
    for kind, keys in unmatched._NAMED.items():
        fields = registry.PROBES[kind].settings.model_fields
        assert set(keys) <= set(fields), kind


def test_sensors_and_fans_are_named_and_not_read(tmp_path: Path) -> None:
    """Their inputs are no numbers: reading them would not be useful, and may wake a disk."""
    chip = "sys__class__hwmon__hwmon0__"
    inputs = {"temp1_input": "", "temp1_label": "Composite", "fan2_input": "", "fan2_label": "rear"}
    write(tmp_path, **{f"{chip}{name}": text for name, text in {"name": "nct6775", **inputs}.items()})
    assert host_names.sensors(tmp_path) == ["nct6775 Composite"]
    assert host_names.fans(tmp_path) == ["fan nct6775 rear"]
    assert host_names.fans(tmp_path / "none") == []


def test_volumes_of_lvm_have_their_groups(tmp_path: Path) -> None:
    """Hyphens within a name are doubled in the device's; other devices are no volumes."""
    write(tmp_path, **{"sys__block__dm-0__dm__uuid": "LVM-x1", "sys__block__dm-0__dm__name": "vg0-tide--log"})
    write(tmp_path, **{"sys__block__dm-1__dm__uuid": "CRYPT-LUKS2-x2", "sys__block__dm-1__dm__name": "secret"})
    (tmp_path / "sys/block/dm-2/dm").mkdir(parents=True)
    assert host_names.volumes(tmp_path) == {"vg0", "vg0/tide-log"}
    assert {"vg0", "vg0/tide-log"} <= host_names.pools(tmp_path)


def test_disks_have_their_device_model_and_serial_number(tmp_path: Path) -> None:
    """From the kernel's files, and from udev's links where it has none."""
    write(tmp_path, sys__block__sda__device__model="WDX 80 \n", sys__block__sda__device__vendor="ATA")
    links = tmp_path / "dev/disk/by-id"
    links.mkdir(parents=True)
    (links / "ata-WDX_80_S2R5NX0H").symlink_to("../../sda")
    assert {"/dev/sda", "WDX 80", "S2R5NX0H"} <= host_names.disks(tmp_path)
    assert "ATA" not in host_names.disks(tmp_path)


def test_mount_points_of_btrfs(tmp_path: Path) -> None:
    """As in proc(5); nothing where the kernel shows none."""
    lines = "36 25 0:31 / /srv rw shared:1 - btrfs /dev/sda1 rw\n25 1 8:1 / / rw - ext4 /dev/sdb1 rw\n"
    assert host_names.btrfs_points(tmp_path) == ()
    write(tmp_path, proc__self__mountinfo=lines)
    assert host_names.btrfs_points(tmp_path) == ["/srv"]


def test_guests_by_the_command_lines_of_qemu(tmp_path: Path) -> None:
    """Only those that have a name."""
    write(tmp_path, proc__71__cmdline="qemu-system-x86_64\0-name\0guest=tide-log,debug-threads=on\0")
    write(tmp_path, proc__72__cmdline="qemu-system-x86_64\0-m\0512\0")
    assert host_names.guests(tmp_path) == ["tide-log"]


def test_containers_unless_an_engine_has_others(tmp_path: Path) -> None:
    """Those of systemd-nspawn have a cgroup with their name; those of an engine have a number."""
    folder = "sys__fs__cgroup__machine.slice__machine-tide.scope__"
    write(tmp_path, **{f"{folder}memory.current": "1", f"{folder}memory.max": "max", f"{folder}memory.stat": ""})
    write(tmp_path, **{f"{folder}pids.current": "1", f"{folder}pids.max": "max"})
    assert host_names.containers(tmp_path) == ["tide"]
    write(tmp_path, run__docker__sock="")
    (tmp_path / "run/docker/sock").rename(tmp_path / "run/docker.sock")
    assert host_names.containers(tmp_path) == ()


def test_datasets_are_listed_by_zfs(tmp_path: Path) -> None:
    """Without root; a program that fails lists nothing."""

    def listed(status: int) -> frozenset[str]:
        program = tmp_path / "zfs"
        program.write_text(f"#!{sys.executable}\nprint('skerry\\nskerry/tide-log')\nraise SystemExit({status})\n")
        program.chmod(0o755)
        host_names.datasets.cache_clear()
        return host_names.datasets(str(tmp_path))

    assert listed(0) == {"skerry", "skerry/tide-log"}
    assert listed(1) == frozenset()


@pytest.mark.parametrize("name", [host_names.sensors, host_names.disks, host_names.volumes, host_names.guests])
def test_nothing_is_there(name: Callable[[Path], object], tmp_path: Path) -> None:
    """No folder is no error."""
    assert not name(tmp_path)
