"""The walk against du(1), on real trees: totals, links, mounts, interruptions, hostile names, what cannot be read."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest

from tests.support.needs import need
from watchkeeper.clock import Clock
from watchkeeper.privileged import tree_walk
from watchkeeper.privileged.commands import COMMANDS
from watchkeeper.privileged.tree_walk import Walk, advance, deleted, file_systems

FILES = int(os.environ.get("TREE_FILES", "100000"))
"""TREE_FILES=1000000 walks a tree of that size."""


def du(path: Path, *options: str) -> int:
    """The bytes that the tool of that name counts."""
    words = ["du", "--one-file-system", "--summarize", "--block-size=1", *options, str(path)]
    return int(subprocess.run(words, capture_output=True, check=True, timeout=120).stdout.split()[0])


def walked(path: Path, others: set[str] | None = None) -> Walk:
    """A whole walk."""
    walk = Walk(str(path), others or set())
    walk.begin()
    assert walk.run(600)
    return walk


def total(walk: Walk) -> int:
    """All bytes."""
    return int(walk.result(0.0)["sizes"][""])


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tree of many small files, some with several links, some sparse, five levels deep."""
    root = tmp_path_factory.mktemp("srv")
    folders = [root / f"{a}/{b}/{c}/x/y" for a in "abcde" for b in range(10) for c in range(4)]
    for folder in folders:
        folder.mkdir(parents=True)
    each = FILES // len(folders)
    for number, folder in enumerate(folders):
        for n in range(each):
            file = os.open(folder / f"{n}", os.O_WRONLY | os.O_CREAT)
            if n % 50 == 0:
                os.write(file, b"x" * (n % 7) * 3000)
            os.close(file)
        os.link(folder / "0", folder.parent / f"link-{number}")
    with (root / "sparse").open("wb") as sparse:
        sparse.truncate(2**30)
    return root


def test_a_large_tree_has_the_totals_of_du(large: Path) -> None:
    """The whole, and each directory down to the fourth level, which holds what is deeper; nothing is unread."""
    walk = walked(large)
    found = walk.result(0.0)
    assert found["sizes"][""] == du(large)
    assert found["sizes"]["a"] == du(large / "a")
    assert found["sizes"]["c/3/2/x"] == du(large / "c/3/2/x")
    assert not any(name.count("/") > 3 for name in found["sizes"])
    assert (found["unread"], found["links_exceeded"]) == (0, False)
    assert found["files"] >= FILES


def test_an_interrupted_walk_goes_on_and_ends_with_the_same(large: Path, tmp_path: Path) -> None:
    """Over many short runs, each with what the one before wrote; links that were counted are not counted again."""
    mounts = f"22 1 8:2 / {large} rw - ext4 /dev/sda2 rw"
    state = tmp_path / "kept/trees.json"
    found, runs = advance(state, mounts, begin=True, budget_s=0.05), 1
    while found["waiting"]:
        found, runs = advance(state, mounts, begin=True, budget_s=0.05), runs + 1
        assert runs < 100_000
    result = found["results"][str(large)]
    assert runs > 3
    assert result["sizes"][""] == du(large)
    assert (state.stat().st_mode & 0o777, state.parent.stat().st_mode & 0o777) == (0o644 & ~_umask(), 0o700)
    assert advance(state, mounts, begin=False)["results"][str(large)] == json.loads(
        json.dumps(result)
    )  # nothing is walked again


def _umask() -> int:
    found = os.umask(0)
    os.umask(found)
    return found


def test_a_tree_that_changes_under_way(tmp_path: Path) -> None:
    """What is deleted before its turn is not counted, also the place itself; what is new counts if it comes later."""
    for name in ("a/one", "b/two/deep", "c/three"):
        (tmp_path / "srv" / name).mkdir(parents=True)
        (tmp_path / "srv" / name / "file").write_bytes(b"x" * 9000)
    walk = Walk(str(tmp_path / "srv"))
    walk.begin()
    while walk.place() != (["b"], "two"):
        frame = walk._open[-1]
        if not frame.waiting:
            os.close(walk._open.pop().file)
        else:
            frame.done = frame.waiting.pop()
            walk._enter(frame, frame.done)
            if frame.done == "two":
                os.close(walk._open.pop().file)
    place, done = walk.place()
    walk.close()
    shutil.rmtree(tmp_path / "srv/b")
    shutil.rmtree(tmp_path / "srv/c/three")
    (tmp_path / "srv/d").mkdir()
    walk.resume(place, done)
    assert walk.run(60)
    assert {"a/one", "b/two", "c", "d"} <= walk.sizes.keys()
    assert "c/three" not in walk.sizes


