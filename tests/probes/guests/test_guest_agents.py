"""Inside guests through their agents: what is reported, what a silent agent means, and what a hostile one can do."""

import csv
import json
import os
import platform
import subprocess
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from datetime import datetime
from ipaddress import ip_interface
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.agents import GIB, agent, answers, file_system, interface, real_agent
from tests.probes.hands import SetClock, conditions
from tests.probes.machines import short_folder
from tests.probes.monitors import MIB, drive, monitor, replies
from tests.probes.toolbox import Toolbox
from tests.support.needs import need
from watchkeeper.model.observation import Answer, Deadline, Level, Observed, Unseen
from watchkeeper.privileged.guests.agent import QUESTIONS
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guest_addresses import GuestAddresses
from watchkeeper.probes.guests.agents import agent as agents
from watchkeeper.probes.guests.agents import guest_agents, inside
from watchkeeper.probes.guests.agents.agent import AgentReport, Distribution, GuestFileSystem, NotAgent, understand
from watchkeeper.probes.guests.agents.guest_agents import GuestAgentsProbe, GuestAgentsSettings
from watchkeeper.probes.guests.agents.support import GuestSupport
from watchkeeper.probes.guests.agents.volumes import Held, Volumes
from watchkeeper.probes.guests.qmp import Drive, Guest, ImageState
from watchkeeper.probes.software.support_end import Release, Support


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the guests' sockets are."""
    async with short_folder() as made:
        yield made


def probe_of(bench: ProbeContext, folder: Path, **settings: Any) -> GuestAgentsProbe:
    """A probe of all agents in a folder, with the monitors beside them."""
    chosen = {"sockets": [f"{folder}/*.agent"], "monitors": [f"{folder}/*.qmp"], "timeout": 2, **settings}
    return GuestAgentsProbe(GuestAgentsSettings.model_validate({"helper": folder / "helper.sock", **chosen}), bench)


def now_s() -> float:
    """The host's time, which the agents' answers are compared with."""
    return datetime.now().astimezone().timestamp()


def df(point: str) -> tuple[int, int]:
    """What coreutils say is used and available, in bytes."""
    done = subprocess.run(["df", "-B1", "--output=used,avail", point], capture_output=True, check=True, timeout=120)
    here, left = map(int, done.stdout.split()[-2:])
    return here, left


def levels(seen: Sequence[Observed]) -> dict[str, tuple[float, float]]:
    """Level -> used, capacity."""
    return {str(one.key): (one.used, one.capacity) for one in seen if isinstance(one, Level)}


def answered(seen: Sequence[Observed]) -> dict[str, str]:
    """Answer -> why it is none."""
    return {str(one.key): one.reason for one in seen if isinstance(one, Answer)}


def unseen(seen: Sequence[Observed]) -> dict[str, str]:
    """What could not be looked at -> why."""
    return {one.what: one.why for one in seen if isinstance(one, Unseen)}


async def test_a_real_agent(bench: ProbeContext, folder: Path) -> None:
    """qemu-ga of Debian answers for this machine; the sizes are those of df(1)."""
    async with real_agent(folder / "hide-hub.agent"):
        seen = await probe_of(bench, folder).observe()
    assert answered(seen) == {"guest hide-hub: agent": ""}
    assert conditions([one for one in seen if not isinstance(one, Unseen)])["guest hide-hub: clock"].ok
    for name, (used, capacity) in levels(seen).items():
        point = name.removeprefix("guest hide-hub: space on ")
        here, left = df(point)
        assert used == pytest.approx(here, rel=0.02)
        assert capacity == pytest.approx(here + left, rel=0.02)


