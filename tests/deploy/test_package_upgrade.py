"""A Debian package of 0.1.0 is upgraded to this version by dpkg itself. On purpose alone (PACKAGE_TESTS=1).

dpkg runs in an overlay of this machine's own root, in a mount namespace of its own: what it installs and what its
scripts change is in memory and ends with the test. No systemd runs there: the service under it is tested in tests/host.
The old package is built from the repository's history.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.needs import need

ROOT = Path(__file__).parents[2]
OLD = "6b91b510310d5d5864dfdf6d66b6dd7885f991e8"
"""A commit of version 0.1.0 whose package can be built."""

pytestmark = [
    pytest.mark.skipif(
        os.environ.get("PACKAGE_TESTS") != "1" or shutil.which("dpkg-deb") is None,
        reason="builds Debian packages on purpose alone: PACKAGE_TESTS=1 deploy/check tests/deploy",
    ),
    pytest.mark.timeout(3_600),
]

OUTSIDE = """
set -eu
mount --make-rprivate /
mount -t tmpfs -o size=2g none "$1/over"
cd "$1/over"
mkdir changed work root
mount -t overlay none -o lowerdir=/,upperdir=changed,workdir=work root
mount -t proc none root/proc
mount -t tmpfs none root/tmp
mount -t tmpfs none root/run
mount --rbind /dev root/dev
mount --make-rslave root/dev
cp "$1"/packages/*.deb "$1/inside" root/tmp/
exec chroot root sh /tmp/inside
"""

INSIDE = r"""
set -u
config=/etc/watchkeeper/config.toml
package() {
    env -i PATH="$PATH" DEBIAN_FRONTEND=noninteractive dpkg --force-confdef --force-confold "$@" 2>&1
    echo "status: $? $(dpkg-query -W -f '${Status} ${Version}' watchkeeper)"
}
service() { # as the unit runs it: as its user, until the page is there and it is asked to stop
    setpriv --reuid watchkeeper --regid watchkeeper --clear-groups \
        env WATCHKEEPER_PAGE__PORT=0 watchkeeper --config $config run >/tmp/said 2>&1 &
    for _ in $(seq 600); do
        grep -q http:// /tmp/said && break
        sleep 0.2
    done
    kill -TERM $!
    wait $!
    echo "service: $?"
}
echo "== old"
package --install /tmp/watchkeeper_0.1.0_*.deb
cat >>$config <<end
[store]
path = "/var/lib/watchkeeper/watch.db"
journal = "1825d"
[rules.silent]
warning = "5m"
end
install -d -o watchkeeper -g watchkeeper /var/lib/watchkeeper
service
rm /tmp/watchkeeper_0.1.0_*.deb
echo "== refused"
package --install /tmp/watchkeeper_*.deb
echo "== corrected"
sed -i 's/^journal = /events = /; s/rules\.silent/rules.not_answering/' $config
package --configure watchkeeper
service
watchkeeper --config $config events
echo "== unchanged"
cat $config
dpkg --verify watchkeeper
echo "== purged"
package --purge watchkeeper
ls -d /etc/watchkeeper /var/lib/watchkeeper /opt/watchkeeper /usr/bin/watchkeeper 2>&1
id watchkeeper 2>&1
"""


def built(checkout: Path, packages: Path) -> None:
    """Build the package of a checkout."""
    argv = [checkout / "deploy/package", packages]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=1_500)
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both packages."""
    found = subprocess.run(["git", "-C", ROOT, "cat-file", "-e", OLD], capture_output=True, check=False, timeout=60)
    need(found.returncode == 0, "needs the history of the repository (git fetch --unshallow)")
    folder, old = tmp_path_factory.mktemp("packages"), tmp_path_factory.mktemp("old")
    archive = subprocess.run(["git", "-C", ROOT, "archive", OLD], capture_output=True, check=True, timeout=60).stdout
    subprocess.run(["tar", "-x", "-C", old], input=archive, check=True, timeout=60)
    built(old, folder)
    built(ROOT, folder)
    return folder


@pytest.fixture(scope="module")
def said(packages: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What was printed in each part of the upgrade."""
    need(os.geteuid() == 0, "needs root, for a mount namespace and dpkg")
    folder = tmp_path_factory.mktemp("upgrade")
    (folder / "over").mkdir()
    (folder / "packages").symlink_to(packages)
    (folder / "inside").write_text(INSIDE, encoding="utf-8")
    argv = ["unshare", "--mount", "sh", "-c", OUTSIDE, "sh", str(folder)]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=900)
    parts = re.split(r"^== (\w+)\n", done.stdout, flags=re.MULTILINE)[1:]
    assert parts, done.stderr
    return dict(zip(parts[::2], parts[1::2], strict=True))


def test_a_configuration_that_is_not_accepted_is_named_with_each_edit(said: dict[str, str]) -> None:
    """The old version ran; the new one is unpacked, keeps the file, and says what to write and what to run then."""
    assert "status: 0 install ok installed 0.1.0" in said["old"]
    assert "service: 0" in said["old"]
    assert "status: 1 install ok half-configured 0.2.0" in said["refused"]
    assert re.search(r"store\.journal: .* write events instead of journal", said["refused"])
    assert re.search(r"rules\.silent: .* write not_answering instead of silent", said["refused"])
    assert "then run: dpkg --configure watchkeeper" in said["refused"]


def test_after_the_edits_the_service_goes_on_with_its_record(said: dict[str, str]) -> None:
    """The events of 0.1.0 are before its own, and no file but the operator's differs from the package's."""
    corrected = said["corrected"]
    assert "status: 0 install ok installed 0.2.0" in corrected
    assert "service: 0" in corrected
    events = [line.split(": ", 1)[1] for line in corrected.splitlines() if re.search(r" (start|stop): ", line)]
    assert events[0].endswith("with an empty database")
    assert events[2:] == ["monitoring started", "monitoring stopped"]
    changed = [line for line in said["unchanged"].splitlines() if re.match(r"[?.\w]{9} ", line)]
    assert [line.split()[-1] for line in changed if "/usr/share/" not in line] == ["/etc/watchkeeper/config.toml"]
    assert 'path = "/var/lib/watchkeeper/watch.db"' in said["unchanged"]


def test_a_purge_leaves_nothing(said: dict[str, str]) -> None:
    """Neither files nor the user."""
    assert said["purged"].count("No such file or directory") == 4
    assert "no such user" in said["purged"]
