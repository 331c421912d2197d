"""File systems, against df(1) on real ones, and against ones that hang, vanish and break."""

import errno
import os
import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.apart import PREAMBLE, run_apart
from tests.support.needs import need
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Level, Observation, Observed, SeriesKey, Unit, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.filesystem_look import Figures, Look, RecordedErrors, figures, recorded_errors
from watchkeeper.probes.filesystems.filesystems import FilesystemsProbe, FilesystemsSettings, choose


def by_name(seen: Sequence[Observed]) -> dict[str, Observation]:
    """Observations by their series."""
    return {str(one.key): one for one in seen if not isinstance(one, Unseen)}


async def test_the_root_as_df_counts_it(bench: ProbeContext) -> None:
    """Used and capacity of the root are what df prints as used and used + available, in bytes and in inodes.

    Other programs write meanwhile: a probe between two runs of df must lie between them, or at them.
    """
    probe = FilesystemsProbe(FilesystemsSettings(only=("/",)), bench)
    before, seen, after = df("/"), by_name(await probe.observe()), df("/")
    await probe.close()
    space, inodes = seen["file system /: space"], seen["file system /: inodes"]
    assert isinstance(space, Level)
    assert isinstance(inodes, Level)
    assert space.unit is Unit.BYTES
    assert inodes.unit is Unit.COUNT
    assert between(space.used, before["used"], after["used"])
    assert between(space.capacity, before["used"] + before["avail"], after["used"] + after["avail"])
    assert between(inodes.used, before["iused"], after["iused"])
    assert inodes.capacity == after["itotal"]
    assert dict(space.facts)["type"] == after["fstype"]
    answers, writable = seen["file system /: answers"], seen["file system /: writable"]
    assert answers == Condition(SeriesKey("file system /", "answers"), ok=True, facts=space.facts)
    assert isinstance(writable, Condition)
    assert writable.ok


def df(path: str) -> dict[str, Any]:
    """One line of the output of df, by its columns."""
    fields = "size,used,avail,itotal,iused,iavail,fstype,source"
    out = subprocess.run(
        ["df", "-B1", f"--output={fields}", path], capture_output=True, check=True, text=True, timeout=60
    ).stdout
    values = out.splitlines()[1].split()
    return {k: int(v) if v.isdecimal() else v for k, v in zip(fields.split(","), values, strict=True)}


def between(value: float, one: float, other: float) -> bool:
    """Is a value between two others, whichever is larger?"""
    return min(one, other) <= value <= max(one, other)


def test_a_tmpfs_field_by_field(tmp_path: Path) -> None:
    """On a tmpfs of its own, where nobody else writes, every figure is exactly what df prints."""
    script = (
        PREAMBLE
        + """
target = sys.argv[1]
mount("none", target, "tmpfs", "size=4m,nr_inodes=64")
for n in range(5):
    with open(f"{target}/{n}", "wb") as file:
        file.write(b"x" * 100_000)
fields = "used,avail,iused,iavail"
out = subprocess.run(["df", "-B1", "--output=" + fields, target], capture_output=True, text=True, check=True).stdout
async def main():
    probe = FilesystemsProbe(FilesystemsSettings(only=(target,)), ProbeContext(Clock(), ThreadWorkers()))
    return {o.key.quantity: [o.used, o.capacity] for o in await probe.observe() if hasattr(o, "used")}
print(json.dumps({"df": [int(v) for v in out.splitlines()[1].split()], "probe": asyncio.run(main())}))
"""
    )
    told = run_apart(script, str(tmp_path / "nest-cams"))
    used, available, used_inodes, available_inodes = told["df"]
    assert told["probe"] == {
        "space": [used, used + available],
        "inodes": [used_inodes, used_inodes + available_inodes],
    }
    assert used >= 500_000
    assert used_inodes + available_inodes == 64


