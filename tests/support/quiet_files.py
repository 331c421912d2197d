"""What else happens on the quiet host (quiet.py): ports, fans, the kernel's tables, watches of files, packages.

Everything changes as it does on a healthy host: counters grow and restart at a boot, fans turn with the temperature,
the nightly backup opens files and watches, an upgrade waits for some days and then leaves services that run what it
replaced until the host restarts.
"""

import json
import os
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

OLD, NEW = "6.1.0-41-amd64", "6.1.0-42-amd64"
PUBLISHED = timedelta(days=6, hours=3)
"""When the updates appear in the lists."""

Put = Callable[[str, str], None]


def lay_out(put: Put, root: Path, now: datetime) -> None:
    """What does not change by itself."""
    for name, value in {
        "device/uevent": "",
        "flags": "0x1003",
        "carrier": "1",
        "speed": "1000",
        "duplex": "full",
    }.items():
        put(f"sys/class/net/pt0/{name}", value)
    put("proc/net/route", "Iface Destination Gateway Flags\npt0\t00000000\t010200C0\t0003\t0\t0\t0\t00000000\t0\t0\t0")
    put("etc/resolv.conf", "nameserver 192.0.2.53")
    put("proc/sys/fs/inotify/max_user_watches", "65536")
    put("proc/sys/fs/inotify/max_user_instances", "128")
    put("proc/sys/kernel/pid_max", "32768")
    put("proc/sys/kernel/threads-max", "127000")
    put("proc/sys/fs/aio-max-nr", "65536")
    put("sys/class/hwmon/hwmon0/name", "board")
    put("sys/class/hwmon/hwmon0/fan1_min", "300")
    put("sys/class/hwmon/hwmon0/temp1_max", "90000")
    put("etc/os-release", 'ID=skerry\nPRETTY_NAME="Skerry 4"\nSUPPORT_END=2028-06-30')
    put("var/lib/dpkg/lock", "")
    for release in (OLD,):
        _kernel(put, release)
    packages(put, root, "installed", now)


def _kernel(put: Put, release: str) -> None:
    put(f"boot/vmlinuz-{release}", "kernel")
    put(f"boot/initrd.img-{release}", "initramfs")
    put(f"lib/modules/{release}/updates/dkms/zfs.ko", "module")


def packages(put: Put, root: Path, state: str, now: datetime) -> None:
    """Dpkg's list, with the time of the clock. An upgrade holds dpkg's lock."""
    put(
        "var/lib/dpkg/status",
        f"Package: libtide3\nStatus: install ok {state}\n\nPackage: cron\nStatus: install ok installed",
    )
    lock = (root / "var/lib/dpkg/lock").stat()
    device = f"{os.major(lock.st_dev):02x}:{os.minor(lock.st_dev):02x}:{lock.st_ino}"
    put("proc/locks", f"1: POSIX  ADVISORY  WRITE 812 {device} 0 EOF" if state != "installed" else "")
    os.utime(root / "var/lib/dpkg/status", (now.timestamp(), now.timestamp()))


def lists(put: Put, root: Path, now: datetime) -> None:
    """The package lists are fetched each morning."""
    put("var/lib/apt/periodic/update-success-stamp", "")
    put("var/lib/apt/lists/skerry.example_InRelease", "Origin: Skerry\nSuite: stable")
    for name in ("periodic/update-success-stamp", "lists", "lists/skerry.example_InRelease"):
        os.utime(root / "var/lib/apt" / name, (now.timestamp(), now.timestamp()))


def change(put: Put, now: datetime, up_s: float, *, busy: bool, kernel: str) -> None:
    """Counters, speeds and temperatures of this moment."""
    frames = int(up_s * (9000 if busy else 400))
    for name, value in {"rx_packets": frames, "tx_packets": frames, "rx_errors": int(up_s / 90_000), "tx_errors": 0,
                        "rx_dropped": int(up_s / 50), "tx_dropped": 0}.items():  # fmt: skip
        put(f"sys/class/net/pt0/statistics/{name}", str(value))
    put("sys/class/net/pt0/carrier_changes", "2")
    put("proc/sys/fs/file-nr", f"{9000 if busy else 4000}\t0\t400000")
    put("proc/loadavg", f"0.2 0.2 0.2 1/{620 if busy else 410} 4711")
    put("proc/sys/fs/aio-nr", "2048" if busy else "512")
    warm = 62 if busy else 41
    put("sys/class/hwmon/hwmon0/temp1_input", str(warm * 1000 + now.minute * 50))
    put("sys/class/hwmon/hwmon0/fan1_input", str(500 + warm * 10 + now.minute))
    put("proc/sys/kernel/osrelease", kernel)


def new_kernel(put: Put) -> None:
    """What the upgrade installs beside the running one."""
    _kernel(put, NEW)


def watches(*, busy: bool) -> str:
    """The helper's answer: the backup watches folders."""
    return json.dumps([{"user": 0, "watches": 3_000 if busy else 900, "instances": 22, "program": "nightly-backup"}])


def replaced(*, waits: bool) -> str:
    """The helper's answer: what still runs the files that an upgrade has replaced."""
    units = ("tide-log", "nest-cams", "dbus") if waits else ()
    files = ["/usr/lib/libtide.so.3"]
    return json.dumps(
        [{"group": f"/system.slice/{each}.service", "program": each, "processes": 2, "files": files} for each in units]
    )


def updates(*, waiting: bool) -> str:
    """What a simulated upgrade prints."""
    line = "Inst libtide3 [3.0-1] (3.0-1+deb12u1 Skerry-Security:4/stable-security [amd64])\n" if waiting else ""
    return f"Reading package lists...\n{line}"
