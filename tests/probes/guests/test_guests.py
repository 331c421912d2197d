"""Guests: what their states mean, guests that go and come, sockets that cannot be used, and the allocated memory."""

import contextlib
import os
import socket as sockets
import stat
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import SetClock, conditions
from tests.probes.machines import machine, short_folder
from tests.probes.monitors import MIB, drive, monitor, replies
from tests.support.needs import need
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Level, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests import sockets as guest_sockets
from watchkeeper.probes.guests.changes import KnownGuest
from watchkeeper.probes.guests.guests import GuestsProbe, GuestsState
from watchkeeper.probes.guests.qmp import Drive, Guest
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.guests.sockets import find_sockets
from watchkeeper.probes.guests.states import STATES, condition_of

HOST_BYTES = 1024 * MIB


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the guests' sockets are."""
    async with short_folder() as made:
        yield made


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A /proc in which the host has 1 GiB."""
    (tmp_path / "proc/sys/kernel/random").mkdir(parents=True)
    (tmp_path / "proc/meminfo").write_text(f"MemTotal:       {HOST_BYTES // 1024} kB\n")
    boot(tmp_path, "first", 90_000)
    return tmp_path


def boot(root: Path, name: str, up_s: float) -> None:
    """Say which boot of the host this is, and since when."""
    (root / "proc/sys/kernel/random/boot_id").write_text(f"{name}\n")
    (root / "proc/uptime").write_text(f"{up_s:.2f} {2 * up_s:.2f}\n")


def probe_of(bench: ProbeContext, folder: Path, root: Path, **settings: Any) -> GuestsProbe:
    """A probe of all sockets in a folder."""
    chosen = {"sockets": [f"{folder}/*.qmp"], "timeout": 2, "helper": folder / "helper.sock", **settings}
    return GuestsProbe(GuestsSettings.model_validate(chosen), bench, root)


def states(seen: Sequence[Observed]) -> dict[str, str]:
    """Guest -> why it is not sound."""
    return {
        one.key.subject.removeprefix("guest "): one.reason
        for one in seen
        if isinstance(one, Condition) and one.key.quantity == "state"
    }


def unseen(seen: Sequence[Observed]) -> dict[str, str]:
    """What it cannot tell -> why."""
    return {one.what: one.why for one in seen if isinstance(one, Unseen)}


async def test_guests_that_run_and_one_that_does_not(bench: ProbeContext, folder: Path, root: Path) -> None:
    """Each guest is a series of its own, by the name that it has; one on an I/O error is grave, with its disk."""
    full = replies("nest-cams", "io-error", [drive("nospace", file="/skerry/nest-cams.raw")])
    probe = probe_of(bench, folder, root)
    async with monitor(folder / "a.qmp", replies("hide-hub")), monitor(folder / "b.qmp", full):
        seen = conditions(await probe.observe())
    await probe.close()
    judged = [name for name in seen if not name.endswith((": disk errors", ": disk images"))]
    assert judged == ["guest hide-hub: state", "guest nest-cams: state", "guests: memory allocation"]
    assert seen["guest hide-hub: state"].ok
    bad = seen["guest nest-cams: state"]
    assert not bad.ok
    assert bad.grave
    assert bad.reason == (
        "it is paused on an I/O error: disk virtio0 (/skerry/nest-cams.raw) got 'no space' from the storage below it"
    )
    assert ("disk virtio0", "nospace: /skerry/nest-cams.raw") in bad.facts
    assert ("memory allocated", "64 MiB") in bad.facts


async def test_the_balloon_is_told(bench: ProbeContext, folder: Path, root: Path) -> None:
    """What a balloon leaves a guest is a fact beside what it was promised."""
    told = {**replies(), "query-balloon": {"return": {"actual": 32 * MIB}}}
    async with monitor(folder / "a.qmp", told):
        seen = conditions(await probe_of(bench, folder, root).observe())
    assert ("memory left by its balloon", "32 MiB") in seen["guest hide-hub: state"].facts


async def test_a_guest_that_ends_and_comes_back(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A guest that was seen is missed by its name when its socket is gone, or nobody listens there; then it is back."""
    path = folder / "101.qmp"
    probe = probe_of(bench, folder, root)
    async with monitor(path, replies("tide-log")):
        assert states(await probe.observe()) == {"tide-log": ""}
    path.unlink(missing_ok=True)
    assert states(await probe.observe()) == {"tide-log": f"it is missing, and so is its monitor socket {path}"}
    with sockets.socket(sockets.AF_UNIX) as left:
        left.bind(str(path))
    assert states(await probe.observe()) == {"tide-log": "its process has ended: nothing listens on its monitor socket"}
    path.unlink()
    async with monitor(path, replies("tide-log")):
        assert states(await probe.observe()) == {"tide-log": ""}


