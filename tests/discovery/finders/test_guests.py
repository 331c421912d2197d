"""Guests, from the command lines of real QEMU processes and from monitors that speak the protocol."""

import asyncio
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.discovery.conftest import document, put, usable, value_of
from tests.probes.machines import machine, short_folder
from tests.probes.monitors import monitor, replies
from watchkeeper.discovery.finders import dependencies
from watchkeeper.discovery.finders.guests import guests, qemu
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.guests.agents import libvirt_agents

GIB = 2**30

MOUNTS = mounts.parse(
    "21 1 8:1 / / rw - ext4 /dev/sda1 rw\n"
    "22 21 0:40 / /skerry rw - zfs skerry rw\n"
    "23 22 0:41 / /skerry/guests rw - zfs skerry/guests rw\n"
    "24 21 0:42 / /srv rw - btrfs /dev/sdb1 rw\n"
    "25 21 0:5 / /dev rw - devtmpfs udev rw\n"
)


def put_process(root: Path, pid: int, *words: str) -> None:
    """A running process with a command line."""
    put(root, f"proc/{pid}/cmdline", "\0".join(words) + "\0")


def understood(*words: str) -> qemu.Process:
    """What a command line says."""
    return qemu.understand(7, ["/usr/bin/qemu-system-x86_64", *words])


def test_the_forms_of_a_monitor() -> None:
    """-qmp, and -mon in control mode with a -chardev; a monitor for people, and one over TCP, are none for us."""
    said = understood(
        "-name", "guest=hide-hub,debug-threads=on", "-qmp", "unix:/run/guests/a.qmp,server=on,wait=off",
        "-chardev", "socket,id=m1,path=/run/guests/b,,c.qmp,server=on", "-mon", "chardev=m1,mode=control",
        "-chardev", "stdio,id=m2", "-mon", "chardev=m2,mode=readline", "-qmp", "tcp:127.0.0.1:4444,server=on",
        "--qmp-pretty", "unix:/run/guests/a.qmp", "-mon", "chardev=nowhere,mode=control",
    )  # fmt: skip
    assert said.sockets == ("/run/guests/a.qmp", "/run/guests/b,c.qmp")
    assert said.name == "hide-hub"
    assert understood("-name", "tide-log").name == "tide-log"
    assert understood("-m", "64").name == ""


def test_the_forms_of_an_agents_socket() -> None:
    """-device virtserialport in both of its forms, with the name of qemu-ga's port; other ports are none for us."""
    said = understood(
        "-chardev", "socket,id=a1,path=/run/guests/hide-hub.agent,server=on,wait=off",
        "-chardev", "socket,id=a2,path=/run/guests/b.agent", "-chardev", "socket,id=s,path=/run/guests/spice",
        "-device", "virtserialport,chardev=a1,name=org.qemu.guest_agent.0",
        "-device", '{"driver": "virtserialport", "chardev": "a2", "name": "org.qemu.guest_agent.0"}',
        "-device", "virtserialport,chardev=s,name=com.example.0", "-device", "{", "-device", "[]",
        "-device", "virtserialport,chardev=none,name=org.qemu.guest_agent.0",
    )  # fmt: skip
    assert said.agents == ("/run/guests/hide-hub.agent", "/run/guests/b.agent")
    assert said.sockets == ()


def test_the_forms_of_a_disk() -> None:
    """-drive, -blockdev in both of its forms, and the old ones; each file once."""
    said = understood(
        "-drive", "file=/skerry/guests/hide-hub.raw,if=virtio", "-hda", "/srv/old.img", "-drive", "file=nbd:unix",
        "-blockdev", '{"driver": "raw", "file": {"driver": "host_device", "filename": "/dev/zvol/skerry/tide-log"}}',
        "-blockdev", "driver=qcow2,file.driver=file,file.filename=/srv/nest-cams.qcow2",
        "-blockdev", "{broken", "-drive", "file=/srv/old.img",
    )  # fmt: skip
    assert said.disks == (
        "/skerry/guests/hide-hub.raw", "/srv/old.img", "/dev/zvol/skerry/tide-log", "/srv/nest-cams.qcow2",
    )  # fmt: skip


