"""Units of users who linger: the helper's list, and what is made of its answers."""

import json
import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.probes.toolbox import Toolbox
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Unseen
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.systemd.user_units import UserUnitsProbe, UserUnitsSettings

IDS = {"ringer": 2001, "warden": 2002}


class People:
    """The users of the test in place of the machine's: pwd(3)."""

    @staticmethod
    def getpwnam(name: str) -> SimpleNamespace:
        """A user's numbers. Raises KeyError."""
        return SimpleNamespace(pw_uid=IDS[name], pw_gid=IDS[name] + 100)


@pytest.fixture
def users(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Two users who linger, beside names that are none and one who was deleted; and the right to ask as root.

    The stand-in for setpriv(1) stays who it is: the test may run as anybody.
    """
    folder = tmp_path / "linger"
    folder.mkdir()
    for name in ("warden", "ringer", "deleted", "--help", "Not A User", "a" * 40):
        (folder / name).touch()
    monkeypatch.setattr(commands, "LINGER", folder)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(commands, "pwd", People)
    toolbox = Toolbox(tmp_path, monkeypatch)
    toolbox.put("setpriv", 'shift 3; exec "$@"')
    return toolbox


def test_who_is_asked(users: Toolbox) -> None:
    """Only users that exist, each as that user, with the folder of that user's manager."""
    users.put("setpriv", f'echo "$1 $2 $3 $5" >> {users.folder}/asked; shift 3; exec "$@"')
    users.put("systemctl", f'echo "$*" >> {users.folder}/words; echo "[]"')
    assert [each.target for each in commands.collect("user-units")] == ["ringer", "warden"]
    assert sorted((users.folder / "asked").read_text().splitlines()) == [
        "--reuid=2001 --regid=2101 --clear-groups XDG_RUNTIME_DIR=/run/user/2001",
        "--reuid=2002 --regid=2102 --clear-groups XDG_RUNTIME_DIR=/run/user/2002",
    ]
    assert all(line.startswith("--user list-units ") for line in (users.folder / "words").read_text().splitlines())


async def test_units_that_failed(bench: ProbeContext, users: Toolbox) -> None:
    """By user, with their names; what is excluded does not count."""
    rows = [{"unit": f"sync-{n}.service"} for n in range(7)]
    users.put("setpriv", f"case $1 in *2002) echo '{json.dumps(rows)}';; *) echo '[]';; esac")
    seen = await UserUnitsProbe(UserUnitsSettings(exclude=("sync-6*",)), bench).observe()
    conditions = {each.key.subject: each for each in seen if isinstance(each, Condition)}
    assert conditions["user ringer"].ok
    assert conditions["user warden"].reason == (
        "failed: sync-0.service, sync-1.service, sync-2.service, sync-3.service, sync-4.service and 1 more"
    )


async def test_a_manager_that_does_not_answer(bench: ProbeContext, users: Toolbox) -> None:
    """Of its units nothing can be told; those of others are."""
    users.put("setpriv", 'case $1 in *2002) echo "Failed to connect to bus" >&2; exit 1;; esac; echo "[]"')
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
