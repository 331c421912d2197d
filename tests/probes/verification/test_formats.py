"""Real archives, images and dumps: whole, cut short, with one byte flipped, and while they change."""

import bz2
import gzip
import json
import lzma
import os
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.needs import need
from tests.support.postgres import Server, server
from watchkeeper.privileged.process import environment
from watchkeeper.probes.verification import sinks

PROGRAM = (sys.executable, "-I", "-m", "watchkeeper.probes.verification.program")


MEASURED = {name: value for name, value in os.environ.items() if name == "COVERAGE_PROCESS_CONFIG"}
"""Coverage is measured in the program too."""


def given(path: Path, grants: bytes) -> bytes:
    """What the program reads from its input."""
    return json.dumps(str(path)).encode() + b"\n" + grants


def checked(path: Path, path_variable: str = sinks.PATH) -> dict[str, object]:
    """The answer of the program about one file."""
    ran = subprocess.run(
        PROGRAM,
        input=given(path, b"100\n" * 20),
        capture_output=True,
        check=True,
        timeout=120,
        env=environment(path_variable) | MEASURED,
    )
    assert not ran.stderr, ran.stderr.decode()
    answer: dict[str, object] = json.loads(ran.stdout.splitlines()[-1])
    return answer


def said(path: Path) -> tuple[object, object]:
    """Its verdict and the detail."""
    answer = checked(path)
    return answer["verdict"], answer["detail"]


def tool(*argv: object, **more: object) -> bytes:
    """Run a tool of this machine."""
    need(shutil.which(str(argv[0])), f"{argv[0]} is not installed")
    return subprocess.run([*map(str, argv)], check=True, capture_output=True, timeout=60, **more).stdout  # type: ignore[call-overload,no-any-return]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One file in all formats; the content cannot be compressed much, so that a harmed byte is within data."""
    folder = tmp_path_factory.mktemp("archives")
    text = folder / "ringing"
    text.write_bytes(b"".join(b"%d %s\n" % (n, os.urandom(40).hex().encode()) for n in range(30_000)))
    for name, argv in {"gz": ("gzip", "-c"), "bz2": ("bzip2", "-c"), "xz": ("xz", "-c"), "zst": ("zstd", "-qc"),
                       "lz4": ("lz4", "-qc")}.items():  # fmt: skip
        (folder / f"ringing.{name}").write_bytes(tool(*argv, text))
    with tarfile.open(folder / "ringing.tar", "w") as archive:
        archive.add(text, "ringing")
    for name, packer in (("tar.gz", gzip.compress), ("tar.xz", lzma.compress), ("tar.bz2", bz2.compress)):
        (folder / f"ringing.{name}").write_bytes(packer((folder / "ringing.tar").read_bytes()))
    with zipfile.ZipFile(folder / "ringing.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(text, "ringing")
    with sqlite3.connect(folder / "ringing.db") as db:
        db.execute("CREATE TABLE rings (number INTEGER PRIMARY KEY, ring TEXT)")
        db.executemany("INSERT INTO rings (ring) VALUES (?)", ((line,) for line in text.read_text().splitlines()))
        db.execute("CREATE INDEX by_ring ON rings (ring)")
    db.close()
    tool("qemu-img", "convert", "-O", "qcow2", "-f", "raw", text, folder / "ringing.qcow2")
    return folder


WITH_CHECKSUMS = ("gz", "bz2", "xz", "zst", "lz4", "tar.gz", "tar.xz", "tar.bz2", "zip")
EVERY = (*WITH_CHECKSUMS, "tar", "db", "qcow2")
QCOW2_CLUSTER = 65_536
"""What qemu-img makes by default, in bytes: qemu-img(1)."""


@pytest.mark.parametrize("name", EVERY)
def test_a_whole_file_is_whole(folder: Path, name: str) -> None:
    """With the formats, the outermost first, and a digest of all bytes."""
    answer = checked(folder / f"ringing.{name}")
    assert answer["verdict"] == "whole"
    assert len(str(answer["digest"])) == 32
    inner = {"tar.gz": ["gzip", "tar"], "tar.xz": ["xz", "tar"], "tar.bz2": ["bzip2", "tar"], "gz": ["gzip"]}
    assert answer["formats"] == inner.get(name, answer["formats"])
    unprotected = {"tar", "qcow2"}
    assert bool(answer["detail"]) == (name in unprotected), "what a whole file does not prove is said"


@pytest.mark.parametrize("share", [0.02, 0.5, 0.99])
@pytest.mark.parametrize("name", EVERY)
def test_a_file_that_is_cut_short(folder: Path, tmp_path: Path, name: str, share: float) -> None:
    """It is damaged, wherever it ends; an image only before its last cluster, which a whole one may leave short too."""
    whole = (folder / f"ringing.{name}").read_bytes()
    end = min(int(len(whole) * share), len(whole) - (QCOW2_CLUSTER + 1 if name == "qcow2" else 1))
    cut = tmp_path / "cut"
    cut.write_bytes(whole[:end])
    verdict, detail = said(cut)
    assert (verdict, bool(detail)) == ("damaged", True)


def flipped(data: bytes, at: int, bit: int) -> bytes:
    """One bit is another."""
    return data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]