def test_figures_of_hostile_answers() -> None:
    """A file system may claim anything: nothing counts as less than nothing, or as more than all."""
    silly = Figures.of(os.statvfs_result((4096, 4096, 100, 200, 2**64 - 1, 10, 20, 2**64 - 1, 0, 255)))
    assert silly == Figures(0, 100 * 4096, 0, 10)
    ext4 = Figures.of(os.statvfs_result((4096, 4096, 2554693, 2310366, 2280056, 655360, 636172, 636172, 1024, 255)))
    assert ext4 == Figures(244327 * 4096, 2280056 * 4096, 19188, 636172)


def test_a_mount_that_was_exchanged_is_not_taken_for_the_old_one() -> None:
    """Where another mount is at the path by now, its figures are not given under the old name."""
    root = next(m for m in mounts.parse(Path("/proc/self/mountinfo").read_text()) if m.point == "/")
    assert figures("/", root.id) is not None
    assert figures("/proc", root.id) is None


async def test_a_hanging_mount_holds_up_no_other(tmp_path: Path) -> None:
    """A FUSE mount that never answers is told as hanging; the others are told with it, and next time at once.

    The kernel waits for the answer to the first request (INIT) before it passes on any other, so that a program which
    opened /dev/fuse and never reads from it hangs every call. Closing the file ends that.
    """
    need(os.access("/dev/fuse", os.R_OK | os.W_OK), "this machine has no /dev/fuse that may be opened")
    script = (
        PREAMBLE
        + """
hang, good = sys.argv[1] + "/hang", sys.argv[1] + "/good"
fd = os.open("/dev/fuse", os.O_RDWR)
mount("nobody", hang, "fuse", f"fd={fd},rootmode=40000,user_id={os.getuid()},group_id={os.getgid()}")
mount("none", good, "tmpfs", "size=1m")
workers = ThreadWorkers()
probe = FilesystemsProbe(FilesystemsSettings(only=(hang, good), timeout=2), ProbeContext(Clock(), workers))

async def timed():
    begun, turns = time.monotonic(), 0
    task = asyncio.create_task(probe.observe())
    while not task.done() and time.monotonic() - begun < 60:
        await asyncio.sleep(0.05)
        turns += 1
    return {"seen": told(task.result()), "took_s": time.monotonic() - begun, "turns": turns}

async def main():
    steps = [await timed(), await timed()]
    os.close(fd)
    async with asyncio.timeout(60):
        while workers.hanging:
            await asyncio.sleep(0.01)
    steps.append(await timed())
    umount(hang)
    steps.append(await timed())
    return steps

print(json.dumps(asyncio.run(main())))
"""
    )
    first, second, broken, gone = run_apart(script, str(tmp_path))
    hang, good = f"file system {tmp_path}/hang: answers", f"file system {tmp_path}/good"
    for step in (first, second, broken, gone):
        assert step["seen"][f"{good}: answers"] == [True, ""]
        assert f"{good}: space" in step["seen"]
    assert first["seen"][hang] == [False, "no answer within 2s; it hangs"]
    assert first["turns"] > 5
    assert second["seen"][hang] == [False, "it still hangs: the last call has not returned"]
    assert first["took_s"] >= 2
    assert second["took_s"] < 1
    assert broken["seen"][hang][0] is False
    assert broken["seen"][hang][1].startswith("it cannot be read: ")
    assert hang not in gone["seen"]
    assert gone["seen"][hang.replace("answers", "mounted")] == [False, "it is not mounted any more"]