async def test_what_is_inside(bench: ProbeContext, folder: Path) -> None:
    """The name is that of the monitor that lists the socket; images and second mounts have no series."""
    files = [
        file_system("/", 3 * GIB, 8 * GIB),
        file_system("/var/lib/machines", 3 * GIB, 8 * GIB),
        file_system("/media/cd", 8 * MIB, 8 * MIB, "sr0", "iso9660"),
        file_system("/srv", 5 * GIB, 20 * GIB, "vdb1", "xfs"),
        file_system("/boot/efi", 1 * MIB, 500 * MIB, "vda15", "vfat"),
        file_system("/proc/x", 0, 0, "none", "x"),
    ]
    channel = {"filename": f"unix:{folder}/7.agent,server=on", "frontend-open": True, "label": "agent"}
    async with (
        agent(folder / "7.agent", answers(now_s(), files)) as asked,
        monitor(folder / "other.qmp", replies("hide-hub", channels=[channel])),
    ):
        seen = await probe_of(bench, folder, exclude_filesystems=["/boot/*"]).observe()
    assert levels(seen) == {
        "guest hide-hub: space on /": (3 * GIB, 8 * GIB),
        "guest hide-hub: space on /srv": (5 * GIB, 20 * GIB),
    }
    found = conditions([one for one in seen if not isinstance(one, Unseen)])
    assert {key: each.ok for key, each in found.items()} == {
        "guest hide-hub: boot": True,
        "guest hide-hub: clock": True,
        "guest hide-hub: network": True,
    }
    assert found["guest hide-hub: network"].facts == (("address", "eth0 192.0.2.7"),)
    (answer,) = [one for one in seen if isinstance(one, Answer)]
    assert answer.facts == (("operating system", "Debian GNU/Linux 12 (bookworm), kernel 6.1.0-50-amd64"),)
    assert asked[0] == "guest-sync-delimited"


async def test_a_wrong_clock_and_no_network(bench: ProbeContext, folder: Path) -> None:
    """The reasons name the difference and what is missing."""
    said = {
        **answers(now_s() - 3 * 3600),
        "guest-network-get-interfaces": [interface("eth0", "169.254.7.7", "fe80::2%3")],
    }
    async with agent(folder / "tide-log.agent", said):
        found = conditions([one for one in await probe_of(bench, folder).observe() if not isinstance(one, Unseen)])
    assert found["guest tide-log: clock"].reason == "its clock is 3h behind the host, limit 30s"
    assert not found["guest tide-log: network"].ok
    assert "has an address that another host can reach" in found["guest tide-log: network"].reason


@pytest.mark.parametrize(
    ("files", "ok"), [([file_system("/", 3 * GIB, 31 * GIB)], False), ([file_system("/", 23 * GIB, 31 * GIB)], True)]
)
def test_freed_space(files: list[dict[str, Any]], *, ok: bool) -> None:
    """28 GiB taken below, 3 GiB used inside and 1 GiB of the disk without a file system: 24 GiB can be trimmed."""
    report = understand({"guest-get-fsinfo": json.dumps({"return": files, "id": 3})}, None)
    disk = Drive("virtio0", "/skerry/hide-hub.raw", "ok", 32 * GIB, allocated_bytes=28 * GIB)
    guest = Guest("hide-hub", "running", disks=(disk,))
    found = inside.trim_condition("hide-hub", report, guest, 0.2, GIB)
    assert found is not None
    assert found.ok == ok
    if not ok:
        assert found.reason == "24 GiB are free in the guest and still taken below it: trim it"


@pytest.mark.parametrize(
    "disks",
    [
        (),
        (Drive("a", "/dev/zvol/skerry/a", "ok", GIB, allocated_bytes=0),),
        (Drive("a", "/a.qcow2", "ok", GIB, allocated_bytes=GIB, image=ImageState(layers=("/base.qcow2",))),),
        (Drive("a", "/a.qcow2", "ok", GIB, allocated_bytes=GIB, image=ImageState(snapshots=(("before", 1),))),),
    ],
)
def test_disks_that_cannot_be_compared(disks: tuple[Drive, ...]) -> None:
    """Devices, layers and snapshots: nothing is said of freed space."""
    report = AgentReport((GuestFileSystem("/", "ext4", 1, GIB),))
    assert inside.freed_bytes(report, Guest("hide-hub", "running", disks=disks)) is None
    assert inside.trim_condition("hide-hub", report, None, 0.1, 0) is None


