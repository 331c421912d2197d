"""Upgrades with a configuration of the first version, in a private mount namespace: they are refused with the edits.

A whole installation, under systemd in a virtual machine: tests/host/test_install.py.
"""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.station import namespace

ROOT = Path(__file__).parents[2]

OLD = """[store]
most = "1 GiB"

[alive]
every = "10m"

[[probe]]
kind = "memory"
rests_on = ["pool skerry"]
"""

MACHINE = """
mount -t tmpfs machine /run && mkdir -p /run/systemd/system
for folder in /opt /usr/local/bin /var/backups; do mount -t tmpfs machine $folder; done
[ ! -d /usr/local/share/man ] || mount -t tmpfs machine /usr/local/share/man
mkdir "$1/etc"
for name in passwd group nsswitch.conf alternatives; do
    [ ! -e /etc/$name ] || cp -a /etc/$name "$1/etc"
done
cp /etc/ld.so.* "$1/etc" 2>/dev/null || true
mount --bind "$1/etc" /etc
mkdir /etc/watchkeeper && cp "$1/config.toml" /etc/watchkeeper/config.toml
. deploy/files && places admin && home=$HOME_IN
{built}
list() {{ find /opt /etc /run /usr/local -printf '%p %l %T@\\n' | sort; }}
list >"$1/before"
status=0
{upgrade} >"$1/said" 2>&1 || status=$?
list >"$1/after"
exit "$status"
"""

RELEASE = """eval "$(sed -n '/^version=/,/^release=/p' deploy/install)"
mkdir -p "$release/bin" && ln -s "$2" "$release/bin/watchkeeper" && touch "$release/.whole"
"""
"""The release is built already, so that this needs neither a network nor minutes."""

UNPACKED = """mkdir -p "$home/.venv/bin" && ln -s "$2" "$home/.venv/bin/watchkeeper"
printf '#!/bin/sh\\necho "$*" >>"%s/called"\\n' "$1" >"$home/.venv/bin/python" && chmod 755 "$home/.venv/bin/python"
"""

PROGRAMS = ("systemctl", "systemd-sysusers", "systemd-tmpfiles", "journalctl", "deb-systemd-helper")


def upgrade(folder: Path, configuration: str, built: str, command: str) -> tuple[int, str]:
    """Run an upgrade on a machine with this configuration: its exit status, and what it printed.

    PROGRAMS only write their names into the file `called`.
    """
    (folder / "config.toml").write_text(configuration)
    (folder / "bin").mkdir()
    for name in PROGRAMS:
        (folder / "bin" / name).write_text(f'#!/bin/sh\necho {name} >>"{folder}/called"\n')
        (folder / "bin" / name).chmod(0o755)
    done = subprocess.run(
        [*namespace(), "sh", "-euc", MACHINE.format(built=built, upgrade=command), "sh", folder,
         Path(sys.executable).with_name("watchkeeper")],
        cwd=ROOT, env={"PATH": f"{folder}/bin:/usr/sbin:/usr/bin:/sbin:/bin", "PYTHON": sys.executable},
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    printed = folder / "said"
    return done.returncode, printed.read_text() if printed.exists() else done.stderr


@pytest.mark.parametrize(
    ("built", "command", "status", "reason"),
    [
        (
            RELEASE,
            "deploy/install",
            78,
            "config-0.2.0.toml (see above). The installed version and its configuration are",
        ),
        (
            UNPACKED,
            "sh deploy/debian/postinst configure 0.1.0",
            1,
            "config.toml (see above). The service was not restarted",
        ),
    ],
    ids=["install", "package"],
)
def test_old_keys_are_refused_before_anything_changes(
    tmp_path: Path, built: str, command: str, status: int, reason: str
) -> None:
    """Each old key is printed with its line and the edit. No service is touched; only a copy to edit is written."""
    ended, printed = upgrade(tmp_path, OLD, built, command)
    assert ended == status, printed
    assert re.findall(r"in line (\d+) write (\S+) instead of (\S+)", " ".join(printed.split())) == [
        ("2", "max_size", "most"),
        ("4", "heartbeat", "alive"),
        ("9", "depends_on", "rests_on"),
    ]
    assert f"does not accept /etc/watchkeeper/{reason}" in printed
    before, after = (set((tmp_path / each).read_text().splitlines()) for each in ("before", "after"))
    assert {each.split()[0] for each in before ^ after} == (
        {"/etc/watchkeeper", "/etc/watchkeeper/config-0.2.0.toml"} if command == "deploy/install" else set()
    )
    assert not (tmp_path / "called").exists()


EDITS = "sed -e s/most/max_size/ -e s/alive/heartbeat/ -e s/rests_on/depends_on/ "
WITH_EDITS = RELEASE + (
    f'mkdir -p "$home/.venv/bin" && {EDITS} /etc/watchkeeper/config.toml >/etc/watchkeeper/config-0.2.0.toml\n'
)


def test_the_edited_copy_is_put_in_place_with_the_new_version(tmp_path: Path) -> None:
    """Until then the installed version can start with its own file, which is kept for a roll-back."""
    kept = 'cp /etc/watchkeeper/config.toml "$1/now"; cp /var/backups/watchkeeper/config-before-0.2.0.toml "$1/kept"'
    ended, printed = upgrade(tmp_path, OLD, WITH_EDITS, f"{{ deploy/install && {kept}; }}")
    assert ended == 0, printed
    assert "config-0.2.0.toml is now /etc/watchkeeper/config.toml" in printed
    assert (tmp_path / "kept").read_text() == OLD
    now = (tmp_path / "now").read_text()
    assert "max_size" in now
    assert "rests_on" not in now


@pytest.mark.parametrize(("before", "configuration"), [("0.1.0", ""), ("", OLD)], ids=["upgrade", "first"])
def test_a_package_restarts_the_service_otherwise(tmp_path: Path, before: str, configuration: str) -> None:
    """If the configuration is accepted. A first installation does not ask: no service runs that could be lost."""
    ended, printed = upgrade(tmp_path, configuration, UNPACKED, f"sh deploy/debian/postinst configure '{before}'")
    assert (ended, printed) == (0, "")
    called = (tmp_path / "called").read_text().splitlines()
    assert called[-2:] == ["systemctl", "systemctl"]
    assert called[0] == "-I -m compileall -q /opt/watchkeeper/.venv/lib", "before a service that may not write there"