@given(st.lists(st.text(st.characters(exclude_characters="\0"), max_size=40), max_size=12))
def test_no_command_line_is_too_odd(words: list[str]) -> None:
    """Whoever starts a process chooses its words."""
    understood(*words)


@given(
    st.dictionaries(
        st.sampled_from(["path", "id", "file"]), st.text(st.characters(exclude_characters="\0"), min_size=1)
    )
)
def test_a_doubled_comma_is_a_comma(values: dict[str, str]) -> None:
    """qemu(1): within an option, `,,` stands for one comma."""
    said = ",".join(f"{name}={value.replace(',', ',,')}" for name, value in values.items())
    assert {name: value for name, value in qemu.parts(said).items() if name} == values


def test_only_qemu_is_read(tmp_path: Path) -> None:
    """By the program's name, not by a word somewhere in it; a process that ends meanwhile is passed over."""
    put_process(tmp_path, 12, "/usr/bin/qemu-system-x86_64", "-name", "tide-log")
    put_process(tmp_path, 3, "/usr/bin/less", "qemu-system-x86_64")
    put_process(tmp_path, 9, "kvm", "-name", "hide-hub")
    (tmp_path / "proc/77").mkdir()
    assert [(each.pid, each.name) for each in qemu.running(tmp_path / "proc")] == [(9, "hide-hub"), (12, "tide-log")]


@pytest.mark.parametrize(
    ("path", "ground"),
    [
        ("/skerry/guests/hide-hub.raw", "pool skerry"),
        ("/dev/zvol/skerry/guests/tide-log", "pool skerry"),
        ("/dev/mapper/vg0-hide--hub", "volume vg0/hide-hub"),
        ("/dev/vg0/nest-cams", "volume vg0/nest-cams"),
        ("/dev/sdz", "device /dev/sdz"),
        ("/dev/disk/by-id/x", "device /dev/disk/by-id/x"),
        ("/srv/nest-cams.qcow2", "btrfs /srv"),
        ("/var/lib/guests/a.img", "file system /"),
    ],
)
def test_what_a_disk_depends_on(path: str, ground: str) -> None:
    """By the path alone: a pool, a volume, a file system."""
    assert dependencies.ground_of(path, MOUNTS) == ground


def test_what_depends_on_nothing_known() -> None:
    """Without a list of mounts, nothing is reported. Each storage is named once."""
    assert dependencies.ground_of("/srv/a", []) == ""
    assert dependencies.subjects_below(["/skerry/a", "/skerry/guests/b", "/dev/zvol/skerry/c"], MOUNTS) == [
        "pool skerry"
    ]
    assert dependencies.mounted(Path("/nowhere")) == []


async def test_guests_in_the_usual_place(host: Host) -> None:
    """Both are watched through one glob, must be there from now on, and depend on the pool that their disks are in."""
    put(host.root, "proc/self/mountinfo", "22 1 0:40 / / rw - zfs skerry/root rw\n")
    async with short_folder() as folder:
        root = link(host, folder)
        for pid, name in ((5, "a"), (6, "b")):
            socket = f"unix:{folder}/run/guests/{name}.qmp,server=on"
            put_process(root, pid, "kvm", "-qmp", socket, "-hda", f"/dev/zvol/skerry/{name}")
        async with (
            monitor(folder / "run/guests/a.qmp", replies("hide-hub", memory_bytes=3 * GIB)),
            monitor(folder / "run/guests/b.qmp", replies("tide-log", memory_bytes=GIB)),
        ):
            found = await guests.find(moved(host, root))
    (proposal,) = found.proposals
    assert value_of(proposal, "expected") == ("hide-hub", "tide-log")
    assert value_of(proposal, "sockets") == (f"{folder}/run/guests/*.qmp",)
    assert value_of(proposal, "memory_limit") == 1.0
    assert any("its disks are on pool skerry" in line for line in proposal.about)
    assert value_of(proposal, "depends_on") == ("pool skerry",)
    assert {Thing("guest", "hide-hub"), Thing("guest", "tide-log")} == found.there
    usable(document(proposal))


def link(host: Host, folder: Path) -> Path:
    """The host's files, in a folder whose path is short enough for a socket's."""
    for path in [*host.root.rglob("*")]:
        if path.is_file():
            put(folder, str(path.relative_to(host.root)), path.read_text())
    (folder / "run/guests").mkdir(parents=True)
    return folder


