"""Reads the command lines of running QEMU: sockets of monitors and agents, the guest's name, the files of its disks.

Format of the options: qemu(1); within one, `,,` stands for a comma. Nothing is queried from the guest in here.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

PROCESSES_LIMIT = 20_000
COMMAND_LINE_LIMIT_BYTES = 128 * 1024
"""The kernel's limit for one argument (MAX_ARG_STRLEN); a guest with many disks stays well below it."""

AGENT_PORT = "org.qemu.guest_agent.0"
"""The name of the virtual serial port that qemu-ga(8) opens in the guest."""

LIBVIRT_MONITOR = "charmonitor"
"""The id that libvirt gives the channel of the monitor, which it holds as long as the guest runs."""

_PROGRAM = re.compile(r"(qemu-system-[\w-]+|qemu-kvm|kvm|qemu)")
_MONITORS = frozenset({"qmp", "qmp-pretty"})
_DISKS = frozenset({"drive", "blockdev", "hda", "hdb", "hdc", "hdd"})
_BY_PATH = frozenset({"hda", "hdb", "hdc", "hdd"})


@dataclass(frozen=True, slots=True)
class Process:
    """One running QEMU. sockets: paths of its QMP monitors. disks: files and devices that hold its disks.

    agents: paths of the sockets that lead to the agent inside the guest. managed: libvirt started it. agent_port: it
    has a port for an agent, also one whose socket libvirt holds.
    """

    pid: int
    name: str
    sockets: tuple[str, ...]
    disks: tuple[str, ...]
    agents: tuple[str, ...] = ()
    managed: bool = False
    agent_port: bool = False


def running(proc: Path) -> list[Process]:
    """Every QEMU whose command line this user may read, in the order of process numbers."""
    found = []
    for folder in sorted(proc.glob("[0-9]*"), key=lambda path: (len(path.name), path.name))[:PROCESSES_LIMIT]:
        try:
            with (folder / "cmdline").open("rb") as file:
                raw = file.read(COMMAND_LINE_LIMIT_BYTES)
        except OSError:
            continue  # It has ended since it was listed, or is another user's and the kernel hides those.
        words = raw.decode("utf-8", "surrogateescape").removesuffix("\0").split("\0")
        if folder.name.isdecimal() and _PROGRAM.fullmatch(words[0].rpartition("/")[2]):
            found.append(understand(int(folder.name), words))
    return found


def understand(pid: int, words: Sequence[str]) -> Process:
    """What a command line says about its guest."""
    options = [(name, value) for name, value in _options(words)]
    names = [_first_or(parts(value), "guest") for option, value in options if option == "name"]
    disks = [path for option, value in options if option in _DISKS for path in _disk(option, value)]
    sockets = dict.fromkeys(_sockets(options))
    agents = dict.fromkeys(_agents(options))
    name = names[-1] if names else ""
    managed = LIBVIRT_MONITOR in _channels(options)
    ports = [_device(value).get("name") for option, value in options if option == "device"]
    return Process(pid, name, tuple(sockets), tuple(dict.fromkeys(disks)), tuple(agents), managed, AGENT_PORT in ports)


def _options(words: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Each option with the word that follows it; QEMU accepts one dash or two."""
    for word, following in zip(words[1:], (*words[2:], ""), strict=False):
        if word.startswith("-"):
            yield word.removeprefix("-").removeprefix("-"), following


def parts(text: str) -> dict[str, str]:
    """`file=/a,,b,if=none` -> file and if; a first part without a name is kept under the empty name."""
    found: dict[str, str] = {}
    for number, part in enumerate(text.replace(",,", "\0").split(",")):
        name, equals, value = part.replace("\0", ",").partition("=")
        if equals:
            found.setdefault(name, value)
        elif number == 0:
            found[""] = name
    return found


def _first_or(found: Mapping[str, str], name: str) -> str:
    return found.get(name) or found.get("", "")


def _sockets(options: Sequence[tuple[str, str]]) -> Iterator[str]:
    """The paths of `-qmp unix:PATH,...`, and of `-mon mode=control` with the `-chardev socket` that it names."""
    by_id = _channels(options)
    for option, value in options:
        found = parts(value)
        if option in _MONITORS and found.get("", "").startswith("unix:/"):
            yield found[""].removeprefix("unix:")
        elif option == "mon" and found.get("mode") == "control":
            path = by_id.get(found.get("chardev") or found.get("", ""), "")
            if path.startswith("/"):
                yield path


def _channels(options: Sequence[tuple[str, str]]) -> dict[str, str]:
    """The socket of each `-chardev`, by its id."""
    found = [parts(value) for option, value in options if option == "chardev"]
    return {each.get("id", ""): each.get("path", "") for each in found}


def _agents(options: Sequence[tuple[str, str]]) -> Iterator[str]:
    """The sockets behind `-device virtserialport,name=org.qemu.guest_agent.0,chardev=ID`, in both forms of -device."""
    by_id = _channels(options)
    for option, value in options:
        found = _device(value) if option == "device" else {}
        path = by_id.get(found.get("chardev", ""), "")
        if found.get("name") == AGENT_PORT and path.startswith("/"):
            yield path


def _device(value: str) -> Mapping[str, str]:
    if not value.startswith("{"):
        return parts(value)
    try:
        said = json.loads(value)
    except (ValueError, RecursionError):
        return {}
    return {str(name): str(each) for name, each in said.items()} if isinstance(said, dict) else {}


def _disk(option: str, value: str) -> Iterator[str]:
    if option in _BY_PATH:
        yield value
    elif option == "blockdev" and value.startswith("{"):
        try:
            yield from _inside(json.loads(value))
        except (ValueError, RecursionError):
            return
    else:
        found = parts(value)
        yield from (
            found[name] for name in ("file", "filename", "file.filename") if found.get(name, "").startswith("/")
        )


def _inside(said: object) -> Iterator[str]:
    """Every file name in the JSON of a -blockdev, whichever layer names it."""
    if isinstance(said, Mapping):
        name = said.get("filename")
        if isinstance(name, str) and name.startswith("/"):
            yield name
        for each in said.values():
            yield from _inside(each)
