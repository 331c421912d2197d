"""Checks files that must be read at several places: zip, SQLite and qcow2.

Not here: formats that are read from their beginning to their end (formats.py).
"""

import json
import os
import sqlite3
import subprocess
import zipfile
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from urllib.parse import quote

from watchkeeper.model.units import format_size
from watchkeeper.privileged.process import environment
from watchkeeper.probes.verification.outcomes import DamageFound, NotCheckable
from watchkeeper.probes.verification.sinks import PATH, PIECE

Spend = Callable[[], None]
"""Called before each piece of work; waits if the time for now is used up."""

STEPS = 10_000
"""Instructions of SQLite's machine between two looks at the time: about a millisecond."""

IMAGE_S = 6 * 3600.0
"""`qemu-img check` reads the tables of an image: minutes on a disk that is busy otherwise."""


def check_zip(path: Path, spend: Spend) -> None:
    """Read each member, whose CRC-32 is compared. Raises DamageFound, NotCheckable."""
    try:
        with zipfile.ZipFile(path) as archive:
            for each in archive.infolist():
                if each.flag_bits & 1:
                    raise NotCheckable("it is encrypted (zip)")
                with archive.open(each) as member:
                    while member.read(PIECE):
                        spend()
    except (zipfile.BadZipFile, zlib.error, EOFError) as error:
        raise DamageFound(f"zip: {_plain(error)}") from None
    except (NotImplementedError, RuntimeError) as error:
        raise NotCheckable(f"zip: {_plain(error)}") from None


def _plain(error: Exception) -> str:
    text = str(error) or "unexpected end of file"
    return f"{text[:1].lower()}{text[1:]}"


def check_sqlite(path: Path, spend: Spend) -> None:
    """`PRAGMA quick_check`, without a lock and without writing anything. Raises DamageFound, NotCheckable."""
    # Immutable: no lock, and no -shm file beside it. https://sqlite.org/uri.html
    uri = f"file:{quote(os.fsencode(path))}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as db:
            db.set_progress_handler(spend, STEPS)
            db.execute("PRAGMA trusted_schema = OFF")
            db.execute("PRAGMA cell_size_check = ON")
            (said,) = db.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        said = str(error)
    if said == "ok":
        return
    if Path(f"{path}-wal").exists():
        raise NotCheckable("SQLite: its write-ahead log is beside it, so the file alone is not the whole database")
    raise DamageFound(f"SQLite: {said.splitlines()[-1] if said else 'quick_check failed'}")


def check_qcow2(path: Path, _spend: Spend) -> None:
    """`qemu-img check`: the tables of the image, and whether it ends before what they name.

    Without its backing file, which may be elsewhere. Raises DamageFound, NotCheckable.
    """
    name = str(path).replace(",", ",,")
    image = f"driver=qcow2,backing=,file.driver=file,file.filename={name}"
    argv = ("qemu-img", "check", "--output=json", "--image-opts", image)
    try:
        ran = subprocess.run(  # noqa: S603  no shell; the name is a value of one option
            argv, capture_output=True, env=environment(PATH), cwd="/", timeout=IMAGE_S, check=False
        )
    except FileNotFoundError:
        raise NotCheckable("qemu-img is not installed (in Debian: qemu-utils)") from None
    except subprocess.TimeoutExpired:
        raise NotCheckable("qemu-img did not end within 6 h") from None
    _image_result(ran.returncode, ran.stdout, ran.stderr.decode("utf-8", "replace"), path)


def _image_result(status: int, printed: bytes, said: str, path: Path) -> None:
    """What qemu-img(1) says of an image: 0 whole, 2 corrupt, 3 only leaked clusters, which harm nothing."""
    try:
        report = json.loads(printed)
    except ValueError:
        report = {}
    if errors := report.get("corruptions"):
        raise DamageFound(f"qcow2: {errors} error{'s' if errors > 1 else ''} in its tables")
    size, cluster = path.stat().st_size, _cluster(path)
    if (ends := report.get("image-end-offset") or 0) >= size + cluster:  # The last cluster may be shorter in the file.
        raise DamageFound(f"qcow2: it ends at {format_size(size)}, its tables name data up to {format_size(ends)}")
    if status in (0, 3) and not report.get("check-errors"):
        return
    reason = (said.strip().split("\n")[-1] or f"qemu-img ended with status {status}").rpartition(": ")[2]
    if "lock" in said or "encrypt" in said or "ecret" in said or "nsupported" in said or "ermission" in said:
        raise NotCheckable(f"qcow2: {reason}")
    raise DamageFound(f"qcow2: {reason}")


def _cluster(path: Path) -> int:
    """Bytes of a cluster: the header has its logarithm, which is 9 to 21."""
    with path.open("rb") as file:
        bits = int.from_bytes(file.read(24)[20:24], "big")
    return 1 << min(bits, 21)


CHECKS: dict[str, Callable[[Path, Spend], None]] = {
    "zip": check_zip,
    "SQLite": check_sqlite,
    "qcow2": check_qcow2,
}
"""Format -> its check."""
