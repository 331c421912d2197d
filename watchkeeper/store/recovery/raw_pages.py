"""Reads rows from the pages of a database file themselves, where the tree that leads to them is broken.

A tree whose root or inner page is damaged hides all that lies below it, although those pages are as they were. The
tables of samples and of roll-ups consist of numbers and have no rowid, so their rows can be recognised on any page.
The format: "Database File Format", sqlite.org, sections 1.3 (header), 1.5 (freelist), 1.6 (b-tree pages) and 2.1
(records). Not here: rows that are too long for a page, and tables with a rowid.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Row = tuple[Any, ...]

HEADER_BYTES = 100
"""Page 1 begins with the header of the file."""

INNER_INDEX, LEAF_INDEX = 0x02, 0x0A
"""Kinds of pages of a table without rowid: both hold rows; an inner one has a page number before each of them."""

INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
"""The size of an integer by its serial type."""


def pages(path: Path) -> Iterator[bytes]:
    """The pages of a file, without those that its list of free pages names. Raises OSError."""
    with path.open("rb") as file:
        header = file.read(HEADER_BYTES)
        size = int.from_bytes(header[16:18], "big")
        size = 65_536 if size == 1 else size
        if size < 512 or size & (size - 1):
            return
        file.seek(0, 2)
        count = file.tell() // size

        def page(number: int) -> bytes:
            file.seek((number - 1) * size)
            return file.read(size)

        free = set()
        trunk = int.from_bytes(header[32:36], "big")
        while 0 < trunk <= count and trunk not in free:
            free.add(trunk)
            content = page(trunk)
            trunk, leaves = struct.unpack_from(">II", content)
            free.update(struct.unpack_from(f">{min(leaves, size // 4 - 2)}I", content, 8))
        for number in range(2, count + 1):
            if number not in free:
                yield page(number)


def rows(page: bytes, columns: int) -> list[Row]:
    """The rows of so many numbers each on a page of a table without rowid; none if it is another page."""
    if page[0] not in (INNER_INDEX, LEAF_INDEX):
        return []
    begin, child = (12, 4) if page[0] == INNER_INDEX else (8, 0)
    count = int.from_bytes(page[3:5], "big")
    found = []
    for place in range(begin, min(begin + 2 * count, len(page) - 1), 2):
        at = int.from_bytes(page[place : place + 2], "big") + child
        row = _record(page, at, columns)
        if row is not None:
            found.append(row)
    return found


def _record(page: bytes, at: int, columns: int) -> Row | None:
    """The record of a cell: its length, the types of its columns, and the columns. None if it is not of numbers."""
    try:
        length, at = _varint(page, at)
        end = at + length
        head, place = _varint(page, at)
        body = at + head
        values: list[float | None] = []
        while place < at + head:
            serial, place = _varint(page, place)
            size, value = _number(page, serial, body)
            values.append(value)
            body += size
    except (IndexError, KeyError, struct.error):
        return None
    return tuple(values) if len(values) == columns and body == end <= len(page) else None


def _number(page: bytes, serial: int, at: int) -> tuple[int, float | None]:
    """The size of a column, and its value. Raises KeyError if it is text, a blob or nothing known."""
    if serial == 0:
        return 0, None
    if serial == 7:
        return 8, struct.unpack_from(">d", page, at)[0]
    if serial in (8, 9):
        return 0, serial - 8
    size = INTEGERS[serial]
    return size, int.from_bytes(page[at : at + size], "big", signed=True)


def _varint(page: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and the place behind it."""
    value = 0
    for place in range(at, at + 8):
        value = value << 7 | page[place] & 0x7F
        if page[place] < 0x80:
            return value, place + 1
    return value << 8 | page[at + 8], at + 9
