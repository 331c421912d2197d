"""Snapshot files: real files with real times, and clocks that were wrong."""

import asyncio
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from watchkeeper.clock import Clock
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Deadline, Observation, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage import snapshot_files
from watchkeeper.probes.storage.snapshot_ages import AgeLimits, Snapshot, observe_ages
from watchkeeper.probes.storage.snapshot_files import SnapshotsProbe, SnapshotsSettings, list_files

NOW = datetime(2026, 5, 1, 6, 0, tzinfo=UTC)
DAY_S = 86_400.0


class HandClock(Clock):
    """The real monotonic clock, and a wall clock that is set by hand."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


Make = Callable[..., Path]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    """Makes a file of a size (bytes), written some time (seconds) before NOW."""

    def write(name: str, age_s: float, size: int = 1000) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"\0" * size)
        at_s = NOW.timestamp() - age_s
        os.utime(path, (at_s, at_s))
        return path

    return write


def probe(bench: ProbeContext, at: datetime, *files: Path | str, **settings: Any) -> SnapshotsProbe:
    """A probe of some files, at a time."""
    given = {"name": "hide-hub", "max_age": "1d", "files": tuple(map(str, files)), **settings}
    return SnapshotsProbe(SnapshotsSettings(**given), ProbeContext(HandClock(at), bench.workers))


def deadline(seen: object) -> Deadline:
    """The first observation, which is the deadline of the newest."""
    assert isinstance(seen, list)
    assert isinstance(seen[0], Deadline)
    return seen[0]


def changed_at(path: Path) -> datetime:
    """When the file's inode was changed: no program can set that."""
    return datetime.fromtimestamp(path.stat().st_ctime, UTC)


def facts(one: Observation) -> dict[str, str]:
    """The facts of an observation by their names."""
    return dict(one.facts)


