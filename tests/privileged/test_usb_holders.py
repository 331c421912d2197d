"""Which guests hold which USB devices, from a /proc in files and from this machine's own."""

from pathlib import Path

from watchkeeper.privileged import commands
from watchkeeper.privileged.guests.usb_holders import holders
from watchkeeper.probes.support.tools import result_of


def process(proc: Path, pid: int, command: str, *nodes: str) -> None:
    """A process with these files open."""
    (proc / f"{pid}/fd").mkdir(parents=True)
    (proc / f"{pid}/cmdline").write_text(command.replace(" ", "\0") + "\0")
    for number, node in enumerate(nodes):
        (proc / f"{pid}/fd/{number}").symlink_to(node)


def test_only_devices_of_guests(tmp_path: Path) -> None:
    """Of another program nothing is printed, and of QEMU no other file that it has open."""
    process(tmp_path, 5, "/usr/bin/qemu-system-x86_64 -name guest=hide-hub,x=y", "/dev/bus/usb/001/007", "/etc/passwd")
    process(tmp_path, 6, "kvm -m 64", "/dev/bus/usb/002/011")
    process(tmp_path, 7, "cat /dev/bus/usb/001/008", "/dev/bus/usb/001/008")
    (tmp_path / "8").mkdir()
    (tmp_path / "5/fd/9").touch()
    assert holders(tmp_path) == [
        {"bus": 1, "device": 7, "guest": "hide-hub"},
        {"bus": 2, "device": 11, "guest": ""},
    ]


def test_through_the_list() -> None:
    """The entry runs as a program of its own."""
    results = commands.collect("usb-holders")
    assert result_of(results, results[0].target, 20).startswith("[")