async def test_a_process_ends_though_a_mount_hangs(tmp_path: Path) -> None:
    """The daemon's process can end while a file system still hangs."""
    need(os.access("/dev/fuse", os.R_OK | os.W_OK), "this machine has no /dev/fuse that may be opened")
    script = (
        PREAMBLE
        + """
hang = sys.argv[1] + "/hang"
fd = os.open("/dev/fuse", os.O_RDWR)
mount("nobody", hang, "fuse", f"fd={fd},rootmode=40000,user_id={os.getuid()},group_id={os.getgid()}")
probe = FilesystemsProbe(FilesystemsSettings(only=(hang,), timeout=0.2), ProbeContext(Clock(), ThreadWorkers()))
print(json.dumps(told(asyncio.run(probe.observe()))))
"""
    )
    assert run_apart(script, str(tmp_path), timeout_s=30)[f"file system {tmp_path}/hang: answers"][0] is False


def test_mounts_come_and_go(tmp_path: Path) -> None:
    """A disk that is unmounted is told, without figures of the one beneath it, and is well again when it is back."""
    script = (
        PREAMBLE
        + """
target = sys.argv[1] + "/tide-log"
probe = FilesystemsProbe(FilesystemsSettings(only=(target,)), ProbeContext(Clock(), ThreadWorkers()))
BIND = 4096

async def main():
    steps = [told(await probe.observe())]
    os.makedirs(target)
    mount(sys.argv[1], target, "none", flags=BIND)
    steps.append(told(await probe.observe()))
    umount(target)
    steps.append(told(await probe.observe()))
    probe._list = b"as it was"
    mount(sys.argv[1], target, "none", flags=BIND)
    steps.append(told(await probe.observe()))
    return steps

print(json.dumps(asyncio.run(main())))
"""
    )
    never, there, gone, back = run_apart(script, str(tmp_path))
    name = f"file system {tmp_path}/tide-log"
    assert never == {
        f"{name}: answers": [False, "nothing is mounted there; mount it, or correct the name in the configuration"]
    }
    assert there[f"{name}: answers"] == [True, ""]
    assert f"{name}: space" in there
    assert gone == {f"{name}: mounted": [False, "it is not mounted any more"]}
    assert back == there


def test_a_tmpfs_that_goes_away_is_forgotten(tmp_path: Path) -> None:
    """What lived in memory is gone for good when it is unmounted: nothing is told of it."""
    script = (
        PREAMBLE
        + """
target = sys.argv[1] + "/scratch"
probe = FilesystemsProbe(FilesystemsSettings(only=(target + "*",)), ProbeContext(Clock(), ThreadWorkers()))
mount("none", target, "tmpfs", "size=1m")

async def main():
    before = told(await probe.observe())
    umount(target)
    return [before, told(await probe.observe())]

print(json.dumps(asyncio.run(main())))
"""
    )
    before, after = run_apart(script, str(tmp_path))
    assert f"file system {tmp_path}/scratch: space" in before
    assert after == {}


def test_a_file_system_that_the_kernel_made_read_only(tmp_path: Path) -> None:
    """ext4 stops writing after an error: told as a grave condition, for it is no choice of the operator's."""
    need(os.geteuid() == 0, "only root may mount a disk image and have the kernel find an error in it")
    need(shutil.which("mkfs.ext4"), "mkfs.ext4 is not installed")
    image = tmp_path / "disk.img"
    image.write_bytes(b"\0" * 8 * 2**20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True, timeout=60)
    script = (
        PREAMBLE
        + """
image, target = sys.argv[1], sys.argv[2]
os.makedirs(target)
done = subprocess.run(["mount", "-o", "loop,errors=remount-ro", image, target], capture_output=True, text=True)
if done.returncode:
    print(json.dumps(done.stderr))
    sys.exit()
try:
    device = next(l.split(" ")[-2] for l in open("/proc/self/mountinfo") if l.split(" ")[4] == target)
    probe = FilesystemsProbe(FilesystemsSettings(only=(target,)), ProbeContext(Clock(), ThreadWorkers()))
    before = told(asyncio.run(probe.observe()))
    with open(f"/sys/fs/ext4/{os.path.basename(device)}/trigger_fs_error", "w") as file:
        file.write("tried on purpose")
    after = asyncio.run(probe.observe())
    print(json.dumps([before, told(after), [o.grave for o in after if o.key.quantity == "writable"]]))
finally:
    subprocess.run(["umount", target], check=True)
"""
    )
    told = run_apart(script, str(image), str(tmp_path / "ringing-db"))
    need(not isinstance(told, str), f"this machine has no loop device to mount with: {told}")
    before, after, grave = told
    name = f"file system {tmp_path}/ringing-db: writable"
    assert before[name] == [True, ""]
    assert after[name] == [False, "it was mounted writable and is read-only now; the kernel does this after an error"]
    assert grave == [True]


