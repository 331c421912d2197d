"""How many watches each user has, from a /proc in files and from this machine's own, with real watches."""

import ctypes
import json
import os
from pathlib import Path

import pytest

from watchkeeper.privileged import commands, inotify_watches
from watchkeeper.privileged.inotify_watches import users
from watchkeeper.probes.support.tools import result_of

WATCH = "inotify wd:{} ino:9e7e sdev:800013 mask:800afce ignored_mask:0 fhandle-bytes:8 fhandle-type:1\n"


def process(proc: Path, pid: int, name: str, *watches: int) -> None:
    """A process with an instance for each number, and one other file."""
    for folder in ("fd", "fdinfo"):
        (proc / f"{pid}/{folder}").mkdir(parents=True)
    (proc / f"{pid}/comm").write_text(f"{name}\n")
    (proc / f"{pid}/fd/0").symlink_to("/dev/null")
    for number, count in enumerate(watches, 3):
        (proc / f"{pid}/fd/{number}").symlink_to("anon_inode:inotify")
        lines = "".join(WATCH.format(each) for each in range(count))
        (proc / f"{pid}/fdinfo/{number}").write_text(f"pos:\t0\nflags:\t00\nmnt_id:\t15\n{lines}")


def test_each_user_with_the_program_that_has_the_most(tmp_path: Path) -> None:
    """Instances and watches are summed over processes; what has ended meanwhile is left out."""
    process(tmp_path, 5, "tide-sync", 3, 4)
    process(tmp_path, 6, "editor", 1)
    process(tmp_path, 7, "cat")
    (tmp_path / "8").mkdir()
    (tmp_path / "6/fd/9").symlink_to("anon_inode:inotify")
    (tmp_path / "9/fd").mkdir(parents=True)
    (tmp_path / "9/fd/3").touch()
    owner = tmp_path.stat().st_uid
    assert users(tmp_path) == [{"user": owner, "watches": 8, "instances": 3, "program": "tide-sync"}]
    (tmp_path / "5/comm").unlink()
    assert users(tmp_path)[0]["program"] == ""


@pytest.mark.parametrize("chunk", [7, 40, 1000])
def test_lines_that_are_cut_by_a_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chunk: int) -> None:
    """Each watch is counted once, wherever a piece of the file ends."""
    process(tmp_path, 5, "tide-sync", 100)
    monkeypatch.setattr(inotify_watches, "_CHUNK_BYTES", chunk)
    assert users(tmp_path)[0]["watches"] == 100


def test_real_watches_through_the_list(tmp_path: Path) -> None:
    """Two instances of this process, with three watches, more than before; the entry runs as a program of its own."""

    def mine() -> tuple[int, int]:
        results = commands.collect("inotify")
        said = json.loads(result_of(results, results[0].target, 20))
        found = [each for each in said if each["user"] == os.geteuid()]
        return (found[0]["watches"], found[0]["instances"]) if found else (0, 0)

    libc = ctypes.CDLL(None, use_errno=True)
    before = mine()
    made = [libc.inotify_init(), libc.inotify_init()]
    try:
        for number in range(150):
            (tmp_path / str(number)).touch()
            assert libc.inotify_add_watch(made[0], os.fsencode(tmp_path / str(number)), 2) > 0
        after = mine()
    finally:
        for each in made:
            os.close(each)
    # Other programs of the same user may open and close some meanwhile.
    assert after[0] - before[0] > 100
    assert after[1] > 0