@pytest.mark.parametrize("share", [0.1, 0.37, 0.5, 0.93])
@pytest.mark.parametrize("name", WITH_CHECKSUMS)
def test_one_flipped_bit(folder: Path, tmp_path: Path, name: str, share: float) -> None:
    """A format with checksums shows it, wherever it is in the data."""
    whole = (folder / f"ringing.{name}").read_bytes()
    harmed = tmp_path / "harmed"
    harmed.write_bytes(flipped(whole, int(len(whole) * share), 3))
    verdict, detail = said(harmed)
    assert (verdict, bool(detail)) == ("damaged", True)


def test_the_place_of_the_damage_is_named(folder: Path, tmp_path: Path) -> None:
    """The end of the piece in which it was met; a file that ends too early, its end."""
    whole = (folder / "ringing.gz").read_bytes()
    cut = tmp_path / "cut.gz"
    cut.write_bytes(whole[:1_200_000])
    assert said(cut) == ("damaged", "gzip: unexpected end of file at 1.14 MiB")


def test_gzip_of_several_members(folder: Path, tmp_path: Path) -> None:
    """Members may follow each other, and zeros fill the last block of a tape; anything else is damage."""
    whole = (folder / "ringing.gz").read_bytes()
    made = tmp_path / "two.gz"
    made.write_bytes(whole + whole + b"\0" * 700)
    assert said(made) == ("whole", "")
    made.write_bytes(whole + b"\x1f")
    assert said(made)[0] == "damaged"
    made.write_bytes(whole + flipped(whole, 0, 1))
    assert said(made) == ("damaged", "gzip: something else follows after its end at 2 MiB")


def test_a_harmed_database(folder: Path, tmp_path: Path) -> None:
    """`quick_check` of SQLite finds a page that is not what its tree says; nothing is written beside the file."""
    whole = (folder / "ringing.db").read_bytes()
    harmed = tmp_path / "harmed.db"
    harmed.write_bytes(whole[:40_960] + os.urandom(4096) + whole[45_056:])
    verdict, detail = said(harmed)
    assert verdict == "damaged"
    assert str(detail).startswith("SQLite: ")
    assert os.listdir(tmp_path) == ["harmed.db"]  # noqa: PTH208
    (tmp_path / "harmed.db-wal").write_bytes(b"log")
    assert said(harmed)[0] == "cannot tell", "its log may have the page"
    inside = tmp_path / "inside.db.gz"
    inside.write_bytes(gzip.compress(whole))
    assert checked(inside)["formats"] == ["gzip", "SQLite"]
    inside.write_bytes(gzip.compress(whole[:-8192]))
    assert said(inside)[0] == "damaged", "the compression is whole, what was compressed is not"


def test_images(tmp_path: Path) -> None:
    """An image of which nothing is used is whole; one with a backing file elsewhere too; a harmed table is not."""
    need(shutil.which("qemu-img"), "qemu-img is not installed")
    base, image = tmp_path / "base,1.qcow2", tmp_path / "hide-hub.qcow2"
    tool("qemu-img", "create", "-q", "-f", "qcow2", base, "64M")
    assert said(base)[0] == "whole"
    tool("qemu-img", "create", "-q", "-f", "qcow2", "-b", base, "-F", "qcow2", image)
    base.unlink()
    assert said(image)[0] == "whole"
    data = bytearray(image.read_bytes())
    table = int.from_bytes(data[48:56], "big")
    data[table] ^= 0x10
    image.write_bytes(data)
    assert said(image)[0] == "damaged"


@pytest.fixture(scope="module")
def postgres() -> Iterator[Server]:
    """A real server with a table."""
    with server() as running:
        table = "CREATE TABLE rings AS SELECT n, md5(n::text) AS ring FROM generate_series(1, 60000) AS n"
        running.query(table, database="postgres")
        yield running


