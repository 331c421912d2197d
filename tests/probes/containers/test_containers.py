"""Containers: an engine over its socket, control groups in files, and a real Podman on request."""

import asyncio
import json
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.probes.engines import IMAGE, OPTIONS, SECRET, cgroup, container, engine, identity, podman
from tests.probes.hands import SetClock
from tests.probes.machines import short_folder
from tests.support.waiting import until
from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Level, Observed, SeriesKey, Unseen
from watchkeeper.privileged import commands, container_engine
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.containers import cgroups, containers, space
from watchkeeper.probes.containers import engine as engines
from watchkeeper.probes.containers import engines as asking
from watchkeeper.probes.containers.containers import ContainersProbe, ContainersSettings

MIB = 2**20


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the engine's socket is."""
    async with short_folder() as made:
        yield made


def probe_of(bench: ProbeContext, folder: Path, **settings: Any) -> ContainersProbe:
    """A probe of the engine in a folder, and of the control groups below it."""
    chosen = {"engines": [f"{folder}/engine.sock"], "helper": folder / "helper.sock", **settings}
    return ContainersProbe(ContainersSettings.model_validate(chosen), bench, folder)


def faults(seen: Sequence[Observed]) -> dict[str, str]:
    """What is faulty -> why."""
    return {str(one.key): one.reason for one in seen if isinstance(one, Condition) and not one.ok}


def ok(seen: Sequence[Observed]) -> set[str]:
    """What is OK."""
    return {str(one.key) for one in seen if isinstance(one, Condition) and one.ok}


def levels(seen: Sequence[Observed]) -> dict[str, tuple[float, float]]:
    """Level -> used, capacity."""
    return {str(one.key): (one.used, one.capacity) for one in seen if isinstance(one, Level)}


async def test_what_the_states_mean(still: ProbeContext, folder: Path) -> None:
    """One that ended well or was stopped is OK, unless it is expected; the rest is named with its exit code."""
    them = [
        container(1, "tide-log"),
        container(2, "nest-cams", Health={"Status": "unhealthy"}),
        container(3, "ringing-db", "exited", ExitCode=3),
        container(4, "nightly", "exited", ExitCode=0),
        container(5, "stopped", "exited", ExitCode=137),
        container(6, "killed", "exited", ExitCode=137, OOMKilled=True, FinishedAt="2026-02-28T22:25:03Z"),
        container(7, "looping", "restarting", ExitCode=1),
        container(8, "frozen", "paused"),
        container(9, "half", "dead"),
        container(10, "hide-hub", "created"),
    ]
    async with engine(folder / "engine.sock", them) as asked:
        seen = await probe_of(still, folder, expected=["hide-hub", "gone"]).observe()
    assert faults(seen) == {
        "container nest-cams: state": "running, but its own check of its health fails",
        "container ringing-db: state": "it exited with code 3",
        "container killed: state": "it exited with code 137, killed because it reached its memory limit",
        "container killed: memory kills": "the kernel killed in it for its memory limit, once within 1d",
        "container looping: state": "its engine restarts it again and again; it exited with code 1",
        "container frozen: state": "it is paused",
        "container half: state": "its engine could not remove it (dead)",
        "container hide-hub: state": "it must run and is created",
        "container gone: state": "there is no such container",
    }
    assert {f"container {name}: state" for name in ("tide-log", "nightly", "stopped")} <= ok(seen)
    assert set(asked) == {
        "GET /v1.40/containers/json?all=1",
        "GET /v1.40/images/json",
        "GET /v1.40/info",
        "GET /v1.40/system/df",
        *(f"GET /v1.40/containers/{identity(number)}/json" for number in range(1, 11)),
    }


async def test_what_is_known_of_one(still: ProbeContext, folder: Path) -> None:
    """Its image, its age, its log, and whether it comes back; nothing of its environment."""
    (folder / "ctr.log").write_bytes(b"x" * 4096)
    them = [container(1, "tide-log", LogPath=f"{folder}/ctr.log", policy="no")]
    async with engine(folder / "engine.sock", them):
        said = await asyncio.to_thread(container_engine.printed, "state", str(folder / "engine.sock"))
        seen = await probe_of(still, folder).observe()
    assert SECRET not in said
    (state,) = [one for one in seen if isinstance(one, Condition) and one.key.quantity == "state"]
    assert dict(state.facts) == {
        "state": "running",
        "image": "localhost/tide-log:latest",
        "created": "1d23h ago",
        "after a restart of the host": "is not started by its engine",
        "log": "4 KiB",
    }


