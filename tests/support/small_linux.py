"""A real guest: a small Linux of Debian's own packages, which boots under QEMU without hardware virtualisation.

Its root is an initial RAM disk with busybox, Debian's kernel modules and qemu-ga; its disk is a file with an ext4. A
shell on its serial console does what a test asks for. Built once into a cache folder; as root, with apt.
"""

import asyncio
import os
import re
import shutil
import subprocess
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from tests.support.needs import need

QEMU = "qemu-system-x86_64"
PACKAGES = ("busybox-static", "qemu-guest-agent")
MODULES = (
    "virtio_ring", "virtio", "virtio_pci_legacy_dev", "virtio_pci_modern_dev", "virtio_pci", "virtio_blk",
    "virtio_console", "virtio_balloon", "failover", "net_failover", "virtio_net",
)  # fmt: skip
"""In the order in which they need each other."""

PROMPT = b"guest-is-ready"
BOOT_S = 240.0
COMMAND_S = 120.0

INIT = f"""#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
mkdir -p /srv /run /var/run /var/log /dev/virtio-ports /sys/fs/cgroup
mount -t cgroup2 none /sys/fs/cgroup
for module in {" ".join(MODULES)}; do insmod /modules/$module.ko; done
mount -t ext4 /dev/vda /srv
ip link set lo up
port=$(grep -l org.qemu.guest_agent.0 /sys/class/virtio-ports/*/name)
[ -z "$port" ] || ln -s /dev/$(basename $(dirname $port)) /dev/virtio-ports/org.qemu.guest_agent.0
if [ -e /dev/virtio-ports/org.qemu.guest_agent.0 ] && ! grep -q noagent /proc/cmdline; then
    /bin/qemu-ga -d -m virtio-serial -p /dev/virtio-ports/org.qemu.guest_agent.0
fi
echo 0 >/proc/sys/kernel/printk
exec setsid sh -c 'exec sh </dev/ttyS0 >/dev/ttyS0 2>&1'
"""


@dataclass(frozen=True, slots=True)
class Parts:
    """What a machine boots: a kernel and an initial RAM disk."""

    kernel: Path
    initrd: Path


def build(cache: Path) -> Parts:
    """Download Debian's packages and put the parts together; what is there is used again."""
    need(os.geteuid() == 0 and shutil.which("apt-get"), "a small Linux is built as root, from Debian's packages")
    need(shutil.which("cpio") and shutil.which(QEMU), "cpio or QEMU is not installed: no real guest can be made")
    parts = Parts(cache / "vmlinuz", cache / "initrd")
    if not parts.initrd.exists():
        cache.mkdir(parents=True, exist_ok=True)
        tree = cache / "tree"
        shutil.rmtree(tree, ignore_errors=True)
        for package in (_kernel_package(), *PACKAGES):
            _unpack(package, cache, tree)
        shutil.copy(next((tree / "boot").glob("vmlinuz-*")), parts.kernel)
        _initrd(tree, cache / "root", parts.initrd)
        shutil.rmtree(tree)
    return parts


def _kernel_package() -> str:
    """The current kernel for clouds: small, and with all that QEMU's virtual devices need."""
    said = _run(["apt-cache", "depends", "linux-image-cloud-amd64"])
    found = re.search(r"Depends: (linux-image-\S+)", said)
    assert found, "apt does not know the kernel for clouds"
    return found.group(1)


def _run(argv: Sequence[str], cwd: Path | None = None) -> str:
    done = subprocess.run(argv, capture_output=True, check=True, cwd=cwd, timeout=600)
    return done.stdout.decode()


def _unpack(package: str, cache: Path, tree: Path) -> None:
    _run(["apt-get", "download", package], cwd=cache)
    file = next(cache.glob(f"{package}_*.deb"))
    _run(["dpkg-deb", "-x", str(file), str(tree)])
    file.unlink()


