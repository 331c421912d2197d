"""Guests under libvirt, which holds the only monitor of each: its own tool is asked over a read-only connection.

The tool rather than the Python binding: it needs no compiler on the host and no version that fits the library, and a
call that hangs can be ended with its process. Two calls tell about all guests. Sources: virsh(1) (domstats,
domblkerror) and the enums virDomainState and virDomain*Reason of libvirt's libvirt-domain.h. What libvirt does not
report to a reader: failed reads and writes, what an image contains, and what the agent inside knows (agents/).
"""

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.qmp import Drive, Guest, GuestMemory, ImageState
from watchkeeper.probes.guests.sockets import SOCKETS_LIMIT, Asked
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import run_tool

DISKS_LIMIT = 64
"""More disks than a guest of a home server has; the rest is not read."""

QUESTION = ("domstats", "--state", "--balloon", "--vcpu", "--block", "--backing", "--raw", "--nowait")
"""--backing: the images below each disk's, too. --nowait: a guest whose process hangs does not delay the others; its
state is known without it."""

KIB = 1024
_HEAD = re.compile(r"Domain: '(.+)'")
_FACT = re.compile(r"  ([a-z0-9.-]{1,100})=(.{0,4096})")
_NUMBER = re.compile(r"[0-9]{1,18}")
_BLOCK_ERROR = re.compile(r"(\S{1,100}): (no space|unspecified error)")
_BLOCK_ERRORS = {"no space": "nospace", "unspecified error": "failed"}

_OFF, _PAUSED, _CRASHED = 5, 3, 6
_STATES = {1: "running", 2: "running", 4: "shutdown", 6: "guest-panicked", 7: "suspended"}
"""To the names of QEMU's states (states.py). 2: blocked, which only other hypervisors report: it waits for a device."""

_PAUSES = {
    2: "finish-migrate", 3: "save-vm", 4: "save-vm", 5: "io-error", 6: "watchdog", 7: "paused", 8: "shutdown",
    9: "save-vm", 10: "guest-panicked", 11: "prelaunch", 12: "finish-migrate", 13: "postmigrate", 14: "internal-error",
}  # fmt: skip
_ENDS = {
    1: "it shut down", 2: "it was forced off", 3: "it crashed", 4: "it was migrated to another host",
    5: "its state was saved and it was stopped", 6: "it could not be started", 7: "it was restored from a snapshot",
    8: "libvirt's daemon ended it",
}  # fmt: skip
_GRAVE_ENDS = frozenset({3, 6})
"""It crashed, or could not be started: nobody asked it to stop."""

Facts = Mapping[str, str]


class LibvirtGuests:
    """The guests of one libvirt daemon. uri: what is connected to, such as qemu:///system."""

    def __init__(self, context: ProbeContext, uri: str, timeout_s: float) -> None:
        self._context, self._uri, self._timeout_s = context, uri, timeout_s

    async def ask_all(self, wanted: Collection[str]) -> list[Asked[Guest]]:
        """Every guest that runs, starts with the host, or is wanted, by name, ordered by path (URI and name).

        A guest that is off and nothing of that is a template, or is off on purpose. Raises ProbeError: ToolMissing
        without virsh, PrivilegeMissing if this user may not connect.
        """
        text = await self._run(*QUESTION)
        starting = frozenset((await self._run("list", "--all", "--autostart", "--name")).splitlines())
        found = []
        for name, facts in domains(text):
            path = path_of(self._uri, name)
            asked = understand(path, name, facts, starts=name in starting)
            if asked.guest or name in starting or name in wanted:
                found.append(await self._with_errors(asked))
        return sorted(found, key=lambda each: each.path)

    async def without_snapshots(self, name: str) -> bool:
        """Whether libvirt knows of no snapshot of a guest. Raises ProbeError."""
        return not (await self._run("snapshot-list", "--domain", name, "--name")).strip()

    async def _with_errors(self, asked: Asked[Guest]) -> Asked[Guest]:
        """The disks that a guest is paused for. Another guest costs no call."""
        if asked.guest is None or asked.guest.state != "io-error":
            return asked
        try:
            errors = block_errors(await self._run("domblkerror", "--domain", asked.name))
        except ProbeError:
            return asked  # It goes on or ends at this moment; that it was paused is known.
        failing = tuple(replace(d, io_status=errors[d.name]) for d in asked.guest.disks if d.name in errors)
        return replace(asked, guest=replace(asked.guest, failing=failing))

    async def _run(self, *words: str) -> str:
        try:
            return await run_tool(self._context, ("virsh", "-q", "-r", "-c", self._uri, *words), self._timeout_s)
        except ProbeError as error:
            if "authentication" in str(error):
                raise PrivilegeMissing(str(error)) from error
            raise


