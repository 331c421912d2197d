"""What a restart depends on, read from files in their own formats and from recorded output of the tools."""

import asyncio
from pathlib import Path

import pytest

from tests.probes.engines import container, engine
from tests.probes.machines import short_folder
from tests.probes.toolbox import Toolbox
from watchkeeper.inventory.preflight.restart import RestartLook
from watchkeeper.planning.host_state import GuestNow
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext

SHOWN = """\
Id=hub.service
ActiveState=active
SubState=running
UnitFileState=enabled
WantedBy=multi-user.target

Id=tides.service
ActiveState=active
SubState=running
UnitFileState=disabled
BusName=

Id=resolved.service
ActiveState=active
SubState=running
UnitFileState=disabled
BusName=org.freedesktop.resolve1

Id=lamps.service
ActiveState=active
SubState=running
UnitFileState=disabled
TriggeredBy=lamps.socket

Id=ringing-db.service
ActiveState=inactive
SubState=dead
UnitFileState=disabled
"""


class Host:
    """A host in a folder."""

    def __init__(self, root: Path, bench: ProbeContext, toolbox: Toolbox) -> None:
        self.root, self.bench, self.toolbox = root, bench, toolbox
        toolbox.put("systemctl", f"cat <<'END'\n{SHOWN}END")
        self.write("proc/sys/kernel/osrelease", "6.1.0-9-amd64\n")
        self.write(
            "proc/self/mountinfo", "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n23 22 8:17 / /srv rw - xfs /dev/sdb1 rw\n"
        )
        self.write("etc/fstab", "/dev/sda2 / ext4\n/dev/sdb1 /srv xfs\n")
        for release in ("6.1.0-9-amd64", "6.1.0-10-amd64"):
            self.write(f"boot/vmlinuz-{release}", "")
            self.write(f"boot/initrd.img-{release}", "")

    def write(self, name: str, text: str | bytes) -> None:
        """Write a file."""
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())

    async def said(self, *guests: str) -> list[str]:
        """Every point that is not a go, in words."""
        known = [GuestNow(name, True, None, None, ()) for name in guests]
        points = await RestartLook(self.bench, self.root / "no-helper", self.root).points(known)
        assert {each.matter for each in points} == {Matter.RESTART}
        return [f"{each.about}: {each.reason}" for each in points if each.verdict != "go"]


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Programs that stand in for the tools."""
    return Toolbox(tmp_path, monkeypatch)


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext, toolbox: Toolbox) -> Host:
    """A host whose one fault is a service that is not enabled."""
    root = tmp_path / "root"
    root.mkdir()
    return Host(root, bench, toolbox)


TYPED = "somebody must type its key at the restart; skip this check if you will be there"
TIDES = "unit tides.service: it runs, but is disabled: nothing starts it after a restart"


async def test_one_of_each_kind_that_would_be_lost(host: Host) -> None:
    """Units, mounts, the kernel, and keys, all at once."""
    assert await host.said() == [TIDES]
    host.write(
        "proc/self/mountinfo",
        "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n24 22 8:33 / /mnt/jetty rw - ext4 /dev/sdc1 rw\n"
        "25 22 8:49 / /media/stick rw - vfat /dev/sdd1 rw\n26 22 8:33 /x /mnt/x rw - ext4 /dev/sdc1 rw\n"
        "27 22 0:5 / /run rw - tmpfs tmpfs rw\n",
    )
    host.write("boot/vmlinuz-6.1.0-11-amd64", "")
    host.write(
        "etc/crypttab",
        "# name device key options\nvault /dev/sde none luks\nauto /dev/sdf /etc/key luks\n"
        "chip /dev/sdg none tpm2-device=auto\nlater /dev/sdh - noauto\nshort /dev/sdi\n\n",
    )
    assert await host.said() == [
        TIDES,
        "mount /mnt/jetty: mounted from /dev/sdc1, but neither /etc/fstab nor an enabled mount unit names it",
        "mount /srv: /etc/fstab names it, but it is not mounted: will it be?",
        "kernel 6.1.0-11-amd64: the newest one, and its initramfs is missing in /boot",
        "encrypted volume short: somebody must type its key at the restart; skip this check if you will be there",
        "encrypted volume vault: somebody must type its key at the restart; skip this check if you will be there",
    ]


async def test_guests_by_the_unit_of_their_process(host: Host) -> None:
    """From their command line and control group; another program of that name is none."""
    host.write("proc/101/cmdline", b"/usr/bin/qemu-system-x86_64\0-name\0guest=ringing-db,debug-threads=on\0-m\x002G\0")
    host.write("proc/101/cgroup", "0::/system.slice/ringing-db.service/vcpu0\n")
    host.write("proc/102/cmdline", b"qemu-system-x86_64\0-name\0nest-cams\0")
    host.write("proc/102/cgroup", "0::/user.slice/user-1000.slice/session-3.scope\n")
    host.write("proc/103/cmdline", b"vi\0-name\0tide-log\0")
    host.write("proc/104/cmdline", b"qemu-system-x86_64\0-name")
    assert await host.said("ringing-db", "nest-cams", "tide-log") == [
        TIDES,
        "guest ringing-db: its unit ringing-db.service is disabled: nothing starts it after a restart",
        "guest nest-cams: it was started by hand (session-3.scope): nothing starts it after a restart",
        "guest tide-log: cannot tell what starts it: its process was not found",
    ]


async def test_guests_of_libvirt(host: Host) -> None:
    """Their processes are in scopes, and libvirt's own list says which it starts."""
    for pid, name in ((101, "hide-hub"), (102, "tide-log")):
        host.write(f"proc/{pid}/cmdline", f"/usr/bin/qemu-system-x86_64\0-name\0guest={name},debug-threads=on\0")
        scope = f"machine-qemu\\x2d{pid}\\x2d{name}.scope"
        host.write(f"proc/{pid}/cgroup", f"0::/machine.slice/{scope}/libvirt/emulator\n")
    host.toolbox.put("virsh", "echo hide-hub")
    assert await host.said("hide-hub", "tide-log") == [
        TIDES,
        "guest tide-log: libvirt does not start it with the host (virsh autostart)",
    ]
    host.toolbox.put("virsh", "echo 'error: no connection' >&2; exit 1")
    assert "guests of libvirt: virsh ended with status 1: error: no connection" in await host.said("hide-hub")