async def test_a_guest_is_missed_after_a_restart_of_the_daemon(bench: ProbeContext, folder: Path, root: Path) -> None:
    """The notes keep the names: a new probe misses a guest that the one before it had seen."""
    kept = replace(bench, probe_states=MemoryStateStore())
    async with monitor(folder / "101.qmp", replies("tide-log")):
        await probe_of(kept, folder, root).observe()
    (folder / "101.qmp").unlink(missing_ok=True)
    assert "it is missing" in states(await probe_of(kept, folder, root).observe())["tide-log"]
    assert states(await probe_of(kept, folder, root, exclude=["tide-*"]).observe()) == {}


async def test_a_guest_that_a_restart_has_ended_is_waited_for(bench: ProbeContext, folder: Path, root: Path) -> None:
    """The host starts one guest after the other: none is missed before the time for that is over, and then each is."""
    kept = replace(bench, probe_states=MemoryStateStore())
    async with monitor(folder / "1.qmp", replies("hide-hub")), monitor(folder / "2.qmp", replies("tide-log")):
        await probe_of(kept, folder, root).observe()
    (folder / "1.qmp").unlink(missing_ok=True)
    boot(root, "second", 60)
    seen = conditions(await probe_of(kept, folder, root, boot_grace="10m").observe())
    for name in ("hide-hub", "tide-log"):
        assert seen[f"guest {name}: state"].ok
        assert seen[f"guest {name}: state"].facts == (("still starting", "checked in 9m"),)
    async with monitor(folder / "1.qmp", replies("hide-hub")):
        assert states(await probe_of(kept, folder, root, boot_grace="10m").observe()) == {
            "hide-hub": "",
            "tide-log": "",
        }
    # One that had come and has gone again is missed at once.
    (folder / "1.qmp").unlink(missing_ok=True)
    told = states(await probe_of(kept, folder, root, boot_grace="10m").observe())
    assert "it is missing" in told["hide-hub"]
    assert told["tide-log"] == ""
    boot(root, "second", 600)
    assert "ended" in states(await probe_of(kept, folder, root, boot_grace="10m").observe())["tide-log"]


async def test_a_guest_that_was_off_before_the_restart_stays_missed(
    bench: ProbeContext, folder: Path, root: Path
) -> None:
    """One that had been gone for long is not waited for; one that the shutdown had ended a moment before is."""
    clock = SetClock()
    kept = replace(bench, probe_states=MemoryStateStore(), clock=clock)
    async with monitor(folder / "1.qmp", replies("hide-hub")), monitor(folder / "2.qmp", replies("tide-log")):
        await probe_of(kept, folder, root).observe()
        (folder / "1.qmp").unlink(missing_ok=True)
        assert "it is missing" in states(await probe_of(kept, folder, root).observe())["hide-hub"]
        clock.advance(3600)
        await probe_of(kept, folder, root).observe()
    (folder / "2.qmp").unlink(missing_ok=True)
    assert "it is missing" in states(await probe_of(kept, folder, root).observe())["tide-log"]
    clock.advance(120)
    boot(root, "second", 60)
    told = states(await probe_of(kept, folder, root).observe())
    assert "it is missing" in told["hide-hub"]
    assert told["tide-log"] == ""