def moved(host: Host, root: Path) -> Host:
    """The host with another root."""
    return replace(host, root=root)


async def test_guests_with_agents(host: Host) -> None:
    """The inside of guests that were started with a socket for their agent is proposed, with the monitors beside it."""
    port = "virtserialport,chardev=a,name=org.qemu.guest_agent.0"
    async with short_folder() as folder:
        root = link(host, folder)
        for pid, name in ((5, "hide-hub"), (6, "tide-log")):
            socket = f"unix:{folder}/run/guests/{name}.qmp,server=on"
            channel = f"socket,id=a,path={folder}/run/guests/{name}.agent,server=on"
            put_process(root, pid, "kvm", "-name", name, "-qmp", socket, "-chardev", channel, "-device", port)
        async with monitor(folder / "run/guests/hide-hub.qmp", replies("hide-hub")):
            found = await guests.find(moved(host, root))
    _, inside = found.proposals
    assert value_of(inside, "sockets") == (f"{folder}/run/guests/*.agent",)
    assert value_of(inside, "monitors") == (f"{folder}/run/guests/hide-hub.qmp",)
    assert inside.about[1] == "- started with a port for an agent: hide-hub, tide-log"
    usable(document(inside))


async def test_guests_that_are_promised_more_than_there_is(host: Host) -> None:
    """The limit is 10 % above what is allocated now: 12 GiB of 8."""
    async with short_folder() as folder:
        root = link(host, folder)
        async with monitor(folder / "run/guests/a.qmp", replies("nest-cams", memory_bytes=12 * GIB)):
            (proposal,) = (await guests.find(moved(host, root))).proposals
    assert value_of(proposal, "memory_limit") == 1.6
    usable(document(proposal))


async def test_a_paused_guest_is_not_expected_to_run(host: Host) -> None:
    """The comment gives its state. Without its memory there is nothing to limit."""
    said = {**replies("nest-cams", state="io-error"), "query-memory-size-summary": {"error": {}}}
    async with short_folder() as folder:
        root = link(host, folder)
        (root / "proc/meminfo").unlink()
        async with monitor(folder / "run/guests/a.qmp", said):
            (proposal,) = (await guests.find(moved(host, root))).proposals
    assert [key.name for key in proposal.keys] == ["sockets"]
    assert "nest-cams: io-error" in proposal.about[1]


async def test_a_guest_that_offers_no_monitor(host: Host) -> None:
    """Nobody can ask it; the survey says how to start it instead."""
    put_process(host.root, 5, "kvm", "-name", "hide-hub")
    put_process(host.root, 6, "kvm")
    found = await guests.find(host)
    assert [each.what for each in found.unseen] == ["guest hide-hub", "guest of process 6"]
    assert "-qmp unix:/run/guests/NAME.qmp" in found.unseen[0].remedy
    assert not found.proposals


