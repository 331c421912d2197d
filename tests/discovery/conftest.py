"""Fixtures of discovery's tests: a host in a folder of the test, and programs in place of the tools."""

import os
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox, utc
from watchkeeper.config.loading import check_document
from watchkeeper.config.secrets import Secrets
from watchkeeper.discovery.document import Survey, render
from watchkeeper.discovery.host import Host, Listener
from watchkeeper.discovery.proposal import Found, Proposal, Value
from watchkeeper.discovery.registry import Section
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.settings import Settings, known_model

NOW = utc("2026-12-01 06:00:00")


def deaf() -> Sequence[Listener]:
    """Nobody listens."""
    return []


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Programs in the place of the system's; this user counts as root, so that no helper is needed."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Toolbox(tmp_path, monkeypatch)


@pytest.fixture
def host(tmp_path: Path, workers: ThreadWorkers) -> Host:
    """An empty host below a folder: its /proc has a list of mounts and of memory, and nothing else is there."""
    root = tmp_path / "root"
    put(root, "proc/self/mountinfo", "21 1 8:1 / / rw - ext4 /dev/sda1 rw\n")
    put(root, "proc/meminfo", "MemTotal:        8388608 kB\nSwapTotal:       0 kB\n")
    return Host(ProbeContext(FixedClock(NOW), workers), deaf, root, tmp_path / "no-helper.sock", timeout_s=10.0)


@pytest.fixture
def unprivileged(host: Host, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> Host:  # noqa: ARG001  it comes first
    """The host, seen by a user who is not root and has no helper."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    return host


def put(root: Path, path: str, text: str = "") -> Path:
    """A file of the host."""
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, "utf-8", "surrogateescape")
    return file


def document(*proposals: Proposal, found: Found | None = None) -> str:
    """The document of some proposals."""
    section = Section("What was found", found or Found(proposals))
    return render(Survey("gannet", NOW, [section]))


def uncommented(text: str) -> str:
    """The document with every offer in force: prose has one space behind its #."""
    return re.sub(r"^#(?! \S|$)", "", text, flags=re.MULTILINE)


def loaded(text: str) -> Settings:
    """A document as the daemon would read it. Raises ConfigError."""
    return check_document(known_model(), tomllib.loads(text), Secrets.NEEDED).settings


def usable(text: str) -> Settings:
    """The settings of a document that can be used as it is, and with every offer in force."""
    loaded(uncommented(text))
    return loaded(text)


def value_of(proposal: Proposal, name: str) -> Value:
    """The value of one key of a proposal."""
    (found,) = [key.value for key in proposal.keys if key.name == name]
    return found
