"""Files of the kernel's hardware monitoring: Documentation/hwmon/sysfs-interface.rst, and others of one value."""

from pathlib import Path

FILE_LIMIT_BYTES = 256


def listed(folder: Path, pattern: str) -> list[Path]:
    """The matching paths, ordered by the number in the name, which is the kernel's own order."""
    return sorted(folder.glob(pattern), key=lambda path: (len(path.name), path.name))


def device_of(chip: Path) -> str:
    """The device of the chip, such as nvme0 or 0000:00:18.3; empty if it has none."""
    device = chip / "device"
    return device.resolve().name if device.exists() else ""


def text(path: Path) -> str:
    """A file's value; empty if it cannot be read."""
    try:
        return read_file(path)
    except OSError:
        return ""


def number(path: Path) -> int | None:
    """A whole number; None if the file is absent, or holds something else."""
    try:
        return int(read_file(path))
    except (OSError, ValueError):
        return None


def read_file(path: Path) -> str:
    """A file's value. Raises OSError."""
    with path.open("rb") as file:
        return file.read(FILE_LIMIT_BYTES).decode("utf-8", "replace").strip()
