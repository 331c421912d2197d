"""deploy/install against an installed configuration of the first version, in a mount namespace of its own.

The whole installation, under systemd in a virtual machine: tests/host/test_install.py.
"""

import re
import subprocess
import sys
from pathlib import Path

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
mount -t tmpfs machine /opt
cp -a /etc "$1/etc" 2>/dev/null || true  # without what only the real root may read
mkdir -p "$1/etc/watchkeeper" && mount --bind "$1/etc" /etc
cp "$1/config.toml" /etc/watchkeeper/config.toml
# The release is built already, so that this needs neither a network nor minutes.
. deploy/files && places admin && home=$HOME_IN
eval "$(sed -n '/^version=/,/^release=/p' deploy/install)"
mkdir -p "$release/bin" && ln -s "$2" "$release/bin/watchkeeper" && touch "$release/.whole"
list() { find /opt /etc /run /usr/local -printf '%p %l %T@\\n' | sort; }
list >"$1/before"
status=0
deploy/install >"$1/said" 2>&1 || status=$?
list >"$1/after"
exit "$status"
"""

FORBIDDEN = ("systemctl", "systemd-sysusers", "systemd-tmpfiles", "journalctl")


def test_old_keys_are_refused_before_anything_changes(tmp_path: Path) -> None:
    """Each old key is printed with its line and the edit. No file is written, and no service is touched."""
    (tmp_path / "config.toml").write_text(OLD)
    programs = tmp_path / "bin"
    programs.mkdir()
    for name in FORBIDDEN:
        (programs / name).write_text(f'#!/bin/sh\necho {name} >>"{tmp_path}/called"\n')
        (programs / name).chmod(0o755)
    environment = {"PATH": f"{programs}:/usr/sbin:/usr/bin:/sbin:/bin", "PYTHON": sys.executable}
    watchkeeper = Path(sys.executable).with_name("watchkeeper")
    done = subprocess.run(
        [*namespace(), "sh", "-euc", MACHINE, "sh", tmp_path, watchkeeper],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    said = (tmp_path / "said").read_text() if (tmp_path / "said").exists() else done.stderr
    assert done.returncode == 78, said
    assert re.findall(r"in line (\d+) write (\S+) instead of (\S+)", " ".join(said.split())) == [
        ("2", "max_size", "most"),
        ("4", "heartbeat", "alive"),
        ("9", "depends_on", "rests_on"),
    ]
    assert "does not accept /etc/watchkeeper/config.toml (see above). Nothing was changed" in said
    assert (tmp_path / "after").read_text() == (tmp_path / "before").read_text()
    assert not (tmp_path / "called").exists()