@pytest.mark.parametrize(
    ("made", "name"),
    [
        (("pg_dump",), "PostgreSQL dump"),
        (("pg_dumpall",), "PostgreSQL dump"),
        (("pg_dump", "--format=custom"), "PostgreSQL archive"),
        (("pg_dump", "--format=tar"), "tar"),
    ],
)
def test_dumps_of_postgresql(postgres: Server, tmp_path: Path, made: tuple[str, ...], name: str) -> None:
    """Each kind is whole, and damaged if the last tenth is missing; within gzip as well."""
    dump = tmp_path / "ringing.dump"
    dump.write_bytes(tool(*made, "--username=owner", f"--host={postgres.folder}", f"--port={postgres.port}",
                          *(() if made[0] == "pg_dumpall" else ("postgres",))))  # fmt: skip
    answer = checked(dump)
    assert (answer["verdict"], answer["formats"]) == ("whole", [name])
    whole = dump.read_bytes()
    packed = tmp_path / "ringing.dump.gz"
    packed.write_bytes(gzip.compress(whole, 1))
    assert checked(packed)["formats"] == ["gzip", name]
    packed.write_bytes(gzip.compress(whole[: len(whole) * 9 // 10], 1))
    assert said(packed)[0] == "damaged"
    dump.write_bytes(whole[: len(whole) * 9 // 10])
    assert said(dump)[0] == "damaged"


@pytest.mark.parametrize(
    ("text", "verdict"),
    [
        ("-- MariaDB dump 10.19\nINSERT\n-- Dump completed on 2026-11-30  3:00:01\n", "whole"),
        ("/*M!999999\\- enable the sandbox mode */ \n-- MariaDB dump 10.19\nINSERT\n-- Dump completed\n", "whole"),
        ("-- MySQL dump 10.13\nINSERT INTO rings VALUES (1", "damaged"),
        ("PRAGMA foreign_keys=OFF;\nBEGIN TRANSACTION;\nCOMMIT;\n", "whole"),
        ("PRAGMA foreign_keys=OFF;\nBEGIN TRANSACTION;\nROLLBACK; -- due to errors\n", "damaged"),
        ("", "damaged"),
        ("INSERT INTO rings VALUES (1);\n", "cannot tell"),
        ("Salted__12345678", "cannot tell"),
        ("age-encryption.org/v1\n-> X25519", "cannot tell"),
        ("-----BEGIN PGP MESSAGE-----\n", "cannot tell"),
    ],
)
def test_dumps_by_their_end_and_what_cannot_be_read(tmp_path: Path, text: str, verdict: str) -> None:
    """The form of mysqldump(1) and sqlite3(1); an encrypted file is never OK."""
    file = tmp_path / "file"
    file.write_text(text)
    assert said(file)[0] == verdict


def test_what_is_missing_is_named(folder: Path, tmp_path: Path) -> None:
    """Without the program of a format nothing can be said, and the package is named; nor without a right to read."""
    empty = tmp_path / "bin"
    empty.mkdir()
    code = (
        "from watchkeeper.probes.verification import sinks, seekable, program; "
        f"sinks.PATH = seekable.PATH = {str(empty)!r}; program.main()"
    )
    for name, package in (("zst", "zstd"), ("tar", "tar"), ("qcow2", "qemu-utils")):
        ran = subprocess.run(
            [sys.executable, "-c", code],
            input=given(folder / f"ringing.{name}", b"100\n" * 9), capture_output=True, check=True, timeout=60,
        )  # fmt: skip
        answer = json.loads(ran.stdout.splitlines()[-1])
        assert answer["verdict"] == "cannot tell"
        assert f"(in Debian: {package})" in answer["detail"]
    verdict, detail = said(tmp_path / "missing")
    assert (verdict, detail) == ("cannot tell", "it cannot be opened: No such file or directory")
    (tmp_path / "link").symlink_to(folder / "ringing.gz")
    assert said(tmp_path / "link")[0] == "cannot tell", "a link is not followed"


def test_a_file_that_changes_while_it_is_read(folder: Path, tmp_path: Path) -> None:
    """The program waits after each time that it was granted; a file that was written to meanwhile is not judged."""
    changes: list[Callable[[Path], object]] = [
        lambda path: path.write_bytes(path.read_bytes()[:100]),
        lambda path: path.rename(tmp_path / "other"),
        lambda path: os.replace(shutil.copy(path, tmp_path / "new"), path),  # noqa: PTH105
    ]
    for change in changes:
        file = tmp_path / "file.gz"
        shutil.copy(folder / "ringing.gz", file)
        with subprocess.Popen(PROGRAM, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(given(file, b""))
            process.stdin.flush()
            assert json.loads(process.stdout.readline()) == {"read": 0, "of": file.stat().st_size}
            change(file)
            answer, _ = process.communicate(b"100\n", timeout=60)
        assert json.loads(answer.splitlines()[-1])["verdict"] == "changed while it was read"


def test_it_ends_with_its_caller(folder: Path) -> None:
    """Nothing is left when its input is closed, also while SQLite reads, or when nobody reads its output."""
    for text in (*(given(folder / f"ringing.{name}", b"0\n" * 2) for name in ("gz", "db")), b""):
        ran = subprocess.run(PROGRAM, input=text, capture_output=True, timeout=60, check=False)
        assert (ran.returncode, ran.stderr) == (0, b"")
        assert b"verdict" not in ran.stdout
    unread, output = os.pipe()
    os.close(unread)
    try:
        ran = subprocess.run(
            PROGRAM, input=given(folder / "ringing.gz", b"9\n"), stdout=output, stderr=subprocess.PIPE,
            timeout=60, check=False,
        )  # fmt: skip
    finally:
        os.close(output)
    assert (ran.returncode, ran.stderr) == (0, b"")
