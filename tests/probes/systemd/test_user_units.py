"""Units of users who linger: the helper's list, and what is made of its answers."""

import json
import os
from pathlib import Path

import pytest

from tests.probes.toolbox import Toolbox
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Unseen
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.systemd.user_units import UserUnitsProbe, UserUnitsSettings


@pytest.fixture
def users(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Two users who linger, beside names that are none; and the right to ask as root."""
    folder = tmp_path / "linger"
    folder.mkdir()
    for name in ("warden", "ringer", "--help", "Not A User", "a" * 40):
        (folder / name).touch()
    monkeypatch.setattr(commands, "LINGER", folder)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Toolbox(tmp_path, monkeypatch)


def test_who_is_asked(users: Toolbox) -> None:
    """Only names of users reach a command line, each with its own manager."""
    users.put("systemctl", f'echo "$*" >> {users.folder}/asked; echo "[]"')
    assert [each.target for each in commands.collect("user-units")] == ["ringer", "warden"]
    asked = (users.folder / "asked").read_text().splitlines()
    assert sorted(line.split()[-1] for line in asked) == ["--machine=ringer@.host", "--machine=warden@.host"]
    assert all("--user" in line.split() for line in asked)


async def test_units_that_failed(bench: ProbeContext, users: Toolbox) -> None:
    """By user, with their names; what is excluded does not count."""
    rows = [{"unit": f"sync-{n}.service"} for n in range(7)]
    users.answers("systemctl", [("warden", json.dumps(rows)), ("ringer", "[]")])
    seen = await UserUnitsProbe(UserUnitsSettings(exclude=("sync-6*",)), bench).observe()
    conditions = {each.key.subject: each for each in seen if isinstance(each, Condition)}
    assert conditions["user ringer"].ok
    assert conditions["user warden"].reason == (
        "failed: sync-0.service, sync-1.service, sync-2.service, sync-3.service, sync-4.service and 1 more"
    )


async def test_a_manager_that_does_not_answer(bench: ProbeContext, users: Toolbox) -> None:
    """Of its units nothing can be told; those of others are."""
    users.put("systemctl", 'case "$*" in *warden*) echo "Failed to connect to bus" >&2; exit 1;; esac; echo "[]"')
    seen = await UserUnitsProbe(UserUnitsSettings(), bench).observe()
    assert [each.what for each in seen if isinstance(each, Unseen)] == ["units of user warden"]
    assert [each.key.subject for each in seen if isinstance(each, Condition)] == ["user ringer"]


async def test_nobody_lingers(
    bench: ProbeContext, users: Toolbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then the probe says what to do; without the helper as well."""
    assert users.folder.exists()
    monkeypatch.setattr(commands, "LINGER", tmp_path / "gone")
    with pytest.raises(ProbeError, match="no user has lingering enabled"):
        await UserUnitsProbe(UserUnitsSettings(), bench).observe()
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PrivilegeMissing, match="no helper listens"):
        await UserUnitsProbe(UserUnitsSettings(helper=tmp_path / "none.sock"), bench).observe()