async def test_the_newest_of_a_glob(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """The newest file's time is when it last happened; the next is due a maximum age later; the facts name them."""
    make("hide-hub-1.img", 30 * 3600.0, 2048)
    make("hide-hub-2.img", 2 * 3600.0, 4096)
    make("other.txt", 0.0)
    seen = await probe(bench, NOW, tmp_path / "*.img").observe()
    newest_at = NOW - timedelta(hours=2)
    assert seen == [
        Deadline(
            SeriesKey("snapshots of hide-hub", "newest"),
            due_at=newest_at + timedelta(days=1),
            last_at=newest_at,
            period_s=DAY_S,
            facts=(
                ("newest", "hide-hub-2.img (4 KiB)"),
                ("oldest", "hide-hub-1.img (2 KiB), 1d6h old"),
                ("count", "2"),
                ("together", "6 KiB"),
                ("files", str(tmp_path / "*.img")),
            ),
        )
    ]


async def test_a_folder_stands_for_its_files(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """A folder means the files directly in it, hidden ones too, but not folders, links, or what is deeper down."""
    made = make("x/one.img", 100.0)
    make("x/.two.img", 50.0)
    make("x/deep/three.img", 10.0)
    (made.parent / "latest").symlink_to(made)
    seen = deadline(await probe(bench, NOW, tmp_path / "x/").observe())
    assert seen.last_at == NOW - timedelta(seconds=50)
    assert facts(seen)["count"] == "2"


async def test_any_depth_and_several_patterns(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """`**` matches any depth, and a file that two patterns match counts once."""
    make("x/one.img", 100.0)
    make("x/deep/er/three.img", 10.0)
    seen = deadline(await probe(bench, NOW, tmp_path / "**/*.img", tmp_path / "x/one.img").observe())
    assert facts(seen)["count"] == "2"


async def test_a_folder_with_magic_in_its_name(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """A real folder inside of a globbed one is reached even where its name holds a bracket's like."""
    make("x [1]/one.img", 100.0)
    assert facts(deadline(await probe(bench, NOW, tmp_path / "x*" / "one.img").observe()))["count"] == "1"


async def test_half_written_files_do_not_count(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """Files that are still written, by their name, are not the newest."""
    make("a.img", 5000.0)
    make("b.img.part", 1.0)
    make("c.tmp", 1.0)
    make("d.now", 1.0)
    seen = await probe(bench, NOW, tmp_path, ignore=("*.part", "*.tmp", "*.now")).observe()
    assert deadline(seen).last_at == NOW - timedelta(seconds=5000)


async def test_files_that_are_too_small_do_not_count(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """An empty backup is no backup; how many were passed over is a fact."""
    make("good.img", 5000.0, 3 * 2**20)
    make("bad.img", 10.0, 0)
    seen = deadline(await probe(bench, NOW, tmp_path, min_size="1 MiB").observe())
    assert seen.last_at == NOW - timedelta(seconds=5000)
    assert facts(seen)["ignored because too small"] == "1"


async def test_none_at_all_has_never_happened(bench: ProbeContext, tmp_path: Path) -> None:
    """Where nothing matches, there is no time at which it happened; a folder that is not there is the same."""
    for where in (tmp_path, tmp_path / "missing", tmp_path / "missing" / "*.img"):
        seen = await probe(bench, NOW, where, oldest_limit="30d").observe()
        assert (deadline(seen).due_at, deadline(seen).last_at, deadline(seen).period_s) == (None, None, DAY_S)
        assert facts(deadline(seen))["count"] == "0"
        assert isinstance(seen[1], Condition)
        assert seen[1].ok


async def test_the_oldest_may_not_be_too_old(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """With a limit, the oldest is a condition of its own that names the file, its age and the limit."""
    make("spring.img", 45 * DAY_S + 3 * 3600, 2048)
    make("new.img", 60.0)
    (_, oldest) = await probe(bench, NOW, tmp_path, oldest_limit="30d").observe()
    assert isinstance(oldest, Condition)
    assert oldest.key == SeriesKey("snapshots of hide-hub", "oldest")
    assert oldest.reason == "spring.img (2 KiB) is 45d3h old, limit 30d"
    (_, oldest) = await probe(bench, NOW, tmp_path, oldest_limit="60d").observe()
    assert isinstance(oldest, Condition)
    assert oldest.ok


async def test_a_file_from_the_future_does_not_hide_that_none_comes(
    bench: ProbeContext, make: Make, tmp_path: Path
) -> None:
    """A file dated years ahead counts from its inode's own change, and so grows old like any other.

    It was written by this test now, so that is the time of the inode's change; the clock in the probe runs ahead of it.
    """
    path = make("wrong.img", 0.0)
    changed = changed_at(path)
    at = changed + timedelta(hours=3)
    os.utime(path, (at.timestamp() + 4 * 365 * DAY_S,) * 2)
    changed = changed_at(path)
    seen = deadline(await probe(bench, at, tmp_path).observe())
    assert seen.last_at == changed
    assert facts(seen)["dated in the future"] == "1; check the clock of the machine that writes them"


async def test_a_future_file_without_any_true_time_counts_from_when_it_was_seen(
    bench: ProbeContext, make: Make, tmp_path: Path
) -> None:
    """Where the whole machine's clock was ahead, the file counts from the first look at it, also at later looks."""
    path = make("wrong.img", 0.0)
    early = changed_at(path) - timedelta(days=400)
    os.utime(path, (changed_at(path).timestamp() + DAY_S,) * 2)
    watch = probe(bench, early, tmp_path)
    clock = HandClock(early)
    watch._bench = ProbeContext(clock, bench.workers)
    assert deadline(await watch.observe()).last_at == early
    clock.at = early + timedelta(days=30)
    assert deadline(await watch.observe()).last_at == early
    clock.at = early - timedelta(days=1)  # The clock was set back: still not in the future.
    assert deadline(await watch.observe()).last_at == clock.at


async def test_a_small_lead_of_another_clock_is_no_error(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """A file that is a minute ahead was written by a machine with its own clock: it counts as made now."""
    make("a.img", -60.0)
    seen = deadline(await probe(bench, NOW, tmp_path).observe())
    assert seen.last_at == NOW
    assert "dated in the future" not in facts(seen)


async def test_a_file_from_before_1970(bench: ProbeContext, make: Make, tmp_path: Path) -> None:
    """A clock that was never set gives a very old snapshot, not an error."""
    make("a.img", NOW.timestamp() + 1e9)
    assert deadline(await probe(bench, NOW, tmp_path).observe()).last_at == datetime(1970, 1, 1, tzinfo=UTC)


async def test_odd_names_can_be_shown(bench: ProbeContext, tmp_path: Path) -> None:
    """A name that is not UTF-8 is shown escaped."""
    with open(os.fsencode(tmp_path) + b"/\xff\n.img", "wb") as file:  # noqa: ASYNC230, PTH123  a name of bytes
        file.write(b"x")
    seen = deadline(await probe(bench, datetime.now(UTC), tmp_path).observe())
    assert facts(seen)["newest"] == r"\xff\n.img (1 B)"


def test_a_folder_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder without leave to read is an error with its remedy, not an empty set of snapshots.

    Root may read everything, so where the test runs as root the refusal of the kernel is put in its place.
    """
    folder = tmp_path / "secret"
    folder.mkdir(mode=0o000)
    if os.geteuid() == 0:

        def refuse(path: object) -> None:
            raise PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr(os, "scandir", refuse)
    with pytest.raises(PrivilegeMissing, match=f"this user may not read {folder}; give it read access"):
        list_files([str(folder / "*.img")], [])
    folder.chmod(0o700)


def test_too_many_files_are_an_error(make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A glob that matches half the disk is refused with what to do."""
    monkeypatch.setattr(snapshot_files, "FILES_LIMIT", 2)
    for n in range(3):
        make(f"{n}.img", 1.0)
    with pytest.raises(ProbeError, match="matches more than 2 files; use a narrower pattern"):
        list_files([str(tmp_path)], [])


def test_a_file_that_goes_away_meanwhile(make: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that is rotated away between the listing and the look is passed over."""
    make("gone.img", 1.0)
    kept = make("kept.img", 1.0)
    real = os.lstat

    def racing(path: str) -> os.stat_result:
        if str(path).endswith("gone.img"):
            Path(path).unlink(missing_ok=True)
        return real(path)

    monkeypatch.setattr(os, "lstat", racing)
    assert [file.path for file in list_files([str(tmp_path / "*.img")], [])] == [str(kept)]


async def test_a_folder_that_hangs_raises(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the file system hangs, the listing is left behind and the probe says so."""
    gate = asyncio.Event()
    loop = asyncio.get_running_loop()

    def hang(*_: object) -> list[Any]:
        asyncio.run_coroutine_threadsafe(gate.wait(), loop).result(5)
        return []

    monkeypatch.setattr(snapshot_files, "list_files", hang)
    watch = probe(bench, NOW, tmp_path, timeout=0.05)
    with pytest.raises(ProbeError, match="snapshots of hide-hub did not answer"):
        await watch.observe()
    gate.set()
    await asyncio.sleep(0.05)
    await watch.close()


def test_sizes_that_are_not_known() -> None:
    """Other storage may not know a snapshot's size: then none is shown."""
    made = Snapshot("skerry@monday", NOW - timedelta(seconds=59))
    (seen,) = observe_ages("skerry", [made], NOW, AgeLimits(DAY_S))
    assert seen.facts == (("newest", "skerry@monday"), ("oldest", "skerry@monday, 59s old"), ("count", "1"))


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        (
            {"name": "x", "max_age": "1d", "files": ("srv/*.img",)},
            "'srv/\\*.img' is not an absolute path; begin it with /",
        ),
        ({"name": "x", "max_age": "1d", "files": ()}, "at least 1 item"),
        ({"name": "", "max_age": "1d", "files": ("/x",)}, "at least 1 character"),
        ({"name": "x", "files": ("/x",)}, "Field required"),
        ({"name": "x", "max_age": "soon", "files": ("/x",)}, "is not a duration"),
    ],
)
def test_settings_that_cannot_be_used(settings: dict[str, Any], told: str) -> None:
    """Each wrong setting is refused with what is allowed."""
    with pytest.raises(ValidationError, match=told):
        SnapshotsSettings(**settings)