async def test_one_that_never_answered_is_not_a_fault(still: ProbeContext, folder: Path) -> None:
    """A guest without an agent, one of another user, and one whose process has ended are "cannot tell"."""
    (folder / "hide-hub.agent").unlink(missing_ok=True)
    async with agent(folder / "hide-hub.agent", {}, mute=True):
        seen = await probe_of(still, folder, timeout=1).observe()
    assert unseen(seen) == {
        "guest hide-hub: what is inside it": "its agent has never answered: install qemu-guest-agent in it "
        f"(its agent did not answer within 1s ({folder}/hide-hub.agent))"
    }
    assert len(seen) == 1
    (seen_one,) = await probe_of(still, folder).observe()
    assert isinstance(seen_one, Unseen)
    assert "its process has ended" in seen_one.why


async def test_an_agent_that_stops(still: ProbeContext, folder: Path) -> None:
    """The same process: its agent does not answer. A guest that is paused is the other probe's matter."""
    path, probe = folder / "hide-hub.agent", probe_of(still, folder, timeout=1)
    async with agent(path, answers(now_s())) as _:
        await probe.observe()
        start = os.lstat(path)
    path.unlink(missing_ok=True)
    async with agent(path, {}, mute=True):
        os.utime(path, ns=(start.st_atime_ns, start.st_mtime_ns))
        state = await probe._state.read()
        kept = {
            name: each.model_copy(update={"start": f"{path.lstat().st_ino} {start.st_mtime_ns}"})
            for name, each in state.agents.items()
        }
        await probe._state.write(state.model_copy(update={"agents": kept}))
        assert answered(await probe.observe()) == {
            "guest hide-hub: agent": f"its agent did not answer within 1s ({path})"
        }
        shut = {"filename": f"disconnected:unix:{path},server=on", "frontend-open": False, "label": "agent"}
        async with monitor(folder / "a.qmp", replies("hide-hub", channels=[shut])):
            assert answered(await probe.observe()) == {
                "guest hide-hub: agent": "no agent runs in the guest, and the guest is running"
            }
        (folder / "a.qmp").unlink(missing_ok=True)
        async with monitor(folder / "a.qmp", replies("hide-hub", "paused", channels=[shut])):
            assert unseen(await probe.observe()) == {
                "guest hide-hub: what is inside it": "the guest is not running: paused"
            }


async def test_a_boot_that_does_not_finish(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """The process is new, and its agent does not answer: reported after the limit, and once."""
    path, probe = folder / "hide-hub.agent", probe_of(still, folder, timeout=1)
    async with agent(path, answers(now_s())):
        await probe.observe()
    path.unlink(missing_ok=True)
    async with agent(path, {}, mute=True):
        started_s = clock.wall.timestamp()
        os.utime(path, (started_s, started_s))
        clock.advance(300)
        (condition, missing) = await probe.observe()
        assert not isinstance(condition, Unseen)
        assert conditions([condition])["guest hide-hub: boot"].ok
        assert ("checked in", "5m") in condition.facts
        assert isinstance(missing, Unseen)
        clock.advance(301)
        (condition, _) = await probe.observe()
        assert not isinstance(condition, Unseen)
        assert conditions([condition])["guest hide-hub: boot"].reason == (
            "it was started at 2026-03-01 12:00 UTC and its agent has not answered since: look at its console"
        )


async def test_a_guest_cannot_fill_the_database(still: ProbeContext, folder: Path) -> None:
    """New mount points at each look: 64 of them have a series, ever; the rest is named as not looked at."""
    probe, names = probe_of(still, folder), set[str]()
    for look in range(4):
        files = [file_system(f"/mnt/{look}-{n}", 1, 2, f"vd{look}{n}") for n in range(40)]
        path = folder / "hide-hub.agent"
        path.unlink(missing_ok=True)
        async with agent(path, answers(now_s(), files)):
            seen = await probe.observe()
        names |= set(levels(seen))
    assert len(names) == agents.FILESYSTEMS_LIMIT
    assert "leave some out with exclude_filesystems" in unseen(seen)["guest hide-hub: space on /mnt/3-0"]


def read(question: str, reply: object) -> AgentReport:
    """What is understood of one reply."""
    return understand({question: reply if isinstance(reply, str) else json.dumps(reply)}, 0.0)


def why(report: AgentReport, part: str) -> str:
    """Why a part could not be read."""
    return next(reason for name, reason in report.unseen if name == part and "did not answer" not in reason)


def test_what_is_refused() -> None:
    """Each part alone, with the reason; the rest is read."""
    files = [file_system("/", 9, 8), {"mountpoint": ""}, file_system("/srv", 1, 2), 7, {"mountpoint": "/new"}]
    report = read("guest-get-fsinfo", {"return": files})
    assert report.filesystems == (GuestFileSystem("/srv", "ext4", 1, 2),)
    assert why(report, "space on /") == "the agent reports 9 B used of 8 B, which is impossible"
    assert why(report, "space on /new") == "the agent does not report it"
    assert why(report, "file systems") == "one of them is not valid"
    many = [file_system(f"/{n}", 1, 2, f"v{n}") for n in range(70)]
    report = read("guest-get-fsinfo", {"return": many})
    assert len(report.filesystems) == 64
    assert why(report, "file systems") == "70 are listed, and 64 are read"
    assert why(read("guest-get-fsinfo", {"return": {}}), "file systems").endswith("is no list")
    assert why(read("guest-get-fsinfo", {"return": [], "id": 9}), "file systems").startswith(
        "the agent answered another"
    )
    assert why(read("guest-get-fsinfo", "[" * 100_000), "file systems").endswith("is not valid")
    assert why(read("guest-get-time", {"return": "now"}), "clock") == "the agent's time is not a number"
    assert why(read("guest-get-osinfo", {"return": []}), "operating system") == "the agent's answer is not valid"
    assert why(read("guest-get-osinfo", {"error": 7}), "operating system").endswith("no reason given")
    frozen = {"error": {"class": "GenericError", "desc": "Command guest-get-fsinfo has been disabled: frozen\n"}}
    assert why(read("guest-get-fsinfo", frozen), "file systems").endswith("disabled: frozen\\n")
    report = read("guest-network-get-interfaces", {"return": [7, interface("e\nth", "192.0.2.9", "no")]})
    assert report.addresses == ("e\\nth 192.0.2.9",)
    assert why(report, "network") == "an interface is not valid"


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"[" * 100_000, b'{"replies": {}, "host_time_s": "x"}'])
def test_what_the_helper_printed_makes_no_sense(text: bytes) -> None:
    """It is an error of ours."""
    with pytest.raises(NotAgent):
        agents.read_printed(text)


