"""The reserve: its space is taken in advance, and a record is whole or the one before."""

import os
from pathlib import Path
from random import Random

import pytest

from watchkeeper.errors import StoreError
from watchkeeper.store.files import reserve
from watchkeeper.store.files.reserve import PLACE_BYTES, SPARE_BYTES, Reserve, give_up_spare

WHOLE = 2 * PLACE_BYTES + SPARE_BYTES


def reread(path: Path) -> tuple[int, str]:
    """The newest record of a file, and its number, as the next run finds it."""
    opened = Reserve(path)
    opened.close()
    return opened.number, opened.text


def test_its_space_is_taken_in_advance(tmp_path: Path) -> None:
    """Every block has its space before anything is written, and writing takes no more."""
    path = tmp_path / "kept"
    opened = Reserve(path)
    assert path.stat().st_size == WHOLE
    assert path.stat().st_blocks * 512 >= WHOLE
    assert path.stat().st_mode & 0o777 == 0o600
    blocks = path.stat().st_blocks
    for number in range(1, 6):
        opened.write(number, "seal count " * 5_000)
    assert path.stat().st_blocks == blocks
    opened.close()


def test_the_newest_record_counts(tmp_path: Path) -> None:
    """Each write takes the place of the one before the last."""
    path = tmp_path / "kept"
    assert reread(path) == (0, "")
    for number, text in enumerate(("one", "two", "three"), start=1):
        opened = Reserve(path)
        opened.write(number, text)
        opened.close()
        assert reread(path) == (number, text)


def test_a_write_that_was_cut_leaves_the_record_before(tmp_path: Path) -> None:
    """Wherever the newest record is cut or harmed, the one before it is found."""
    path, chance = tmp_path / "kept", Random(1)
    opened = Reserve(path)
    opened.write(1, "first" * 200)
    first = path.read_bytes()
    opened.write(2, "second" * 200)
    opened.close()
    second = path.read_bytes()
    changed = [place for place in range(len(first)) if first[place] != second[place]]
    for _ in range(200):
        harmed = bytearray(second)
        harmed[chance.choice(changed)] ^= 1 << chance.randrange(8)
        path.write_bytes(harmed)
        assert reread(path) == (1, "first" * 200)
    for place in chance.sample(changed[:-1], 20):
        path.write_bytes(second[:place] + first[place:])
        assert reread(path) == (1, "first" * 200)


def test_what_does_not_fit_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    """A text that cannot be compressed far enough."""
    path = tmp_path / "kept"
    opened = Reserve(path)
    opened.write(1, "before")
    with pytest.raises(ValueError, match="more than fit"):
        opened.write(2, Random(1).randbytes(PLACE_BYTES).hex())
    opened.close()
    assert reread(path) == (1, "before")


@pytest.mark.parametrize("kind", ["link", "folder", "pipe"])
def test_what_is_no_file_is_refused(tmp_path: Path, kind: str) -> None:
    """Nothing is written through a link, and a pipe does not hold the start up."""
    path, victim = tmp_path / "kept", tmp_path / "victim"
    victim.write_bytes(b"mine")
    if kind == "link":
        path.symlink_to(victim)
    elif kind == "folder":
        path.mkdir()
    else:
        os.mkfifo(path)
    with pytest.raises((OSError, StoreError)):
        Reserve(path)
    assert victim.read_bytes() == b"mine"
    assert not give_up_spare(path)


def test_the_spare_part_is_given_up_once_and_taken_again(tmp_path: Path) -> None:
    """The record stays; at the next opening the space is taken again."""
    path = tmp_path / "kept"
    assert not give_up_spare(path)
    opened = Reserve(path)
    opened.write(1, "kept")
    opened.close()
    assert give_up_spare(path)
    assert path.stat().st_size == 2 * PLACE_BYTES
    assert not give_up_spare(path)
    assert reread(path) == (1, "kept")
    assert path.stat().st_size == WHOLE


def test_a_text_that_grows_without_end_is_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that was made elsewhere cannot take all memory."""
    path = tmp_path / "kept"
    opened = Reserve(path)
    opened.write(1, "0" * 2_000_000)
    opened.close()
    monkeypatch.setattr(reserve, "_MOST_BYTES", 1_000)
    assert len(reread(path)[1]) == 1_000
