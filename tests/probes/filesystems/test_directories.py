"""Directories as levels: which are shown, of what they are part, and what of a walk is said to be missing."""

import json
import os
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.probes.toolbox import FixedClock
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Level, Observed, SeriesKey, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.privileged import commands, tree_walk
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems import directories
from watchkeeper.probes.filesystems.directories import DirectoriesProbe, DirectoriesSettings, LastWalk, chosen

GIB = 2**30
NOON = datetime(2026, 11, 27, 12, tzinfo=UTC)
ROOT = SeriesKey("file system /", "space")


class Helper:
    """The helper's walks, as the test sets them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> None:
        self.asked: list[str] = []
        self.answer: dict[str, Any] = {"results": {}, "waiting": [], "stored": True}
        self.clock = FixedClock(NOON)
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        monkeypatch.setattr(directories, "ask_root", self.ask)
        self.probe = DirectoriesProbe(DirectoriesSettings(), self.bench)

    async def ask(self, _bench: object, name: str, *_: object) -> list[Result]:
        """One step."""
        self.asked.append(name)
        return [Result("ionice", Completed(0, json.dumps(self.answer).encode()))]

    def walked(self, ended_s: float, **more: Any) -> None:
        """A walk of / has ended."""
        result = {"ended_s": ended_s, "took_s": 12.0, "files": 1000, "sizes": {}, **more}
        self.answer["results"]["/"] = result

    async def look(self, hours: float = 0) -> list[Observed]:
        """Another step, so many hours later."""
        self.clock.at += timedelta(hours=hours)
        return list(await self.probe.observe())


@pytest.fixture
def helper(monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Helper:
    """A helper, and the probe that asks it."""
    return Helper(monkeypatch, bench)


SIZES = {"": 100 * GIB, "srv": 90 * GIB, "srv/cams": 80 * GIB, "srv/cams/nest": 70 * GIB, "var": 5 * GIB}


async def test_each_directory_is_part_of_the_one_above(helper: Helper) -> None:
    """The topmost are parts of the file system, with what lies in none, what is deleted, and what no file explains."""
    helper.walked(1.7e9, sizes=SIZES, deleted={"bytes": GIB, "files": 2, "holders": [["qemu", GIB], ["idle", 0]]})
    seen = await helper.look()
    parts = {each.key.subject: each for each in seen if isinstance(each, Level)}
    assert {name: (each.part_of or ROOT).subject for name, each in parts.items()} == {
        "directory /srv": "file system /",
        "directory /srv/cams": "directory /srv",
        "directory /srv/cams/nest": "directory /srv/cams",
        "directory /var": "file system /",
        "other files of file system /": "file system /",
        "deleted files of file system / that are still open": "file system /",
        "no file of file system /: its own records, snapshots": "file system /",
    }
    assert parts["directory /srv/cams"].used == 80 * GIB
    assert parts["other files of file system /"].used == 5 * GIB
    assert ("held by qemu", f"{GIB} bytes") in parts["deleted files of file system / that are still open"].facts
    figures = os.statvfs("/")
    assert {each.capacity for each in parts.values()} == {figures.f_blocks * figures.f_frsize}
    assert await helper.look() == []  # the same walk is reported once


async def test_a_walk_begins_once_a_day_at_its_hour(helper: Helper) -> None:
    """At first at once; then at the hour, once; steps in between go on with it. No walk is reported twice."""
    await helper.look()
    helper.walked(1.7e9, sizes=SIZES)
    await helper.look()
    local = helper.clock.at.astimezone().hour
    await helper.look((3 - local) % 24)
    await helper.look(0.1)
    await helper.look(23.9)
    assert helper.asked == ["trees-new", "trees-new", "trees-new", "trees", "trees-new"]
    assert not [each for each in await helper.look() if isinstance(each, Level)]


async def test_what_could_not_be_read_is_said(helper: Helper) -> None:
    """Directories, links, processes, a file system that cannot be walked, and a place that cannot be kept."""
    helper.walked(1.7e9, sizes=SIZES, unread=3, links_exceeded=True, deleted={"whole": False})
    helper.answer["results"]["/mnt/jetty"] = {"error": "Input/output error"}
    helper.answer["results"]["/gone"] = {"ended_s": 1.0, "sizes": {"": 1}}
    helper.answer["stored"] = False
    why = "the helper cannot keep its place in /var/lib/watchkeeper-helper, so each step begins again"
    unseen = [f"{each.what}: {each.why}" for each in await helper.look() if isinstance(each, Unseen)]
    assert unseen == [
        "directories of file system /: 3 could not be read, or not to their end",
        "deleted files of file system /: not every process could be looked at",
        "directories of file system /: too many files have several links; some are counted more than once",
        "directories of file system /mnt/jetty: Input/output error",
        f"directories of large file systems: {why}",
    ]


async def test_a_file_system_that_is_gone_is_forgotten(helper: Helper) -> None:
    """Its last walk is not kept."""
    helper.walked(1.7e9, sizes=SIZES)
    await helper.look()
    helper.answer["results"] = {}
    await helper.look()
    assert json.loads(await helper.bench.probe_states.read("directories"))["last"] == {}


async def test_answers_that_make_no_sense(helper: Helper) -> None:
    """Another version, or half an answer."""
    for wrong in ({}, {"results": {"/": {"sizes": "x"}}, "waiting": [], "stored": True}):
        helper.answer = dict[str, Any](wrong)
        with pytest.raises(ProbeError, match="install the same version of both"):
            await helper.look()


def test_which_are_shown() -> None:
    """The largest, with each one above; those that grew most; those shown before, while they exist; bounded."""
    sizes = {f"d{n}": 1000 - n for n in range(100)} | {"d90/new": 500, "d90/new/in": 400}
    first = chosen(sizes, LastWalk())
    assert first == sorted(f"d{n}" for n in range(directories.LARGEST))
    old = LastWalk(sizes={name: size for name, size in sizes.items() if "new" not in name}, shown=("d60", "gone"))
    second = chosen(sizes, old)
    assert {"d90", "d90/new", "d90/new/in", "d60"} <= set(second)
    assert "gone" not in second
    many = LastWalk(sizes=dict(sizes), shown=tuple(sizes))
    assert len(chosen(sizes, many)) <= directories.SHOWN_MOST + 2


def test_what_was_not_among_the_largest_has_not_grown_by_all_of_it() -> None:
    """Only so much more than the smallest that was kept."""
    kept = {f"d{n}": 1000 - n for n in range(directories.COMPARED)}
    assert LastWalk(sizes=kept).size("other") == min(kept.values())
    assert LastWalk(sizes={"d0": 5}).size("other") == 0


async def test_a_real_walk_of_a_real_tree(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the fixed list, as root, to levels; without root it asks for the helper."""
    if os.geteuid() != 0:
        with pytest.raises(PrivilegeMissing, match="no helper listens"):
            await DirectoriesProbe(DirectoriesSettings(helper=tmp_path / "none"), bench).observe()
        return
    code = (
        "import sys, json; from pathlib import Path; from watchkeeper.privileged import tree_walk as t; "
        f"f = t.advance(Path({str(tmp_path)!r}) / 'state.json', "
        f"'22 1 8:2 / {tmp_path} rw - ext4 /dev/sda2 rw', begin=True); f.pop('walk'); print(json.dumps(f))"
    )
    (tmp_path / "cams").mkdir()
    (tmp_path / "cams/film").write_bytes(b"x" * 3_000_000)
    entry = replace(commands.COMMANDS["trees-new"], argvs=((sys.executable, "-c", code),))
    monkeypatch.setitem(commands.COMMANDS, "trees-new", entry)
    context = replace(bench, probe_states=MemoryStateStore())
    seen = await DirectoriesProbe(DirectoriesSettings(), context).observe()
    (cams,) = [each for each in seen if isinstance(each, Level) and each.key.subject.endswith("/cams")]
    assert cams.used == sum(p.stat().st_blocks * 512 for p in (tmp_path / "cams", tmp_path / "cams/film"))
    assert tree_walk.BUDGET_S < commands.TREES_TIMEOUT_S