class Replying:
    """Workers that ask no file system: each call for one comes back with what is given here, or raises it."""

    def __init__(self, reply: Look | Exception | None) -> None:
        self.reply = reply

    async def call(self, thing: str, work: Callable[[], Any], _timeout_s: float) -> Any:
        """Come back with the reply."""
        if not thing.startswith("file system "):
            return work()
        if isinstance(self.reply, Exception):
            raise self.reply
        return self.reply


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (ProbeError("too many hang"), "too many hang"),
        (
            PermissionError(13, "Permission denied"),
            "this user may not read it; give it access to the folders above, or list it under exclude",
        ),
        (OSError(5, "Input/output error"), "it cannot be read: Input/output error"),
    ],
)
async def test_what_cannot_be_looked_at_is_told(bench: ProbeContext, error: Exception, reason: str) -> None:
    """A file system that gives an error is told with that reason, and has no figures."""
    probe = FilesystemsProbe(FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(error)))
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert (seen.ok, seen.reason) == (False, reason)


@pytest.mark.parametrize("error", [FileNotFoundError(2, "No such file or directory"), OSError(19, "No such device")])
async def test_what_vanishes_while_it_is_looked_at_is_passed_over(bench: ProbeContext, error: OSError) -> None:
    """A mount that goes away between the list and the look brings nothing this time, and no alarm."""
    probe = FilesystemsProbe(FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(error)))
    assert await probe.observe() == []


async def test_another_mount_at_the_path_brings_nothing(bench: ProbeContext) -> None:
    """Where the mount was exchanged meanwhile, nothing is said of it this time."""
    assert (
        await FilesystemsProbe(FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(None))).observe()
        == []
    )


async def test_no_figures_where_there_is_no_capacity(bench: ProbeContext) -> None:
    """A file system without blocks or inodes has no such level, and answers all the same."""
    seen = await FilesystemsProbe(
        FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(Look(Figures(0, 0, 0, 0))))
    ).observe()
    assert all(isinstance(one, Condition) and one.ok for one in seen)


MOUNTS = mounts.parse(
    """1 0 254:0 / / rw - ext4 /dev/vda rw
20 1 8:1 / /srv rw - ext4 /dev/sda1 rw
21 1 8:1 /photos /media/photos rw - ext4 /dev/sda1 rw
22 1 0:60 / /mnt/far rw - nfs4 store.example.org:/export rw
23 1 0:4 / /proc rw - proc proc rw
24 1 8:2 / /mnt/near rw - xfs /dev/sdb1 rw
"""
)


@pytest.mark.parametrize(
    ("settings", "points"),
    [
        ({}, ["/", "/mnt/near", "/srv"]),
        ({"also": ("/mnt/far",)}, ["/", "/mnt/far", "/mnt/near", "/srv"]),
        ({"also": ("/mnt/*",)}, ["/", "/mnt/far", "/mnt/near", "/srv"]),
        ({"exclude": ("/mnt/*",)}, ["/", "/srv"]),
        ({"only": ("/mnt/*",)}, ["/mnt/far", "/mnt/near"]),
        ({"only": ("/mnt/*",), "exclude": ("*/near",)}, ["/mnt/far"]),
        ({"only": ("/media/photos/",)}, ["/media/photos"]),
        ({"also": ("/media/photos",)}, ["/", "/media/photos", "/mnt/near"]),
        ({"only": ("*",)}, ["/", "/mnt/far", "/mnt/near", "/srv"]),
        ({"only": ("/proc",)}, []),
    ],
)
def test_the_keepers_choice(settings: dict[str, Any], points: list[str]) -> None:
    """`only` replaces what is found, `also` adds to it, `exclude` takes away; naming may reach a network mount."""
    assert [m.point for m in choose(MOUNTS, FilesystemsSettings(**settings), set())] == points


