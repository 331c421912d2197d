"""Reads which kernels are installed, with their initramfs and their ZFS module. What they lack: model/kernel.py."""

from contextlib import suppress
from pathlib import Path

from watchkeeper.model.kernel import Kernel, order


def installed(root: Path) -> list[Kernel]:
    """The kernels in /boot whose names hold their release, oldest first. root: the folder that contains /boot."""
    uses_zfs = (root / "sys/module/zfs").exists()
    names: list[str] = []
    with suppress(OSError):
        names = [each.name.removeprefix("vmlinuz-") for each in (root / "boot").glob("vmlinuz-*")]
    return [_kernel(root, each, uses_zfs=uses_zfs) for each in sorted(names, key=order)]


def _kernel(root: Path, release: str, *, uses_zfs: bool) -> Kernel:
    images = (f"initrd.img-{release}", f"initramfs-{release}.img", f"initrd-{release}")
    initramfs = any((root / "boot" / each).exists() for each in images)
    modules = root / "lib/modules" / release
    return Kernel(release, initramfs, any(modules.rglob("zfs.ko*")) if uses_zfs else None)


def running(root: Path) -> str:
    """The release that runs. Raises OSError."""
    return (root / "proc/sys/kernel/osrelease").read_text(encoding="utf-8").strip()


def modules_removed(root: Path, release: str) -> bool:
    """Whether the modules of a release are gone while others are there: some distributions keep only the newest."""
    try:
        there = [each.name for each in (root / "lib/modules").iterdir()]
    except OSError:
        return False
    return bool(there) and release not in there