def test_hostile_names(tmp_path: Path) -> None:
    """Line breaks, bytes that are not UTF-8, quotes and long names, in paths and in JSON."""
    root = os.fsencode(tmp_path)
    for name in (b"two\nlines", b"\xff\xfe", b'"quoted"', b"-rf", b"n" * 255, b"\\"):
        os.mkdir(root + b"/" + name)  # noqa: PTH102  bytes
        with open(root + b"/" + name + b"/file", "wb") as file:  # noqa: PTH123  bytes
            file.write(b"x" * 5000)
    walk = walked(tmp_path)
    assert total(walk) == du(tmp_path)
    sizes = json.loads(json.dumps(walk.result(0.0)))["sizes"]
    assert {os.fsencode(name) for name in sizes} >= {b"two\nlines", b"\xff\xfe", b"n" * 255}


def test_links_to_directories_and_deep_trees(tmp_path: Path) -> None:
    """A symbolic link is a file; a tree deeper than is entered is counted as unread."""
    (tmp_path / "loop").symlink_to(tmp_path)
    path = tmp_path
    for _ in range(tree_walk.DEEPEST + 5):
        path /= "d"
        path.mkdir()
    walk = walked(tmp_path)
    assert walk.unread == 1
    assert total(walk) < du(tmp_path)


def test_limits_on_memory_lose_no_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Too many directories count for the one above; links beyond the limit count each, and it says so."""
    monkeypatch.setattr(tree_walk, "DIRECTORIES_MOST", 5)
    for n in range(20):
        (tmp_path / f"d{n}").mkdir()
        (tmp_path / f"d{n}/file").write_bytes(b"x" * 5000)
    walk = walked(tmp_path)
    assert len(walk.sizes) <= 6
    assert total(walk) == du(tmp_path)
    monkeypatch.setattr(tree_walk, "LINKS_MOST", 1)
    for n in range(3):
        os.link(tmp_path / f"d{n}/file", tmp_path / f"link-{n}")
    walk = walked(tmp_path)
    assert walk.links_exceeded
    assert total(walk) == du(tmp_path, "--count-links") - 8192


def test_a_directory_that_takes_too_long_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It counts as not read to its end."""
    monkeypatch.setattr(tree_walk, "DIRECTORY_S", -1.0)
    for n in range(4097):
        os.close(os.open(tmp_path / f"{n}", os.O_CREAT))
    assert walked(tmp_path).unread == 1


def test_what_may_not_be_read() -> None:
    """As another user than root: what is closed is counted as unread."""
    need(os.geteuid() == 0, "root is needed to become another user")
    with tempfile.TemporaryDirectory() as place:  # the folders of pytest are closed to other users
        Path(place).chmod(0o755)
        (Path(place) / "closed").mkdir(mode=0o700)
        code = (
            "import os\nfrom watchkeeper.privileged.tree_walk import Walk\nos.seteuid(65534)\n"
            f"walk = Walk({place!r}); walk.begin(); walk.run(60); print(walk.unread)"
        )
        ran = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=Path.cwd(), check=True, timeout=120
        )
    assert ran.stdout == "1\n"


def test_mounts_and_loops_of_bind_mounts(tmp_path: Path) -> None:
    """In a mount namespace: nothing mounted is entered, a loop ends, a directory mounted on itself is entered."""
    need(os.geteuid() == 0 and shutil.which("unshare"), "root is needed to mount")
    for name in ("a/inner", "b", "other", "self"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "file").write_bytes(b"x" * 9000)
    alone = du(tmp_path)
    program = tmp_path / "program.py"
    program.write_text(
        "import sys, json\nfrom pathlib import Path\nfrom watchkeeper.privileged.tree_walk import Walk, file_systems\n"
        "known = file_systems(Path('/proc/self/mountinfo').read_text())\n"
        "others = set().union(*known.values())\n"
        "walk = Walk(sys.argv[1], others); walk.begin(); walk.run(60)\n"
        "print(json.dumps(walk.result(0.0)['sizes']))\n"
    )
    script = (
        f"mount --bind {tmp_path} {tmp_path}/b && mount -t tmpfs tmpfs {tmp_path}/other"
        f" && mount --bind {tmp_path}/self {tmp_path}/self && exec {sys.executable} {program} {tmp_path}"
    )
    ran = subprocess.run(
        ["unshare", "--mount", "--propagation", "private", "sh", "-c", script],
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(Path.cwd())}, check=False, timeout=120
    )  # fmt: skip
    need(ran.returncode == 0, f"mounts are not allowed here: {ran.stderr[-200:]}")
    sizes = json.loads(ran.stdout)
    assert not {"b", "other"} & sizes.keys()
    assert "self" in sizes
    assert sizes[""] < alone + program.stat().st_blocks * 512