def test_what_is_no_mount_point_is_refused() -> None:
    """A mount point that does not begin with a slash is an error that says what is allowed."""
    with pytest.raises(ValidationError, match=r"'srv' is not a mount point: it begins with /"):
        FilesystemsSettings(only=("srv",))


@pytest.mark.parametrize(("kind", "judged"), [("zfs", False), ("xfs", True)])
async def test_inodes_that_are_made_of_space(bench: ProbeContext, kind: str, judged: bool) -> None:  # noqa: FBT001  a table
    """The inodes of ZFS run out when its space does: they are a part of it, recorded and not judged."""
    probe = FilesystemsProbe(
        FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(Look(Figures(1, 2, 3, 4))))
    )
    await probe.observe()
    probe._chosen = [mounts.parse(f"1 0 0:41 / / rw - {kind} skerry rw")[0]]
    level = by_name(await probe.observe())["file system /: inodes"]
    assert isinstance(level, Level)
    assert (level.part_of is None) is judged


async def test_a_directory_that_this_user_may_not_list(bench: ProbeContext) -> None:
    """It is named as not looked at, and is no fault."""
    reply = Look(Figures(1, 2, 3, 4), listing=errno.EACCES)
    probe = FilesystemsProbe(FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(reply)))
    seen = await probe.observe()
    assert [each.what for each in seen if isinstance(each, Unseen)] == ["file system /: its directory"]
    answers = by_name(seen)["file system /: answers"]
    assert isinstance(answers, Condition)
    assert answers.ok


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.EUCLEAN, "reading it fails: its structure is damaged"),
        (errno.ELOOP, "reading its directory fails: Too many levels of symbolic links"),
    ],
)
async def test_a_directory_that_cannot_be_read(bench: ProbeContext, number: int, reason: str) -> None:
    """EUCLEAN is what XFS and ext4 return for damaged metadata (EFSCORRUPTED, fs/xfs/xfs_linux.h)."""
    reply = Look(Figures(1, 2, 3, 4), listing=number)
    probe = FilesystemsProbe(FilesystemsSettings(only=("/",)), ProbeContext(bench.clock, Replying(reply)))
    answers = by_name(await probe.observe())["file system /: answers"]
    assert isinstance(answers, Condition)
    assert (answers.reason, answers.grave) == (reason, True)


@pytest.mark.parametrize("text", ["", "x\n", "-1\n", "9" * 40, "\x00\xff"])
def test_kernel_files_that_hold_no_number(tmp_path: Path, text: str) -> None:
    """They count as absent."""
    block, sysfs = tmp_path / "block", tmp_path / "ext4"
    (sysfs / "vda1").mkdir(parents=True)
    block.mkdir()
    (block / "254:1").symlink_to("../devices/vda1")
    (sysfs / "vda1/errors_count").write_text(text, "latin-1")
    assert recorded_errors("254:1", sysfs, block) is None
    assert recorded_errors("254:2", sysfs, block) is None
    (sysfs / "vda1/errors_count").write_text("2\n")
    (sysfs / "vda1/last_error_time").write_text(text, "latin-1")
    assert recorded_errors("254:1", sysfs, block) == RecordedErrors(2)
    (sysfs / "vda1/last_error_time").write_text(f"{2**63}\n")
    assert recorded_errors("254:1", sysfs, block) == RecordedErrors(2)
