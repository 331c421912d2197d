"""Who runs replaced files, by the paths that systemd gives control groups, and what puts the new files into use."""

import os

import pytest

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition
from watchkeeper.privileged import commands
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.software.old_libraries import (
    Group,
    OldLibrariesProbe,
    OldLibrariesSettings,
    condition,
    runner,
)


def group(path: str, *files: str) -> Group:
    """A control group whose processes run these files."""
    return Group(group=path, program="tide-log", processes=1, files=list(files or ("/usr/lib/libtide.so.3",)))


@pytest.mark.parametrize(
    ("path", "name", "restart", "user"),
    [
        ("/system.slice/tide-log.service", "tide-log.service", "tide-log.service", ""),
        ("/system.slice/system-getty.slice/getty@tty1.service", "getty@tty1.service", "getty@tty1.service", ""),
        ("/system.slice/mail.service/worker/2", "mail.service", "mail.service", ""),
        ("/system.slice/dbus.service", "dbus.service", "", ""),
        ("/init.scope", "service manager", "", ""),
        ("/user.slice/user-1000.slice/session-3.scope", "session of user 1000", "", ""),
        ("/user.slice/user-1000.slice/user@1000.service/init.scope", "service manager of user 1000", "", ""),
        (
            "/user.slice/user-1000.slice/user@1000.service/app.slice/sync.service",
            "sync.service of user 1000",
            "sync.service",
            "1000",
        ),
        ("/machine.slice/machine-qemu\\x2d1.scope", "guest tide-log (machine-qemu\\x2d1.scope)", "", ""),
        ("/", "tide-log", "", ""),
        ("/system.slice/$(reboot).service", "tide-log", "", ""),
    ],
)  # fmt: skip
def test_who_runs_it(path: str, name: str, restart: str, user: str) -> None:
    """Units of the system and of users, sessions, guests, the service managers, and what none of them started."""
    found = runner(group(path))
    assert (found.name, found.restart, found.user) == (name, restart, user)
    assert bool(found.advice) == (not found.restart)


def test_the_condition_has_the_command() -> None:
    """One for the host, with what to type; what must not be restarted is not in the command."""
    seen = condition([
        group("/system.slice/tide-log.service", "/usr/lib/libtide.so.3", *(f"/usr/lib/lib{n}.so" for n in range(4))),
        group("/system.slice/ringing-db.service"),
        group("/system.slice/dbus.service"),
        group("/user.slice/user-1000.slice/user@1000.service/app.slice/sync.service"),
        group("/user.slice/user-1000.slice/session-3.scope"),
        group("/user.slice/user-1000.slice/session-4.scope"),
        group("/init.scope"),
    ])  # fmt: skip
    assert not seen.ok
    assert seen.reason.startswith(
        "replaced by an update, but still in use by tide-log.service (lib0.so, lib1.so, lib2.so and 2 more), ringing-db"
    )
    assert seen.reason.endswith("session of user 1000 (libtide.so.3) and 1 more")
    assert [fact for fact in seen.facts if fact[0] in ("restart them", "restart them as user 1000", "then")] == [
        ("restart them", "sudo systemctl restart ringing-db.service tide-log.service"),
        ("restart them as user 1000", "systemctl --user restart sync.service"),
        ("then", "restart the host for dbus.service"),
        ("then", "sudo systemctl daemon-reexec"),
        ("then", "user 1000 logs in again"),
    ]
    assert ("ringing-db.service", "libtide.so.3") in seen.facts


async def test_the_answer_of_root(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing replaced is OK; what is no answer is an error that names the remedy."""
    said = [b"[]"]
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(commands, "collect", lambda _: [Result("python", Completed(0, each)) for each in said])
    probe = OldLibrariesProbe(OldLibrariesSettings(), bench)
    (seen,) = await probe.observe()
    assert isinstance(seen, Condition)
    assert seen.ok
    for nonsense in (b"", b"{}", b'[{"group": "/"}]', b'[{"group": 5, "program": "", "processes": 1, "files": []}]'):
        said[0] = nonsense
        with pytest.raises(ProbeError, match="install the same version of both"):
            await probe.observe()
    said.clear()
    with pytest.raises(ProbeError):
        await probe.observe()