async def test_a_monitor_that_may_not_be_connected_to(unprivileged: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """The guest is proposed by the name of its process, and the missing privilege is reported."""

    async def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("watchkeeper.probes.guests.qmp.ask", refused)
    async with short_folder() as folder:
        root = link(unprivileged, folder)
        put_process(root, 5, "kvm", "-name", "hide-hub", "-qmp", f"unix:{folder}/run/guests/a.qmp")
        async with monitor(folder / "run/guests/a.qmp", replies()):
            found = await guests.find(moved(unprivileged, root))
    assert found.unseen[0].what == "guest hide-hub"
    assert "/etc/watchkeeper/guest-monitors" in found.unseen[0].remedy
    assert "expected" not in [key.name for key in found.proposals[0].keys]


async def test_a_folder_that_may_not_be_read(unprivileged: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guests in it cannot be seen: this is reported, and none counts as gone."""
    folder = unprivileged.root / "run/guests"
    folder.mkdir(parents=True)
    real = os.scandir

    def scandir(path: str | Path = ".") -> object:
        if str(path) == str(folder):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    found = await guests.find(unprivileged)
    assert "run/guests/*.qmp" in found.unseen[0].what
    assert "guest" not in found.looked


async def test_no_guests(host: Host) -> None:
    """There are none, and that is known."""
    found = await guests.find(host)
    assert found.absent == ("guests under QEMU",)
    assert found.looked == {"guest"}


async def test_processes_that_cannot_be_listed(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without /proc nothing is known about guests."""

    def broken(_proc: Path) -> list[qemu.Process]:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(qemu, "running", broken)
    assert [each.what for each in (await guests.find(host)).unseen] == ["guests"]


def test_sockets_are_named_by_a_glob_where_they_are_alike() -> None:
    """Two in one folder, or one in a usual place; each other by itself, its wildcards taken as signs."""
    assert guests.patterns(["/a/x.qmp", "/a/y.qmp", "/b/[z]", "/run/guests/q.qmp"]) == (
        "/a/*.qmp", "/b/[[]z]", "/run/guests/*.qmp",
    )  # fmt: skip


async def test_a_real_machine(host: Host) -> None:
    """QEMU's own process and monitor: the survey finds it by its command line, and reads its name and memory."""
    async with short_folder() as folder:
        socket = folder / "m.sock"
        async with machine(socket, "tide-log") as process:
            words = await asyncio.to_thread(Path(f"/proc/{process.pid}/cmdline").read_text)
            put(host.root, f"proc/{process.pid}/cmdline", words)
            found = await guests.find(host)
    (proposal,) = found.proposals
    assert value_of(proposal, "sockets") == (str(socket),)
    assert "tide-log" in proposal.about[1]
    assert "64 MiB of memory" in proposal.about[1]


VIRSH = """#!/bin/sh
case "$*" in
*domstats*) printf "Domain: 'hide-hub'\\n  state.state=1\\n  state.reason=1\\n  balloon.maximum=65536\\n" ;;
esac
"""


async def test_guests_of_libvirt(host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its processes have no monitor for others: libvirt is proposed, or one line says that it is not seen."""
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", f"{tmp_path}/tools:/usr/bin:/bin")
    for pid, name in ((7, "hide-hub"), (8, "tide-log")):
        words = ("-name", f"guest={name}", "-chardev", "socket,id=charmonitor,fd=25,server=on", "-mon")
        put_process(host.root, pid, "/usr/bin/qemu-system-x86_64", *words, "chardev=charmonitor,id=m,mode=control")
    tool = tmp_path / "tools/virsh"
    tool.parent.mkdir()
    tool.write_text("#!/bin/sh\necho 'error: authentication unavailable: no polkit agent' >&2\nexit 1\n")
    tool.chmod(0o755)
    found = await guests.find(host)
    assert found.proposals == ()
    assert [each.what for each in found.unseen] == ["guests of libvirt"]
    tool.write_text(VIRSH)
    found = await guests.find(host)
    assert not found.unseen
    (proposal,) = found.proposals
    assert [key.name for key in proposal.keys][:2] == ["libvirt", "expected"]
    assert value_of(proposal, "libvirt") == "qemu:///system"
    assert value_of(proposal, "expected") == ("hide-hub",)
    usable(document(proposal))


async def test_agents_in_guests_of_libvirt(host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A guest that libvirt gave a port for an agent, as its command line was seen: the probe asks through libvirt."""
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", f"{tmp_path}/tools:/usr/bin:/bin")
    device = '{"driver":"virtserialport","chardev":"charchannel0","id":"channel0","name":"org.qemu.guest_agent.0"}'
    words = ("-name", "guest=hide-hub,debug-threads=on", "-chardev", "socket,id=charmonitor,fd=25,server=on")
    channel = ("-chardev", "socket,id=charchannel0,fd=27,server=on,wait=off", "-device", device)
    put_process(host.root, 7, "/usr/bin/qemu-system-x86_64", *words, *channel)
    tool = tmp_path / "tools/virsh"
    tool.parent.mkdir()
    tool.write_text(VIRSH)
    tool.chmod(0o755)
    monkeypatch.setattr(libvirt_agents, "PATH", str(tool.parent))
    found = await guests.find(host)
    (proposal,) = [each for each in found.proposals if each.kind == "guest-agents"]
    assert [key.name for key in proposal.keys] == ["libvirt"]
    assert proposal.about[1] == "- started with a port for an agent: hide-hub"
    usable(document(proposal))
