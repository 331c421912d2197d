"""The key of this installation: made once, kept to itself, and never half."""

import os
import stat
from pathlib import Path

import pytest

from watchkeeper.config.key_file import KEY_BYTES, own_key
from watchkeeper.errors import StartError


def test_it_is_made_once(tmp_path: Path) -> None:
    """The same on every start; nobody else may read it, whatever the process's umask."""
    path = tmp_path / "state" / "acknowledge.key"
    before = os.umask(0)
    try:
        key = own_key(path)
    finally:
        os.umask(before)
    assert len(key) == KEY_BYTES
    assert own_key(path) == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [each.name for each in path.parent.iterdir()] == ["acknowledge.key"]
    assert own_key(tmp_path / "other.key") != key


def test_half_a_key_is_told(tmp_path: Path) -> None:
    """A key that was cut short is not used, and not silently made anew."""
    (tmp_path / "key").write_bytes(b"short")
    with pytest.raises(StartError, match=r"has 5 bytes, not 32; remove the file"):
        own_key(tmp_path / "key")


def test_a_folder_that_cannot_be_had(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "state").write_text("")
    with pytest.raises(StartError, match="cannot be had"):
        own_key(tmp_path / "state" / "key")
