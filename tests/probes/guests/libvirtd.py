"""A private libvirtd of a session, with guests under emulation."""

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.support import reaper
from tests.support.needs import need
from tests.support.waiting import until

DOMAIN = """
<domain type="qemu"><name>{name}</name><memory unit="MiB">64</memory><vcpu>1</vcpu>
<os><type arch="x86_64" machine="q35">hvm</type></os>
<devices><emulator>/usr/bin/qemu-system-x86_64</emulator>
<disk type="file" device="disk"><driver name="qemu" type="qcow2"/><source file="{disk}"/>
<target dev="vda" bus="virtio"/></disk>{more}</devices></domain>
"""


@dataclass
class Daemon:
    """A private libvirtd. env: what its tools need in the environment. uri: where it answers."""

    folder: Path
    env: dict[str, str]
    user: Sequence[str]

    @property
    def uri(self) -> str:
        """Its address, that needs nothing of the environment."""
        return f"qemu+unix:///session?socket={self.folder}/run/libvirt/libvirt-sock"

    def virsh(self, *words: str) -> None:
        """Run virsh with all permissions. Raises if it fails."""
        argv = [*self.user, "virsh", "-q", "-c", "qemu:///session", *words]
        subprocess.run(argv, env=self.env, check=True, timeout=60, capture_output=True)

    def define(self, name: str, more: str = "") -> None:
        """Make a guest with a disk of 1 GiB, that does not run. more: further devices, as XML."""
        disk = self.folder / f"{name}.qcow2"
        subprocess.run(["qemu-img", "create", "-q", "-f", "qcow2", disk, "1G"], check=True, timeout=60)
        disk.chmod(0o666)
        self.define_as(name, DOMAIN.format(name=name, disk=disk, more=more))

    def define_as(self, name: str, text: str) -> None:
        """Make a guest of this XML."""
        xml = self.folder / f"{name}.xml"
        xml.write_text(text)
        self.virsh("define", str(xml))


@contextlib.contextmanager
def private_daemon(*names: str) -> Iterator[Daemon]:
    """A daemon of a session, so that it needs no root; of another user where the tests run as root.

    names: of guests that are ended with it.
    """
    need(shutil.which("libvirtd") and shutil.which("virsh"), "libvirtd and virsh are needed")
    need(shutil.which("qemu-system-x86_64") and shutil.which("qemu-img"), "QEMU is needed")
    user = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups") if os.geteuid() == 0 else ()
    with tempfile.TemporaryDirectory(prefix="lv", dir="/tmp") as made:  # A short path: sockets have 107 bytes.
        folder = Path(made)
        for each in ("", "run", "home"):
            (folder / each).mkdir(exist_ok=True)
            if user:
                os.chown(folder / each, 65534, 65534)
        names = ("CONFIG", "CACHE", "DATA")
        env = {f"XDG_{name}_HOME": str(folder / "home" / name.lower()) for name in names}
        env |= {"HOME": f"{folder}/home", "XDG_RUNTIME_DIR": f"{folder}/run", "PATH": "/usr/sbin:/usr/bin:/sbin:/bin"}
        with (folder / "log").open("wb") as log:
            argv = [sys.executable, "-I", reaper.__file__, *user, "libvirtd", "-t", "0"]
            process = subprocess.Popen(argv, env=env, stdout=log, stderr=log)
        found = Daemon(folder, env, user)
        try:
            until("libvirtd listens", (folder / "run/libvirt/libvirt-sock").exists)
            yield found
        finally:
            _end(found, process, names)


def _end(daemon: Daemon, process: "subprocess.Popen[bytes]", names: Sequence[str]) -> None:
    for name in names:
        with contextlib.suppress(subprocess.SubprocessError):
            daemon.virsh("destroy", name)
    process.terminate()
    process.wait(60)