def _initrd(tree: Path, root: Path, initrd: Path) -> None:
    shutil.rmtree(root, ignore_errors=True)
    for folder in ("bin", "modules", "proc", "sys", "dev", "etc", "root", "tmp"):
        (root / folder).mkdir(parents=True)
    shutil.copy(next(tree.rglob("bin/busybox")), root / "bin/busybox")
    agent = next(tree.rglob("sbin/qemu-ga"))
    shutil.copy(agent, root / "bin/qemu-ga")
    for library in re.findall(r"(/\S+) \(0x", _run(["ldd", str(agent)])):
        (root / library[1:]).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(library, root / library[1:])
    for module in MODULES:
        shutil.copy(next(tree.rglob(f"{module}.ko")), root / "modules")
    (root / "etc/os-release").write_text('ID=debian\nPRETTY_NAME="Debian of the test"\n')
    (root / "init").write_text(INIT)
    (root / "init").chmod(0o755)
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    done = subprocess.run(
        ["cpio", "--create", "--format=newc", "--quiet"],
        input=names.encode(),
        capture_output=True,
        check=True,
        cwd=root,
        timeout=120,
    )
    initrd.write_bytes(done.stdout)
    shutil.rmtree(root)


class SmallLinux:
    """A guest that runs. folder: where its sockets and its disk are: NAME.qmp, NAME.agent, NAME.raw.

    NAME.log has what was on its serial console.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Use boot() or attach() instead."""
        self._reader, self._writer, self._count = reader, writer, 0

    @classmethod
    async def attach(cls, console: Path) -> Self:
        """The guest whose serial console is this socket, as soon as its shell answers."""
        reader, writer = await asyncio.open_unix_connection(console, limit=2**22)
        guest = cls(reader, writer)
        # What is typed before the shell runs may be lost, so it is typed until there is an answer.
        for _ in range(int(BOOT_S)):
            writer.write(b"echo guest-is''-ready\n")
            try:
                async with asyncio.timeout(1):
                    await guest.until(PROMPT)
                break
            except TimeoutError:
                continue
        return guest

    def detach(self) -> None:
        """Close the console."""
        self._writer.close()

    async def run(self, command: str, timeout_s: float = COMMAND_S) -> str:
        """Run a command in the guest's shell, and return what came: the end is what it printed, after the echo."""
        self._count += 1
        mark = f"done-{self._count}"
        # The shell echoes what is typed, so the mark is not typed as it is printed.
        self._writer.write(f"{command}; echo do''ne-{self._count}\n".encode())
        async with asyncio.timeout(timeout_s):
            said = await self.until(mark.encode())
        return said.decode(errors="replace").partition("\n")[2].rpartition(mark)[0].replace("\r", "").strip()

    async def until(self, mark: bytes) -> bytes:
        """What the guest prints up to a mark, with it."""
        return await self._reader.readuntil(mark)


@asynccontextmanager
async def boot(
    parts: Parts, folder: Path, name: str, disk_bytes: int, *options: str, append: str = ""
) -> AsyncIterator[SmallLinux]:
    """Boot a guest with an ext4 of this size; ended by its process id. options: of QEMU, besides the usual ones."""
    disk, console = folder / f"{name}.raw", folder / f"{name}.console"
    if not disk.exists():
        with disk.open("wb") as file:
            file.truncate(disk_bytes)
        await asyncio.to_thread(_run, ["mkfs.ext4", "-m", "0", "-E", "nodiscard", "-q", str(disk)])
    process = await asyncio.create_subprocess_exec(
        QEMU, "-machine", "pc", "-accel", "tcg", "-cpu", "max", "-m", "256", "-display", "none", "-nodefaults",
        "-no-reboot", "-name", name, "-kernel", str(parts.kernel), "-initrd", str(parts.initrd),
        "-append", f"console=ttyS0 quiet panic=-1 {append}",
        "-qmp", f"unix:{folder}/{name}.qmp,server=on,wait=off",
        "-chardev", f"socket,id=console,path={console},server=on,wait=off,logfile={folder}/{name}.log",
        "-serial", "chardev:console",
        "-drive", f"file={disk},format=raw,if=virtio,discard=unmap",
        "-device", "virtio-serial", "-chardev", f"socket,id=agent,path={folder}/{name}.agent,server=on,wait=off",
        "-device", "virtserialport,chardev=agent,name=org.qemu.guest_agent.0",
        *options, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        async with asyncio.timeout(BOOT_S):
            while not console.exists():
                assert process.returncode is None, "QEMU ended before it offered the console"
                await asyncio.sleep(0.05)
            guest = await SmallLinux.attach(console)
        yield guest
        guest.detach()
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