def test_which_file_systems_are_walked() -> None:
    """Local ones, once each, by the shortest path; mounts below are not entered unless they are the same directory."""
    text = (
        "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n"
        "23 22 8:2 /home /home ro - ext4 /dev/sda2 rw\n"
        "24 22 8:2 /srv/a /mnt/b rw - ext4 /dev/sda2 rw\n"
        "25 22 0:30 / /proc rw - proc proc rw\n"
        "26 22 8:17 / /srv/two\\040words rw - xfs /dev/sdb1 rw\n"
        "27 22 8:17 / /srv rw - xfs /dev/sdb1 rw\n"
        "28 22 0:40 /@data /data rw - btrfs /dev/sdc rw\n"
        "29 22 0:40 /@data/x /data/x rw - btrfs /dev/sdc rw\n"
        "30 22 0:50 / /pool rw - zfs skerry rw\n"
        "nonsense\n"
    )
    found = file_systems(text)
    assert list(found) == ["/", "/data", "/srv"]
    assert found["/"] == {"/mnt/b", "/proc", "/srv/two words", "/srv", "/data", "/data/x", "/pool"}
    assert "/data/x" not in found["/data"]


def test_deleted_files_that_are_still_open(tmp_path: Path) -> None:
    """Once each, by the program that holds them."""
    with (tmp_path / "log").open("wb") as file, (tmp_path / "log").open("rb"):
        file.write(b"x" * 1_000_000)
        file.flush()
        os.fsync(file.fileno())
        (tmp_path / "log").unlink()
        before = deleted(tmp_path.stat().st_dev, Clock())
        size = os.fstat(file.fileno()).st_blocks * 512
    assert before["bytes"] >= size
    assert dict(before["holders"])
    assert before["files"] >= 1


def test_a_state_that_cannot_be_used(tmp_path: Path) -> None:
    """Damaged state begins again; a folder that cannot be written is said; a mount point that is gone has an error."""
    (tmp_path / "srv").mkdir()
    state = tmp_path / "trees.json"
    state.write_text("{")
    mounts = f"22 1 8:2 / {tmp_path}/srv rw - ext4 /dev/sda2 rw\n23 1 8:3 / /nowhere rw - ext4 /dev/sda3 rw"
    found = advance(state, mounts, begin=True)
    assert found["results"]["/nowhere"] == {"error": "No such file or directory"}
    assert found["stored"]
    assert not advance(tmp_path / "trees.json/x", mounts, begin=True)["stored"]
    assert advance(state, "", begin=False)["results"] == {}


def test_the_program_runs_in_the_idle_class() -> None:
    """As the list says: ionice(1) sets the class before anything is read, as the kernel then shows it."""
    for name, word in (("trees", "continue"), ("trees-new", "begin")):
        (argv,) = COMMANDS[name].argvs
        assert argv[-1] == word
        ask = [sys.executable, "-c", "import os, subprocess; subprocess.run(['ionice', '--pid', str(os.getpid())])"]
        ran = subprocess.run([*argv[:3], *ask], capture_output=True, text=True, check=True, timeout=120)
        assert ran.stdout.startswith("idle")


def test_the_program_prints_json(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Any) -> None:
    """All that is known, without the place of the walk."""
    monkeypatch.setattr(tree_walk, "STATE", tmp_path / "trees.json")
    monkeypatch.setattr(sys, "argv", ["tree_walk", "continue"])
    tree_walk.main()
    assert json.loads(capsys.readouterr().out) == {"results": {}, "waiting": [], "stored": True}