KEYS = st.sampled_from(
    ["return", "error", "id", "name", "mountpoint", "used-bytes", "total-bytes", "type", "ip-addresses", "ip-address"]
)

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(KEYS, inner, max_size=5),
    max_leaves=30,
)


@given(st.dictionaries(st.sampled_from(QUESTIONS), JSON, max_size=4), st.none() | st.floats())
def test_whatever_a_guest_says(said: dict[str, object], host_time_s: float | None) -> None:
    """A report comes back within its bounds, and every level in it makes sense."""
    report = understand({question: json.dumps(reply) for question, reply in said.items()}, host_time_s)
    assert len(report.filesystems) <= agents.FILESYSTEMS_LIMIT
    assert len(report.unseen) <= agents.UNSEEN_LIMIT
    for level in inside.levels("hide-hub", report.filesystems):
        assert 0 <= level.used <= level.capacity
        assert level.capacity > 0
        assert level.key.quantity.isprintable()
    for condition in (inside.clock_condition("a", report, 30), inside.network_condition("a", report)):
        assert condition is None or condition.ok == (not condition.reason)


async def test_a_guest_that_sends_too_much(still: ProbeContext, folder: Path) -> None:
    """It ends like one that does not answer, with the reason."""
    said = {"guest-get-time": b'{"return": 1}\n{"return": 2}\n'}
    async with agent(folder / "hide-hub.agent", said):
        (one,) = await probe_of(still, folder).observe()
    assert isinstance(one, Unseen)
    assert "cannot be used: it sends more than it was asked for" in one.why


