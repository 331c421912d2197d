"""Rows read from the pages of a file, against what SQLite itself reads from it."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.store import damage
from watchkeeper.store.recovery import raw_pages

COLUMNS = {"samples": 4, "hours": 10}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with samples, hours and days, and with free pages that hold deleted samples."""
    path = tmp_path_factory.mktemp("raw") / "watchkeeper.db"
    damage.make(path)
    return path


def of_pages(path: Path, columns: int) -> list[raw_pages.Row]:
    """All rows of so many columns."""
    return sorted(row for page in raw_pages.pages(path) for row in raw_pages.rows(page, columns))


def of_sqlite(path: Path, *tables: str) -> list[raw_pages.Row]:
    """The same from SQLite."""
    with closing(sqlite3.connect(path)) as conn:
        return sorted(row for table in tables for row in conn.execute(f"SELECT * FROM {table}"))


def test_it_finds_what_sqlite_finds(made: Path) -> None:
    """Every row with its values, none twice, and none of the free pages."""
    assert of_pages(made, 4) == of_sqlite(made, "samples")
    assert of_pages(made, 10) == of_sqlite(made, "hours", "days")
    with closing(sqlite3.connect(made)) as conn:
        assert conn.execute("PRAGMA freelist_count").fetchone() != (0,)


@pytest.mark.parametrize(
    "value",
    [
        None,
        0.0,
        1.0,
        -1.0,
        127.0,
        -129.0,
        32_768.0,
        2.0**23,
        2.0**31,
        -(2.0**40),
        2.0**47,
        2.0**52,
        0.1,
        -1e300,
        5e-324,
    ],
)
def test_each_way_to_store_a_number(tmp_path: Path, value: float | None) -> None:
    """Every serial type of section 2.1: NULL, 0, 1, integers of 1 to 8 bytes, and floating point."""
    path = tmp_path / "numbers.db"
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("CREATE TABLE n (a INTEGER, b INTEGER, value REAL, bound REAL, PRIMARY KEY (a, b)) WITHOUT ROWID")
        conn.execute("INSERT INTO n VALUES (1, 1772346600000, ?, ?)", (value, value))
        conn.commit()
    assert of_pages(path, 4) == [(1, 1_772_346_600_000, value, value)] == of_sqlite(path, "n")


@pytest.mark.parametrize("content", [b"", b"x", bytes(4096), b"SQLite format 3\0" + b"\xff" * 4080, b"\x0a" * 8192])
def test_what_is_no_database_has_no_rows(tmp_path: Path, content: bytes) -> None:
    """Any bytes are read without an error."""
    path = tmp_path / "noise"
    path.write_bytes(content)
    assert of_pages(path, 4) == []