async def test_a_guest_that_moves_to_another_socket(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A socket's path may change with each start of a guest: it is the same guest, and the old path is forgotten."""
    probe = probe_of(bench, folder, root)
    async with monitor(folder / "1.qmp", replies("hide-hub")):
        await probe.observe()
    (folder / "1.qmp").unlink(missing_ok=True)
    async with monitor(folder / "2.qmp", replies("hide-hub")):
        assert states(await probe.observe()) == {"hide-hub": ""}


async def test_names(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A guest without a name is called as its socket is; two of one name are told apart; odd names do no harm."""
    odd = "hide\x1b[31m\nhub " + "x" * 500
    async with (
        monitor(folder / "-unnamed .qmp", replies("")),
        monitor(folder / "1.qmp", replies("twin")),
        monitor(folder / "2.qmp", replies("twin")),
        monitor(folder / "3.qmp", replies(odd)),
    ):
        seen = await probe_of(bench, folder, root).observe()
    names = list(states(seen))
    assert names[:3] == ["-unnamed ", "twin", f"twin at {folder}/2.qmp"]
    assert names[3].startswith("hide\\x1b[31m\\nhub xxx")
    assert len(names[3]) <= 140
    assert all(str(one.key).isprintable() for one in seen if not isinstance(one, Unseen))


async def test_what_is_expected_and_not_there(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A guest that must be there is missed even where it was never seen."""
    seen = await probe_of(bench, folder, root, expected=["ringing-db"]).observe()
    assert states(seen) == {"ringing-db": "it is missing: none of the monitor sockets belongs to it"}


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Within it, this process has the rights of a user without any."""
    need(os.geteuid() == 0, "only root can take another user's place and come back")
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


async def test_without_the_privilege(bench: ProbeContext, folder: Path) -> None:
    """A socket that this user may not write to is told as exactly that, and the other guest does not suffer."""
    folder.chmod(0o755)  # noqa: ASYNC240  a test may look at a path
    async with monitor(folder / "a.qmp", replies("hide-hub")), monitor(folder / "b.qmp", replies("tide-log")):
        (folder / "a.qmp").chmod(0o600)
        (folder / "b.qmp").chmod(0o666)
        with as_nobody():
            observed = await probe_of(bench, folder, Path("/")).observe()
    seen = states(observed)
    assert "a" not in seen
    assert unseen(observed)["guest a: whether it runs"] == (
        f"this user may not connect to {folder}/a.qmp; this needs root, and no helper listens on {folder}/helper.sock; "
        "start watchkeeper-helper.socket, see installation.md"
    )
    assert seen["tide-log"] == ""


async def test_a_folder_that_may_not_be_read(bench: ProbeContext, folder: Path, root: Path) -> None:
    """Where the folder itself is closed, the whole look says so."""
    (folder / "run").mkdir(mode=0o700)
    folder.chmod(0o755)  # noqa: ASYNC240  a test may look at a path
    with as_nobody():
        with pytest.raises(PrivilegeMissing, match="this user may not read"):
            find_sockets([f"{folder}/run/*.qmp"])
        with pytest.raises(PrivilegeMissing):
            await probe_of(bench, folder / "run", root).observe()


async def test_other_trouble_with_a_socket(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A monitor in other hands, another service, and one that hangs up: each has its words."""
    async with (
        monitor(folder / "busy.qmp", {}, first=b" "),
        monitor(folder / "mail.qmp", {}, first=b"220 ready\r\n"),
        monitor(folder / "short.qmp", {"qmp_capabilities": {"return": {}}}),
    ):
        seen = states(await probe_of(bench, folder, root, timeout=0.3).observe())
    assert seen["busy"].startswith("its monitor does not respond: another program uses it")
    assert seen["mail"].startswith("the answer is not QEMU machine protocol")
    assert seen["short"].startswith("cannot query its monitor: its monitor closed the connection")


async def test_states_that_pass(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A guest whose state is being saved is OK for a while, faulty when it takes too long, and OK after it."""
    clock = SetClock()
    probe = probe_of(replace(bench, clock=clock), folder, root, transient_limit="10m")
    told = replies("hide-hub", "save-vm")
    async with monitor(folder / "a.qmp", told):
        assert states(await probe.observe()) == {"hide-hub": ""}
        clock.advance(601)
        assert states(await probe.observe()) == {"hide-hub": "its state is being saved"}
        told["query-status"] = replies()["query-status"]
        assert states(await probe.observe()) == {"hide-hub": ""}
        told["query-status"] = replies(state="save-vm")["query-status"]
        assert states(await probe.observe()) == {"hide-hub": ""}


def test_every_state_is_known() -> None:
    """The table has each RunState of qemu-qmp-ref(7), QEMU 7.2, and only a guest that runs is sound for good."""
    assert set(STATES) == {
        "debug", "inmigrate", "internal-error", "io-error", "paused", "postmigrate", "prelaunch", "finish-migrate",
        "restore-vm", "running", "save-vm", "shutdown", "suspended", "watchdog", "guest-panicked", "colo",
    }  # fmt: skip
    assert [state for state, standing in STATES.items() if not standing.reason] == ["running"]


@pytest.mark.parametrize(
    ("guest", "reason"),
    [
        (Guest("g", "io-error"), "it is paused on an I/O error"),
        (Guest("g", "later-state"), 'unknown state "later-state"'),
        (
            Guest("g", "running", (Drive("sda", "", "failed"), Drive("sdb", "", "nospace"))),
            "it is running, but disk sda (and 1 more) got an error from the storage below it",
        ),
        (Guest("g", "paused", (Drive("sda", "", "failed"),)), "it is paused"),
    ],
)
def test_what_states_mean(guest: Guest, reason: str) -> None:
    """States with and without disks in trouble."""
    assert condition_of(guest).reason == reason


async def test_memory_promised(bench: ProbeContext, folder: Path, root: Path) -> None:
    """More than the host has is faulty; the limit can be set; a guest that cannot be asked counts as it did last."""
    probe = probe_of(bench, folder, root)
    big = replies("hide-hub", memory_bytes=768 * MIB)
    async with monitor(folder / "a.qmp", big) as _, monitor(folder / "b.qmp", replies("x", memory_bytes=512 * MIB)):
        seen = conditions(await probe.observe())["guests: memory allocation"]
        assert not seen.ok
        assert seen.reason == "1.25 GiB are allocated, 125% of the host's memory, limit 100%"
        assert seen.facts == (
            ("allocated to the guests", "1.25 GiB"), ("memory of the host", "1 GiB"),
            ("hide-hub", "768 MiB"), ("x", "512 MiB"),
        )  # fmt: skip
        more = probe_of(bench, folder, root, memory_limit=1.5)
        assert conditions(await more.observe())["guests: memory allocation"].ok
        del big["query-status"]
        seen = conditions(await probe.observe())["guests: memory allocation"]
        assert not seen.ok
    for name in ("a.qmp", "b.qmp"):
        (folder / name).unlink(missing_ok=True)
    seen = conditions(await probe.observe())["guests: memory allocation"]
    assert seen.ok
    assert seen.facts[0] == ("allocated to the guests", "0 B")


async def test_a_real_guest_from_start_to_end(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A real QEMU: not started, then gone with its socket, which it removes when it is told to end."""
    probe = probe_of(bench, folder, root, timeout=20)
    async with machine(folder / "hub.qmp", "hide-hub", "-S") as process:
        seen = conditions(await probe.observe())
        assert seen["guest hide-hub: state"].reason == "it has not been started yet"
        assert ("hide-hub", "64 MiB") in seen["guests: memory allocation"].facts
        process.terminate()
        await process.wait()
    assert "it is missing" in states(await probe.observe())["hide-hub"]


def test_finding_sockets(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only sockets count, each once, and a pattern that matches far too many is refused; no folder is no socket."""
    (folder / "file.qmp").write_text("not a socket")
    (folder / "dead.qmp").symlink_to(folder / "nowhere")
    for number in range(3):
        with sockets.socket(sockets.AF_UNIX) as left:
            left.bind(str(folder / f"{number}.qmp"))
    found = find_sockets([f"{folder}/*.qmp", f"{folder}/0.qmp", f"{folder}/[no]*/x", "/nowhere/*.qmp"])
    assert found == [f"{folder}/{number}.qmp" for number in range(3)]
    assert all(stat.S_ISSOCK(Path(path).stat().st_mode) for path in found)
    monkeypatch.setattr(guest_sockets, "SOCKETS_LIMIT", 2)
    with pytest.raises(ProbeError, match="more than 2 sockets"):
        find_sockets([f"{folder}/*.qmp"])


@pytest.mark.parametrize(
    "wrong", [{"sockets": []}, {"sockets": ["run/*.qmp"]}, {"memory_limit": 0}, {"transient_limit": "0s"}]
)
def test_settings_that_make_no_sense(wrong: dict[str, Any]) -> None:
    """No sockets, a path that is not whole, no memory at all."""
    with pytest.raises(ValidationError):
        GuestsSettings.model_validate({"sockets": ["/run/guests/*.qmp"], **wrong})


HELPER = """
import socket, sys
from pathlib import Path
from watchkeeper.privileged import protocol, commands

commands.MONITORS = Path(sys.argv[2])
with socket.socket(socket.AF_UNIX) as listening:
    early = Path(sys.argv[1] + ".early")
    listening.bind(str(early))
    early.chmod(0o666)
    listening.listen()
    early.rename(sys.argv[1])  # Who waits for the name finds a socket that all may use and that listens.
    while True:
        connection, _ = listening.accept()
        with connection:
            protocol.serve(connection)
"""
"""Root's side as its service runs it, but one process for all callers, and a list of the test's own."""


@contextlib.contextmanager
def roots_side(folder: Path, patterns: str) -> Iterator[Path]:
    """Root's side in a process of its own, which stays root; its socket."""
    (folder / "guest-monitors").write_text(patterns)
    (folder / "guest-monitors").chmod(0o644)
    where = folder / "helper.sock"
    process = subprocess.Popen([sys.executable, "-c", HELPER, str(where), str(folder / "guest-monitors")])
    try:
        end = time.monotonic() + 30
        while not where.exists():
            assert process.poll() is None
            assert time.monotonic() < end, "root's side does not listen"
            time.sleep(0.02)
        yield where
    finally:
        process.kill()
        process.wait(30)


async def test_through_roots_side(bench: ProbeContext, folder: Path) -> None:
    """A monitor that is closed to this user is asked by root; one that root does not know is told with what to do."""
    need(os.geteuid() == 0, "root's side needs root")
    folder.chmod(0o755)  # noqa: ASYNC240  a test may look at a path
    async with (
        monitor(folder / "a.qmp", replies("hide-hub", "io-error", [drive("nospace")])),
        monitor(folder / "b.qmp", replies("tide-log")),
        monitor(folder / "c.qmp", replies("nest-cams")),
        monitor(folder / "d.qmp", {}, first=b"220 mail.test\r\n"),
    ):
        for name in "abd":
            (folder / f"{name}.qmp").chmod(0o600)
        (folder / "c.qmp").chmod(0o666)
        with roots_side(folder, f"{folder}/a.qmp\n{folder}/d.qmp\n"):
            probe = probe_of(bench, folder, Path("/"))
            with as_nobody():
                observed = await probe.observe()
    seen = states(observed)
    assert seen["hide-hub"].startswith("it is paused on an I/O error: disk virtio0")
    assert seen["nest-cams"] == ""
    assert "b" not in seen
    assert unseen(observed)["guest b: whether it runs"] == (
        f"this user may not connect to {folder}/b.qmp; the helper does not know it either: "
        "list it in /etc/watchkeeper/guest-monitors, or give its group write access"
    )
    assert seen["d"].startswith("querying its monitor as root ended with status 1: ")


async def test_a_closed_folder_through_roots_side(bench: ProbeContext, folder: Path) -> None:
    """Where even the folder is closed, root's side says which guests there are; where its list is no good, why."""
    need(os.geteuid() == 0, "root's side needs root")
    folder.chmod(0o755)  # noqa: ASYNC240  a test may look at a path
    run = folder / "run"
    run.mkdir(mode=0o700)
    probe = probe_of(bench, run, Path("/"), helper=folder / "helper.sock")
    async with monitor(run / "a.qmp", replies("hide-hub")):
        with roots_side(folder, f"{run}/*.qmp\n"):
            with as_nobody():
                assert states(await probe.observe()) == {"hide-hub": ""}
            (folder / "guest-monitors").chmod(0o666)
            with as_nobody(), pytest.raises(PrivilegeMissing, match="must belong to root, with mode 0644"):
                await probe.observe()


async def test_what_is_recorded_of_guests(bench: ProbeContext, folder: Path, root: Path) -> None:
    """Memory and vCPUs as levels that may be full; what each guest has written since it began, of its disks' size."""
    probe = probe_of(bench, folder, root)
    async with monitor(folder / "a.qmp", replies("hide-hub")), monitor(folder / "b.qmp", replies("ringing-db")):
        found = {str(one.key): one for one in await probe.observe() if isinstance(one, Level)}
    assert {each.not_judged for each in found.values()} == {True}
    assert (found["guests: memory"].used, found["guests: memory"].capacity) == (128 * MIB, HOST_BYTES)
    assert (found["guests: vCPUs"].used, found["guests: vCPUs"].capacity) == (2, os.cpu_count())
    assert (found["guest hide-hub: written"].used, found["guest hide-hub: written"].capacity) == (4096, 32 * MIB)


async def test_what_a_guest_was_given_is_noted_for_when_it_does_not_run(
    bench: ProbeContext, folder: Path, root: Path
) -> None:
    """Disks, memory and vCPUs of a guest stay known after its monitor has gone."""
    notes = MemoryStateStore()
    bench = replace(bench, probe_states=notes)
    async with monitor(folder / "a.qmp", replies("hide-hub")):
        await probe_of(bench, folder, root).observe()
    (folder / "a.qmp").unlink(missing_ok=True)
    await probe_of(bench, folder, root).observe()
    page = GuestsState.model_validate_json(await notes.read("guests"))
    assert page.known == {
        "hide-hub": KnownGuest(disks={"/skerry/hide-hub.raw": 32 * MIB}, memory_bytes=64 * MIB, vcpus=1)
    }


async def test_notes_of_an_earlier_version_are_understood(bench: ProbeContext, folder: Path, root: Path) -> None:
    """A page with names alone, as the first version wrote it, still names who is gone."""
    notes = MemoryStateStore()
    await notes.write("guests", '{"names": {"/run/guests/hide-hub.qmp": "hide-hub"}}')
    seen = await probe_of(replace(bench, probe_states=notes), folder, root).observe()
    assert "it is missing" in states(seen)["hide-hub"]
