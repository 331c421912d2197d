"""Which processes run what is no longer on the disk: real processes whose program and library are replaced."""

import json
from pathlib import Path

import pytest

from tests.probes.apart import PREAMBLE, run_apart
from watchkeeper.privileged import commands, replaced_files
from watchkeeper.privileged.replaced_files import groups
from watchkeeper.probes.support.tools import result_of

LINE = "7f2{}000-7f2{}fff {} 00000000 08:02 {} {}{}\n"


def process(proc: Path, pid: int, *mapped: tuple[str, str], group: str = "0::/system.slice/tide-log.service") -> Path:
    """A process in the form of proc(5), with mappings of (rights, name)."""
    folder = proc / str(pid)
    folder.mkdir()
    (folder / "maps").write_text(
        "".join(LINE.format(n, n, rights, n + 5, " " * 20, name) for n, (rights, name) in enumerate(mapped))
    )
    (folder / "comm").write_text("tide-log\n")
    (folder / "cgroup").write_text(f"{group}\n")
    (folder / "root").symlink_to("/")
    return folder


def test_what_counts(tmp_path: Path) -> None:
    """What is executed, below the folders of packages, and gone; each control group once."""
    process(tmp_path, 5, ("r-xp", "/usr/lib/libtide.so.3 (deleted)"), ("r-xp", "/usr/bin/tide log (deleted)"))
    process(tmp_path, 11, ("r-xp", "/lib64/libmoon.so (deleted)"), ("r--p", "/usr/lib/libsun.so (deleted)"))
    process(tmp_path, 6, ("r-xp", "/usr/lib/libtide.so.3"), ("r--s", "/usr/lib/locale (deleted)"))
    process(tmp_path, 7, ("rwxp", "/memfd:jit (deleted)"), ("r-xp", "/tmp/run.so (deleted)"), ("r-xp", ""))
    (tmp_path / "8").mkdir()
    assert groups(tmp_path) == [
        {
            "group": "/system.slice/tide-log.service",
            "program": "tide-log",
            "processes": 2,
            "files": ["/lib64/libmoon.so", "/usr/bin/tide log", "/usr/lib/libtide.so.3"],
        }
    ]


def test_a_container_is_left_out(tmp_path: Path) -> None:
    """Its root folder is another one: its files are not of this host's packages."""
    folder = process(tmp_path, 5, ("r-xp", "/usr/lib/libtide.so.3 (deleted)"))
    assert len(groups(tmp_path)) == 1
    (folder / "root").unlink()
    (folder / "root").symlink_to(tmp_path)
    assert groups(tmp_path) == []


@pytest.mark.parametrize(
    ("lines", "group"),
    [
        ("12:pids:/a\n1:name=systemd:/system.slice/b.service\n0::/", "/system.slice/b.service"),
        ("1:name=systemd:/x\n0::/system.slice/c.service", "/system.slice/c.service"),
        ("0::/", "/"),
        ("", "/"),
    ],
)
def test_both_versions_of_control_groups(tmp_path: Path, lines: str, group: str) -> None:
    """Version 2 alone, or systemd's own hierarchy beside it: cgroups(7)."""
    process(tmp_path, 5, ("r-xp", "/opt/tide (deleted)"), group=lines)
    assert groups(tmp_path)[0]["group"] == group


def test_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither many groups, nor many files, nor a map without end make the answer longer."""
    monkeypatch.setattr(replaced_files, "GROUPS_LIMIT", 2)
    monkeypatch.setattr(replaced_files, "FILES_LIMIT", 3)
    monkeypatch.setattr(replaced_files, "MAPS_LIMIT_BYTES", 2000)
    for pid in range(5, 9):
        process(tmp_path, pid, *[("r-xp", f"/usr/lib/{pid}.{n} (deleted)") for n in range(100)], group=f"0::/{pid}")
    found = groups(tmp_path)
    assert [each["group"] for each in found] == ["/5", "/6"]
    assert [each["files"] for each in found] == [[f"/usr/lib/{pid}.{n}" for n in (0, 1, 10)] for pid in (5, 6)]


REPLACED = (
    PREAMBLE
    + """
import shutil, glob
from pathlib import Path
from watchkeeper.privileged.replaced_files import groups
mount("tmpfs", "/opt", "tmpfs")
shutil.copy(shutil.which("sleep"), "/opt/sleep")
library = next(path for pattern in ("/lib*/*/libz.so.1", "/usr/lib*/libz.so.1", "/lib*/libz.so.1")
               for path in glob.glob(pattern))
shutil.copy(library, "/opt/libtide.so.1")
def start(program):
    process = subprocess.Popen([program, "120"], env={"LD_PRELOAD": "/opt/libtide.so.1"})
    while "libtide" not in Path(f"/proc/{process.pid}/maps").read_text():
        time.sleep(0.01)
    return process
def mine():
    return sorted({f for each in groups() for f in each["files"] if f.startswith("/opt/")})
def replace(name):
    shutil.copy(name, name + ".new")
    os.rename(name + ".new", name)
seen, process = [mine()], start("/opt/sleep")
try:
    seen.append(mine())
    replace("/opt/libtide.so.1")
    seen.append(mine())
    replace("/opt/sleep")
    seen.append(mine())
finally:
    process.kill(); process.wait()
process = start("/opt/sleep")
try:
    seen.append(mine())
finally:
    process.kill(); process.wait()
print(json.dumps(seen))
"""
)


def test_a_library_that_is_replaced_below_a_process() -> None:
    """Nothing before the update; the library, then the program too; nothing again when it was restarted."""
    library, program = "/opt/libtide.so.1", "/opt/sleep"
    assert run_apart(REPLACED) == [[], [], [library], [library, program], []]


def test_the_entry_of_the_list() -> None:
    """It runs as a program of its own, with this machine's processes."""
    results = commands.collect("replaced-files")
    found = json.loads(result_of(results, results[0].target, 20))
    assert all(each["files"] and each["processes"] > 0 for each in found)
