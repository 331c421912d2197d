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
    for other in (tmp_path / "other.key", tmp_path / "lib" / "other" / "acknowledge.key"):
        assert own_key(other) != key


@pytest.mark.parametrize(("damaged", "length"), [(b"short", "5"), (b"", "0"), (b"k" * 99, "more than 32")])
def test_a_damaged_key_does_not_stop_the_start(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, damaged: bytes, length: str
) -> None:
    """A key of the wrong length is kept under another name, a new one is made, and the log says so."""
    path = tmp_path / "key"
    path.write_bytes(damaged)
    key = own_key(path)
    assert len(key) == KEY_BYTES
    assert own_key(path) == key
    assert (tmp_path / "key.damaged").read_bytes() == damaged
    assert f"had {length} bytes, not 32" in caplog.text


def test_a_folder_that_cannot_be_had(tmp_path: Path) -> None:
    """A file where the folder should be."""
    (tmp_path / "state").write_text("")
    with pytest.raises(StartError, match="cannot be used"):
        own_key(tmp_path / "state" / "key")
