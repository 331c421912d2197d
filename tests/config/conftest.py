"""Fixtures of the configuration's tests: an environment without anything from this machine."""

import os
from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def quiet_environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A home of the test's own, and no variable that watchkeeper reads. Returns the home."""
    home = tmp_path / "home"
    home.mkdir()
    for name in [*os.environ]:
        if name.startswith(("WATCHKEEPER_", "XDG_")) or name in ("STATE_DIRECTORY", "CREDENTIALS_DIRECTORY", "TZ"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(home))
    return home