def path_of(uri: str, name: str) -> str:
    """What identifies a guest beside those that have a monitor of their own: no path of a file begins so."""
    return f"{uri} {name}"


def domains(text: str) -> Iterator[tuple[str, Facts]]:
    """What domstats prints: each guest's name and facts. Lines that are neither are left out. Raises ProbeError."""
    found: dict[str, dict[str, str]] = {}
    facts: dict[str, str] = {}
    for line in text.split("\n"):
        if head := _HEAD.fullmatch(line):
            facts = found.setdefault(head[1], {})
        elif fact := _FACT.fullmatch(line):
            facts.setdefault(fact[1], fact[2])
    if len(found) > SOCKETS_LIMIT:
        raise ProbeError(f"libvirt reports more than {SOCKETS_LIMIT} guests")
    yield from found.items()


def understand(path: str, name: str, facts: Facts, *, starts: bool) -> Asked[Guest]:
    """What the facts say about a guest. starts: whether libvirt starts it with the host."""
    state, why = _number(facts, "state.state"), _number(facts, "state.reason") or 0
    if state is None:
        return Asked(path, trouble="libvirt does not report its state", name=name)
    if state == _OFF or (state == _CRASHED and _number(facts, "balloon.rss") is None):
        ended = _ENDS.get(3 if state == _CRASHED else why, "libvirt does not know why")
        also = "; it starts with the host" if starts else ""
        grave = state == _CRASHED or why in _GRAVE_ENDS
        return Asked(path, trouble=f"it is off: {ended}{also}", ended=True, name=name, grave=grave)
    word = _PAUSES.get(why, "paused") if state == _PAUSED else _STATES.get(state, f"state {state}")
    return Asked(path, _guest(name, word, facts), name=name)


def block_errors(text: str) -> dict[str, str]:
    """What domblkerror prints: each disk with an error, and which, as QEMU names it."""
    found = (_BLOCK_ERROR.fullmatch(line.strip()) for line in text.splitlines()[:DISKS_LIMIT])
    return {each[1]: _BLOCK_ERRORS[each[2]] for each in found if each}


def _guest(name: str, state: str, facts: Facts) -> Guest:
    maximum, current = _number(facts, "balloon.maximum"), _number(facts, "balloon.current")
    return Guest(
        name,
        state,
        promised_bytes=None if maximum is None else maximum * KIB,
        granted_bytes=None if current is None else current * KIB,
        disks=tuple(_disks(facts)),
        vcpus=_number(facts, "vcpu.current"),
        inside=_inside(facts),
    )


def _disks(facts: Facts) -> Iterator[Drive]:
    """Its disks. `physical` is what QEMU calls the actual size; `allocation` the highest block ever written.

    The images below a disk's follow it, with its name. Snapshots in it are not among these facts.
    """
    blocks = [f"block.{number}" for number in range(min(_number(facts, "block.count") or 0, DISKS_LIMIT))]
    named = [(facts.get(f"{block}.name", ""), block) for block in blocks]
    for disk in dict.fromkeys(name for name, _ in named if name):
        top, *below = [block for name, block in named if name == disk]
        size, written = _number(facts, f"{top}.capacity"), _number(facts, f"{top}.wr.bytes")
        path, layers = facts.get(f"{top}.path", ""), tuple(facts.get(f"{each}.path", "") for each in below)
        taken = 0 if path.startswith("/dev/") else _number(facts, f"{top}.physical")
        yield Drive(clip(disk), path, "ok", size, written, image=ImageState(layers, known=False), allocated_bytes=taken)


def _inside(facts: Facts) -> GuestMemory | None:
    """The statistics of its balloon; available is what the guest has, usable what it could still use (in KiB)."""
    total, usable = _number(facts, "balloon.available"), _number(facts, "balloon.usable")
    updated_s = _number(facts, "balloon.last-update")
    if not total or usable is None or not updated_s or usable > total:
        return None
    return GuestMemory(total * KIB, usable * KIB, updated_s)


def _number(facts: Facts, key: str) -> int | None:
    value = facts.get(key, "")
    return int(value) if _NUMBER.fullmatch(value) else None


def names_at(uri: str, paths: Sequence[str]) -> frozenset[str]:
    """The names among the paths of `path_of`."""
    start = path_of(uri, "")
    return frozenset(path.removeprefix(start) for path in paths if path.startswith(start))