async def test_containers(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of each engine: by the policy and what starts the engine, or by their own unit. One that does not answer."""
    async with short_folder() as folder:
        monkeypatch.setattr(commands, "ENGINES", (f"{folder}/docker.sock", f"{folder}/podman.sock"))
        monkeypatch.setattr(RestartLook, "_under", lambda _self, path: path)
        them = [
            container(1, "hide-hub"),
            container(2, "ringing-db", policy="no"),
            container(3, "tide-log", policy="no", unit="tides.service"),
            container(4, "nest-cams", "exited", policy="no"),
        ]
        async with engine(folder / "docker.sock", them), engine(folder / "podman.sock", [container(5, "gull")]):
            assert [each for each in await host.said() if "container" in each] == [
                "container hide-hub: docker.service is not enabled: nothing starts it after a restart",
                'container ringing-db: its restart policy is "no": nothing starts it after a restart',
                "container tide-log: its unit tides.service is disabled: nothing starts it after a restart",
                'container gull: its restart policy is "unless-stopped": nothing starts it after a restart',
            ]
        (folder / "docker.sock").unlink(missing_ok=True)
        (folder / "podman.sock").unlink(missing_ok=True)
        served = await asyncio.start_unix_server(lambda _reader, writer: writer.close(), folder / "docker.sock")
        async with served:
            (line,) = [each for each in await host.said() if "container" in each]
        assert line.startswith("containers: the engine cannot be asked")
        (folder / "docker.sock").unlink(missing_ok=True)
        async with engine(folder / "docker.sock", [{**container(1, "x"), "Name": 5}]):
            assert "containers: the container engine's answer is not valid" in await host.said()


async def test_pools_and_keys_of_zfs(host: Host) -> None:
    """The cache of pools, the unit that imports all, keys that are typed, the module of the newest kernel."""
    host.write("sys/module/zfs/version", "2.1.11-1")
    host.write("lib/modules/6.1.0-9-amd64/updates/dkms/zfs.ko", "")
    host.write("etc/zfs/zpool.cache", b"\0\0\0\x06skerry\0\0")
    host.toolbox.put("zpool", "printf 'skerry\\nreef\\n'")
    host.toolbox.put("zfs", "printf 'skerry\\tnone\\nskerry/vault\\tprompt\\n'")
    found = await host.said()
    assert found[1:] == [
        "kernel 6.1.0-10-amd64: the newest one, and it has no ZFS module: pools would not be imported",
        "pool reef: it was imported by hand: it is not in /etc/zfs/zpool.cache",
        f"encrypted dataset skerry/vault: {TYPED}",
    ]
    wants = host.root / "etc/systemd/system/zfs-import.target.wants"
    wants.mkdir(parents=True)
    (wants / "zfs-import-scan.service").symlink_to("/lib/systemd/system/zfs-import-scan.service")
    (host.root / "etc/zfs/zpool.cache").unlink()
    assert not [each for each in await host.said() if each.startswith("pool")]
    host.toolbox.put("zpool", "echo 'cannot open /dev/zfs' >&2; exit 1")
    assert "pools: zpool ended with status 1: cannot open /dev/zfs" in await host.said()


async def test_what_cannot_be_read_is_not_known(host: Host) -> None:
    """No systemd, no list of mounts, no kernel in /boot."""
    host.toolbox.put("systemctl", "echo 'System has not been booted with systemd' >&2; exit 1")
    (host.root / "proc/self/mountinfo").unlink()
    for each in (host.root / "boot").iterdir():
        each.unlink()
    assert await host.said() == [
        "services: systemctl ended with status 1: System has not been booted with systemd",
        "mounts: the kernel's list cannot be read: No such file or directory",
        "kernel: no kernel is in /boot, so which one boots is not known",
    ]