async def test_the_age_of_an_image(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """As the image says, in the forms of both engines; a fault only with a limit, and never without a time."""
    day = 86_400
    now_s = int(clock.now().timestamp())
    times = {"old": now_s - 200 * day, "new": now_s - day, "silent": 0, "wrong": now_s + day, "gone": None}
    them = [container(number, name, Image=f"sha256:{number:064x}") for number, name in enumerate(times, 1)]
    images = [
        {"Id": f"{'sha256:' if number % 2 else ''}{number:064x}", "Created": at, "RepoTags": ["x:latest"]}
        for number, at in enumerate(times.values(), 1)
        if at is not None
    ]
    async with engine(folder / "engine.sock", them, images=images):
        seen = await probe_of(still, folder).observe()
        limited = await probe_of(still, folder, image_limit="180d").observe()
    states = {str(one.key): dict(one.facts) for one in seen if isinstance(one, Condition)}
    built = {name: states[f"container {name}: state"].get("image built") for name in times}
    assert built == {"old": "200d ago", "new": "1d ago", "silent": None, "wrong": None, "gone": None}
    assert not any(key.endswith(": image") for key in states)
    judged = {str(one.key): one.reason for one in limited if isinstance(one, Condition) and one.key.quantity == "image"}
    assert judged == {
        "container old: image": "its image was built 200d ago, limit 180d",
        "container new: image": "",
    }


async def test_what_is_taken(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """Images and the rest are parts of the file system that holds them; looked at once an hour."""
    async with engine(folder / "engine.sock", [container(1, "tide-log")], folder) as asked:
        probe = probe_of(still, folder)
        seen = await probe.observe()
        await probe.observe()
        assert asked.count("GET /v1.40/system/df") == 1
        clock.advance(3601)
        await probe.observe()
        assert asked.count("GET /v1.40/system/df") == 2
    parts = {one.key.quantity: one for one in seen if isinstance(one, Level)}
    assert {name: one.used for name, one in parts.items()} == {
        "images": 2_000_000, "build cache": 77, "volumes": 4096, "written by containers": 12,
    }  # fmt: skip
    point = mounted_at(folder)
    assert {one.part_of for one in parts.values()} == {SeriesKey(f"file system {point}", "space")}


async def test_logs_are_parts_of_the_file_system_that_holds_them(still: ProbeContext, folder: Path) -> None:
    """Each by its container's name; one without a file, one that is excluded, and one that is nowhere are left out."""
    (folder / "proc/self").mkdir(parents=True)
    (folder / "proc/self/mountinfo").write_text(f"21 1 8:1 / {folder} rw - ext4 /dev/sda1 rw\n")
    (folder / "ctr.log").write_bytes(b"x" * 4096)
    where = f"{folder}/ctr.log"
    them = [container(1, "tide-log", LogPath=where), container(2, "trial-1", LogPath=where), container(3, "none")]
    them.append(container(4, "elsewhere", LogPath="/dev/null"))
    async with engine(folder / "engine.sock", them):
        seen = await probe_of(still, folder, exclude=["trial-*"]).observe()
    (log,) = [one for one in seen if isinstance(one, Level) and one.key.quantity == "size"]
    assert str(log.key) == "container tide-log: log: size"
    assert log.used == 4096
    assert log.part_of == SeriesKey(f"file system {folder}", "space")


def mounted_at(folder: Path) -> str:
    """The mount point of a folder, as stat(1) prints it."""
    return (
        subprocess.run(["stat", "-c", "%m", folder], capture_output=True, check=True, timeout=120)
        .stdout.decode()
        .strip()
    )


async def test_restarts(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """Three within the hour are a fault, also across a restart of the daemon; a new container begins again."""
    them = [container(1, "tide-log", RestartCount=7)]
    async with engine(folder / "engine.sock", them):
        await probe_of(still, folder).observe()
        them[0]["RestartCount"] = 9
        assert faults(await probe_of(still, folder).observe()) == {}
        them[0]["RestartCount"] = 10
        assert faults(await probe_of(still, folder).observe()) == {
            "container tide-log: restarts": "its engine restarted it 3 times within 1h"
        }
        clock.advance(3600)
        assert faults(await probe_of(still, folder).observe()) == {}
        them[0] = container(2, "tide-log", RestartCount=90)
        assert faults(await probe_of(still, folder).observe()) == {}


def group(root: Path, path: str, kills: int = 0, **files: str) -> Path:
    """A control group as Linux 6.1 shows it, with 40 MiB of which 8 are cache, of 64 MiB."""
    standard = {
        "memory_current": str(40 * MIB), "memory_max": str(64 * MIB), "pids_current": "7", "pids_max": "50",
        "memory_stat": f"anon 1\nfile 2\ninactive_file {8 * MIB}", "memory_events": f"low 0\noom 0\noom_kill {kills}",
        "memory_pressure": "some avg10=0.00 avg300=0.00 total=1\nfull avg10=1.00 avg60=9.00 avg300=25.00 total=1",
    }  # fmt: skip
    return cgroup(root, path, **{**standard, **files})


async def test_limits_and_kills(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """Memory without the cache, processes, and each kill that is new; without a limit there is no level."""
    group(folder, "machine.slice/systemd-nspawn@tide-log.service", kills=2)
    group(folder, r"machine.slice/machine-nest\x2dcams.scope", memory_max="max", pids_max="max")
    group(folder, r"machine.slice/machine-qemu\x2d1\x2dhide-hub.scope")
    group(folder, "lxc.payload.ringing-db/inner.slice", memory_max="max")
    group(folder, "lxc.payload.ringing-db", pids_max="max")
    group(folder, "guests.slice", kills=1, pids_max="max")
    group(folder, "system.slice/ssh.service")
    group(folder, "trial.slice")
    seen = await probe_of(still, folder, exclude=["trial*"]).observe()
    assert levels(seen) == {
        "container tide-log: memory": (32 * MIB, 64 * MIB),
        "container tide-log: processes": (7, 50),
        "container ringing-db: memory": (32 * MIB, 64 * MIB),
        "slice guests: memory": (32 * MIB, 64 * MIB),
    }
    assert {"container nest-cams: state", "container ringing-db: state"} <= ok(seen)
    assert faults(seen) == {
        "container tide-log: memory kills": "the kernel killed in it for its memory limit of 64 MiB, 2 times within 1d",
        "slice guests: memory kills": "the kernel killed in it for its memory limit of 64 MiB, once within 1d",
    }
    (fact,) = {one.facts for one in seen if isinstance(one, Level) and one.key.quantity == "memory"}
    assert fact == (("waits for memory", "25% of the last five minutes"),)
    clock.advance(86_401)
    assert faults(await probe_of(still, folder, exclude=["trial*"]).observe()) == {}
    group(folder, "guests.slice", kills=3)
    found = faults(await probe_of(still, folder, exclude=["trial*"]).observe())
    assert found["slice guests: memory kills"].endswith("2 times within 1d")


async def test_images_that_cannot_be_listed(still: ProbeContext, folder: Path) -> None:
    """The state of the containers is known without them."""
    async with engine(folder / "engine.sock", [container(1, "tide-log")], images=[{"Created": 5}]):
        seen = await probe_of(still, folder).observe()
    assert "container tide-log: state" in ok(seen)


async def test_a_kill_that_the_engine_does_not_show(still: ProbeContext, clock: SetClock, folder: Path) -> None:
    """As Podman 4.3 with crun left it: exit code 137, OOMKilled false, and no cgroup any more; the kernel counts it."""
    (folder / "proc").mkdir()

    async def look(kills: int, *them: dict[str, Any]) -> dict[str, str]:
        clock.advance(60)
        (folder / "proc/vmstat").write_text(f"nr_free_pages 5\noom_kill {kills}\n")
        (folder / "engine.sock").unlink(missing_ok=True)
        async with engine(folder / "engine.sock", list(them)):
            return faults(await probe_of(still, folder).observe())

    def ended(number: int, name: str) -> dict[str, Any]:
        at = f"{clock.now() + timedelta(seconds=30):%Y-%m-%dT%H:%M:%S}.985019384Z"
        return container(number, name, "exited", ExitCode=137, FinishedAt=at)

    assert await look(3, ended(1, "before")) == {}
    stopped = ended(2, "stopped")
    assert await look(3, container(1, "tide-log"), stopped) == {}, "by hand: the kernel killed nothing"
    killed = ended(1, "tide-log")
    found = {
        "container tide-log: state": "it exited with code 137, killed because it reached its memory limit",
        "container tide-log: memory kills": "the kernel killed in it for its memory limit, once within 1d",
    }
    assert await look(4, killed, stopped) == found
    assert await look(4, killed, stopped) == found, "as long as it has not run again"
    assert list(await look(4, container(1, "tide-log"))) == ["container tide-log: memory kills"]
    clock.advance(86_400)
    assert await look(4, container(1, "tide-log"), container(2, "gull")) == {}
    assert await look(5, ended(1, "tide-log"), ended(2, "gull")) == {}, "it could be either"


def test_files_that_are_not_the_kernels(folder: Path) -> None:
    """What cannot be read is not known; a control group that is gone is none."""
    made = group(folder, "a.slice", memory_current="?", memory_events="oom_kill x", memory_pressure="full avg300=..")
    limits = cgroups.read_limits(made)
    assert limits is not None
    assert (limits.memory_bytes, limits.kills, limits.waits) == (None, 0, 0.0)
    assert cgroups.read_limits(folder / "gone") is None
    assert list(cgroups.find(folder / "gone")) == []


async def test_only_so_many(still: ProbeContext, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user may make control groups, and give them names: they are bounded."""
    monkeypatch.setattr(containers, "GROUPS_LIMIT", 3)
    for number in range(9):
        group(folder, f"user.slice/lxc.payload.{number}")
    seen = await probe_of(still, folder, engines=[]).observe()
    assert len([one for one in seen if isinstance(one, Condition) and one.key.quantity == "state"]) == 3


async def test_an_engine_that_is_not_there(still: ProbeContext, folder: Path) -> None:
    """None, a link to another one's socket and one that has stopped are left out; what answers wrongly is unseen."""
    (folder / "link.sock").symlink_to("engine.sock")
    (folder / "file.sock").touch()
    several = [f"{folder}/{name}.sock" for name in ("gone", "link", "file", "engine")]
    assert await probe_of(still, folder, engines=several).observe() == []
    async with await asyncio.start_unix_server(lambda _, writer: writer.close(), folder / "engine.sock"):
        (one, *_) = await probe_of(still, folder, expected=["tide-log"]).observe()
    assert isinstance(one, Unseen)
    assert "the engine cannot be asked" in one.why


async def test_through_the_helper(still: ProbeContext, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket that this user may not use is asked by root; what the helper does not know is unseen."""

    def refused(*_: object) -> None:
        raise PermissionError

    async with engine(folder / "engine.sock", [container(1, "tide-log")]):
        said = await asyncio.to_thread(container_engine.printed, "state", str(folder / "engine.sock"))
        monkeypatch.setattr(container_engine, "printed", refused)
        by_root = [Result(f"{folder}/engine.sock", Completed(0, said.encode()))]

        async def ask_root(_: object, entry: str, *_more: object) -> list[Result]:
            if entry == "container-space":
                raise ProbeError("no helper")
            return by_root

        monkeypatch.setattr(asking, "ask_root", ask_root)
        both = [f"{folder}/engine.sock", f"{folder}/link/../engine.sock"]
        (folder / "link").mkdir()
        seen = await probe_of(still, folder, engines=both).observe()
    assert "container tide-log: state" in ok(seen)
    whys = [one.why for one in seen if isinstance(one, Unseen)]
    assert whys[0].startswith("only root may connect to it")
    assert whys[1:] == ["no helper", "no helper"]


def test_settings() -> None:
    """A path under /var/run is that of /run, which the helper names."""
    assert ContainersSettings.model_validate({"engines": ["/var/run/docker.sock"]}).engines == ("/run/docker.sock",)
    with pytest.raises(ValidationError, match="not an absolute path"):
        ContainersSettings.model_validate({"engines": ["docker.sock"]})


def test_the_engines_of_the_helper(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The helper asks the sockets of its own list, and no links."""
    (folder / "link.sock").symlink_to("a.sock")
    monkeypatch.setattr(commands, "ENGINES", (f"{folder}/link.sock", f"{folder}/gone.sock"))
    assert commands.engines().found == ()


async def test_hostile_answers(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An id that is none is never asked for, and an answer that is too long or makes no sense is an error."""
    path = str(folder / "engine.sock")
    bad = container(1, "tide-log")
    bad["Id"] = "../../images/json?"
    async with engine(folder / "engine.sock", [bad]) as asked:
        assert json.loads(await asyncio.to_thread(container_engine.printed, "state", path))["containers"] == []
        assert asked == ["GET /v1.40/containers/json?all=1", "GET /v1.40/images/json"]
        monkeypatch.setattr(container_engine, "ANSWER_LIMIT_BYTES", 10)
        with pytest.raises(ValueError, match="too long"):
            await asyncio.to_thread(container_engine.printed, "state", path)
    monkeypatch.undo()
    async with engine(folder / "engine.sock", [{"Id": identity(1), "State": {"Status": "x"}}]):
        with pytest.raises(ValueError, match="no container engine"):
            await asyncio.to_thread(container_engine.printed, "state", path)
        monkeypatch.setattr(container_engine, "TOTAL_S", -1.0)
        with pytest.raises(TimeoutError, match="too slowly"):
            await asyncio.to_thread(container_engine.printed, "space", path)


def test_as_a_program(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It says why there is nothing to print, and ends with 1."""
    monkeypatch.setattr("sys.argv", ["engine", "space", str(folder / "gone")])
    assert container_engine.main() == 1
    assert capsys.readouterr().err == "No such file or directory\n"


def test_the_log_and_the_control_group(folder: Path) -> None:
    """Only the size of a plain file is read; a process that is gone has no control group."""
    (folder / "link").symlink_to("/etc/passwd")
    assert container_engine._log_bytes(str(folder / "link")) is None
    assert container_engine._log_bytes("relative") is None
    assert container_engine._log_bytes("/\0") is None
    assert container_engine._cgroup(os.getpid()) == _own_cgroup()
    assert container_engine._cgroup(2**30) is None
    assert container_engine._cgroup("1") is None


def _own_cgroup() -> str | None:
    """As this process reads it."""
    lines = Path("/proc/self/cgroup").read_text().splitlines()
    return next((line.removeprefix("0::") for line in lines if line.startswith("0::")), None)


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"[" * 100_000, b'{"containers": 7}', b"{}"])
def test_what_the_helper_printed_makes_no_sense(text: bytes) -> None:
    """It is an error of ours."""
    with pytest.raises(engines.NotEngine):
        engines.read_state(text)
    with pytest.raises(engines.NotEngine):
        engines.read_space(text)


@given(st.text(max_size=40), st.text(max_size=40))
def test_whatever_an_engine_says(name: str, created: str) -> None:
    """Names are made safe, and a time that is none is not known."""
    (one,) = engines.read_state(
        json.dumps({"containers": [{"id": "a", "name": name, "status": "running", "created_at": created}]})
    )
    assert one.label.isprintable()
    assert one.age_from is None or one.age_from.utcoffset() is not None


def test_where_data_is() -> None:
    """A folder that does not exist has no level."""
    assert list(space.levels([engines.EngineSpace("/" + "x" * 5000, {"images": 1})])) == []


@pytest.mark.skipif(os.environ.get("PODMAN_TESTS") != "1", reason="runs containers on purpose alone: PODMAN_TESTS=1")
def test_a_real_podman(still: ProbeContext) -> None:
    """Podman of Debian: one that runs, one that exits with 3 after three restarts, one whose check fails; logs grow."""
    with tempfile.TemporaryDirectory(prefix="wk", dir="/tmp") as name, podman(made := Path(name)) as (socket, run):

        def look() -> Sequence[Observed]:
            return asyncio.run(probe_of(replace(still, clock=Clock()), made, engines=[str(socket)]).observe())

        (made / "proc").symlink_to("/proc")
        writes = "while :; do busybox head -c 3000 /dev/zero | busybox tr '\\0' x; echo; busybox sleep 0.1; done"
        run("run", "-d", "--name=tide-log", *OPTIONS, IMAGE, "/bin/sh", "-c", writes)
        run("run", "-d", "--name=ringing-db", *OPTIONS, "--restart=on-failure:3", IMAGE, "/bin/sh", "-c", "exit 3")
        check = ("--health-cmd=busybox false", "--health-retries=1", "--health-interval=disable")
        run("run", "-d", "--name=nest-cams", *OPTIONS, *check, IMAGE, "/bin/busybox", "sleep", "300")
        run("healthcheck", "run", "nest-cams")
        until("the end of ringing-db", lambda: "container ringing-db: state" in faults(look()))
        logged = levels(look())["container tide-log: log: size"][0]
        until("a longer log", lambda: levels(look())["container tide-log: log: size"][0] > logged + 10_000)
        seen = look()
        run("stop", "-t", "0", "tide-log")
    found = faults(seen)
    assert found["container ringing-db: state"] == "it exited with code 3"
    assert found["container nest-cams: state"] == "running, but its own check of its health fails"
    assert "container tide-log: state" in ok(seen)
    (state,) = [one for one in seen if isinstance(one, Condition) and str(one.key) == "container tide-log: state"]
    assert re.fullmatch(r"\d+[sm] ago", dict(state.facts)["image built"])
    images = next(one for one in seen if isinstance(one, Level) and one.key.quantity == "images")
    assert images.used > 0.9 * Path(str(shutil.which("busybox"))).stat().st_size