async def test_addresses_are_passed_on_to_the_probes_of_services(
    bench: ProbeContext, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also after a restart, and while the agent does not answer: then it is the last one that it reported."""
    monkeypatch.setattr(guest_agents, "own_interfaces", lambda: [ip_interface("192.0.2.1/24")])
    async with agent(folder / "hide-hub.agent", answers(now_s())):
        await probe_of(bench, folder).observe()
    assert bench.guest_addresses.of("hide-hub") == ("192.0.2.7",)
    restarted = replace(bench, guest_addresses=GuestAddresses())
    (folder / "hide-hub.agent").unlink(missing_ok=True)
    async with agent(folder / "hide-hub.agent", {}, mute=True):
        await probe_of(restarted, folder, timeout=0.2).observe()
    assert restarted.guest_addresses.of("hide-hub") == ("192.0.2.7",)


def held_by(file: str, size: int) -> dict[str, Any]:
    """query-block's entry of a disk that is a device: QEMU reports 0 for what it takes."""
    entry = drive(file=file)
    entry["inserted"]["image"]["virtual-size"] = size
    return entry


LVS = """{"report": [{"lv": [
{"vg_name": "vg0", "lv_name": "guests", "lv_attr": "twi-aotz--", "lv_size": "107374182400", "data_percent": "40"},
{"vg_name": "vg0", "lv_name": "hide-hub", "lv_attr": "Vwi-aotz--", "lv_size": "10737418240", "pool_lv": "guests",
 "data_percent": "80.00"},
{"vg_name": "vg0", "lv_name": "snap", "lv_attr": "Vri---tz-k", "lv_size": "10737418240", "pool_lv": "guests",
 "origin": "hide-hub", "data_percent": ""},
{"vg_name": "vg0", "lv_name": "whole", "lv_attr": "-wi-ao----", "lv_size": "10737418240"}
]}]}"""
"""In the form of LVM 2.03."""

ZVOLS = (
    f"skerry/hide-hub\t{12 * GIB}\t{8 * GIB}\t0\t0\n"
    f"skerry/packed\t{4 * GIB}\t{9 * GIB}\t0\t{GIB}\n"
    f"skerry/whole\t{8 * GIB}\t{8 * GIB}\t{10 * GIB}\t0\nwrong\n\tx\ty\tz\tq\n"
)
"""In the form of OpenZFS 2.1."""


@pytest.mark.parametrize(
    ("file", "freed", "snapshots"),
    [
        ("/dev/vg0/hide-hub", "4.7 GiB", True),
        ("/dev/zvol/skerry/hide-hub", "4.7 GiB", False),
        ("/dev/zvol/skerry/packed", "", True),
        ("/dev/vg0/whole", None, False),
        ("/dev/zvol/skerry/whole", None, False),
        ("/dev/sda", None, False),
    ],
)
async def test_space_that_is_freed_inside_and_taken_by_a_volume(
    bench: ProbeContext,
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    file: str,
    freed: str | None,
    snapshots: bool,  # noqa: FBT001  a column
) -> None:
    """By what lvs and zfs say that the volume holds; a volume that is reserved whole gives nothing back."""
    tools = Toolbox(tmp_path, monkeypatch)
    tools.says("lvs", LVS)
    tools.says("zfs", ZVOLS)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    files = [file_system("/", 3 * GIB, int(9.7 * GIB))]
    async with (
        agent(folder / "hide-hub.agent", answers(now_s(), files)),
        monitor(folder / "hide-hub.qmp", replies("hide-hub", drives=[held_by(file, 10 * GIB)])),
    ):
        seen = await probe_of(bench, folder).observe()
    found = conditions([one for one in seen if not isinstance(one, Unseen)]).get("guest hide-hub: trimmed space")
    assert (found is None) == (freed is None)
    if found is not None:
        assert found.reason == (f"{freed} are free in the guest and still taken below it: trim it" if freed else "")
        assert ("held by snapshots too" in dict(found.facts)) == snapshots


async def test_a_volume_that_may_not_be_looked_at(
    bench: ProbeContext, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """LVM needs root: without a helper it cannot be told whether the guest should trim."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    async with (
        agent(folder / "hide-hub.agent", answers(now_s())),
        monitor(folder / "hide-hub.qmp", replies("hide-hub", drives=[held_by("/dev/vg0/hide-hub", 10 * GIB)])),
    ):
        seen = await probe_of(bench, folder).observe()
    assert "no helper listens" in unseen(seen)["guest hide-hub: trimmed space"]


async def test_volumes_are_looked_at_rarely(still: ProbeContext, clock: SetClock, tmp_path: Path) -> None:
    """Lvs takes half a second, so its answer is used for a quarter of an hour, or until there is another disk."""
    asked: list[tuple[str, ...]] = []

    class Counting(Volumes):
        async def _zfs(self, paths: Sequence[str]) -> dict[str, Held]:
            asked.append(tuple(paths))
            return {}

    volumes = Counting(still, tmp_path / "helper.sock")
    for moved_s, files in ((0, "a"), (600, "a"), (400, "a"), (10, "b"), (10, "b")):
        clock.advance(moved_s)
        await volumes.look([f"/dev/zvol/skerry/{files}", "/srv/x.raw"])
    assert asked == [("/dev/zvol/skerry/a",)] * 2 + [("/dev/zvol/skerry/b",)]


def end_of(distribution: str, version: str) -> str:
    """The day on which the support of a release ends, by distro-info-data."""
    table = Path(f"/usr/share/distro-info/{distribution}.csv")
    need(table.exists(), "distro-info-data is not installed: the end of no release is known")
    rows = list(csv.DictReader(table.read_text().splitlines()))
    (day,) = [each["eol"] for each in rows if each["version"].split(" ")[0] == version]
    return day


async def test_the_support_of_the_system_that_a_real_agent_names(bench: ProbeContext, folder: Path) -> None:
    """The day is that of distro-info-data's own table for the release of this machine."""
    here = platform.freedesktop_os_release()
    day = end_of(here["ID"], here["VERSION_ID"])
    async with real_agent(folder / "hide-hub.agent"):
        seen = await probe_of(bench, folder).observe()
    (deadline,) = [each for each in seen if isinstance(each, Deadline)]
    assert str(deadline.key) == "guest hide-hub: support"
    assert f"{deadline.due_at:%Y-%m-%d}" == day
    assert dict(deadline.facts)["release"] == here["PRETTY_NAME"]


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"id": "alpine", "version-id": "3.20.1", "pretty-name": "Alpine"}, "Alpine: no table has it"),
        ({"id": "debian", "version-id": "99"}, "does not have this release"),
        ({"id": "debian"}, None),
        ({"id": "../../etc/passwd", "version-id": "1"}, None),
        ({"id": "x" * 200, "version-id": "1"}, None),
        ({"id": 7, "version-id": []}, None),
    ],
)
async def test_a_system_whose_support_is_not_known(
    bench: ProbeContext, folder: Path, tmp_path: Path, said: dict[str, object], why: str | None
) -> None:
    """A distribution without a table cannot be told; one that is not named, or in no way that fits, is left out."""
    tables = tmp_path / "usr/share/distro-info"
    tables.mkdir(parents=True)
    (tables / "debian.csv").write_text("version,codename,series,created,release,eol\n12,B,b,2021-08-14,2023-06-10,\n")
    values = {"sockets": [f"{folder}/*.agent"], "helper": folder / "helper.sock"}
    async with agent(folder / "hide-hub.agent", {**answers(now_s()), "guest-get-osinfo": said}):
        settings = GuestAgentsSettings.model_validate(values)
        seen = await GuestAgentsProbe(settings, bench, tmp_path).observe()
    assert not [each for each in seen if isinstance(each, Deadline)]
    assert (why or "") in unseen(seen).get("guest hide-hub: support", "")
    assert ("guest hide-hub: support" in unseen(seen)) == (why is not None)


async def test_tables_are_read_once_for_each_release(still: ProbeContext, clock: SetClock, tmp_path: Path) -> None:
    """And again after half a day, for the package may have been upgraded."""
    support = GuestSupport(still, Support.REGULAR, 5, tmp_path)
    release = Release("debian", "12")
    tables = tmp_path / "usr/share/distro-info"
    tables.mkdir(parents=True)
    for day, moved_s in (("2026-06-10", 0), ("2026-06-10", 3600), ("2028-06-30", 50_000)):
        clock.advance(moved_s)
        row = f"12,B,b,2021-08-14,2023-06-10,{'2028-06-30' if moved_s else day}"
        (tables / "debian.csv").write_text(f"version,codename,series,created,release,eol\n{row}\n")
        await support.look_up([release])
        deadline = support.observe("hide-hub", Distribution(release, "Debian 12"))
        assert isinstance(deadline, Deadline)
        assert f"{deadline.due_at:%Y-%m-%d}" == day
