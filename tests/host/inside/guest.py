"""A guest without an operating system: `guest.py disk FILE` makes its disk, `guest.py ask SOCKET COMMAND` queries it.

It runs in the machine. The disk's boot sector writes 32 KiB at each tick of the clock (18 a second), so that the image
grows by half a MiB a second. It needs only the firmware: INT 13h extensions (EDD), function 43h.
"""

import json
import socket
import sys
from pathlib import Path

SECTOR = 512
SIZE = 48 * 2**20
"""Of the disk. The image is sparse."""

CODE = bytes.fromhex(
    "31c0"  # xor ax, ax
    "8ed8"  # mov ds, ax
    "be187c"  # again: mov si, packet
    "b80043"  # mov ax, 0x4300: extended write, no verify
    "b280"  # mov dl, 0x80: the first disk
    "cd13"  # int 0x13
    "668306207c40"  # add dword [packet + 8], 64: the next sectors
    "fb"  # sti
    "f4"  # hlt: until the next tick
    "ebec"  # jmp again
)
PACKET = bytes.fromhex("10004000008000000001000000000000")
"""Its size, 64 sectors, their address 0000:8000, the first sector 256."""


def disk(path: Path) -> None:
    """Make the image."""
    sector = (CODE + PACKET).ljust(SECTOR - 2, b"\0") + b"\x55\xaa"
    with path.open("wb") as file:
        file.write(sector)
        file.truncate(SIZE)


def ask(path: str, command: str) -> None:
    """Send one command to a guest's monitor and print the reply."""
    with socket.socket(socket.AF_UNIX) as monitor, monitor.makefile("rw") as talk:
        monitor.settimeout(20)
        monitor.connect(path)
        talk.readline()  # its greeting
        for each in ("qmp_capabilities", command):
            talk.write(json.dumps({"execute": each, "id": each}) + "\n")
            talk.flush()
            while json.loads(reply := talk.readline()).get("id") != each:
                pass  # an event
    print(reply)  # noqa: T201  a program's output


if __name__ == "__main__":
    if sys.argv[1] == "disk":
        disk(Path(sys.argv[2]))
    else:
        ask(sys.argv[2], sys.argv[3])
