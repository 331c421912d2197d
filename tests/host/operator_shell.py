"""An operator of the machine: a user with sudo and a clone of this repository, who types what the manual says.

Earlier versions have these instructions in their README.
"""

import re
import shlex
import shutil
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.host.machine import HERE, Failed, Machine, cache
from tests.host.station import COPYING_PYTHON, EVENTS, PAGE, ROOT, WHEELS, Station, download

FIRST = "6b91b51"
"""The commit that is version 0.1.0."""

CHECKOUT = "/home/keeper/watchkeeper"
ORIGIN = "/home/keeper/origin.git"

MANUAL = "watchkeeper/manual/installation.md"
"""How the service is installed, upgraded and removed."""

NOTES = "/root/notes"
"""Files in the machine that one test leaves for the next."""

INSTALL_S = 1800.0
"""An emulated machine installs 45 packages in two to ten minutes."""

PASSED_OVER = (
    *("/proc", "/sys", "/dev", "/run", "/tmp", "/var/tmp", "/var/log", "/var/cache"),  # nothing permanent
    *("/var/lib/postfix", "/var/spool/postfix"),  # the machine's mail server creates files when it delivers
    *(CHECKOUT, NOTES, str(Path(EVENTS).parent)),
)
"""Where the host itself and the tests leave files."""

Blocks = list[list[str]]
"""The lines of each block of commands."""


def section(text: str, heading: str) -> str:
    """The text between a heading and the next one, of any level."""
    # In a block, a line that begins with # is a comment.
    block = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
    marked = block.sub(lambda found: re.sub(r"^#", "\0", found[0], flags=re.MULTILINE), text)
    parts = re.split(r"^#{2,} (.+)$", marked, flags=re.MULTILINE)
    below = [said for title, said in zip(parts[1::2], parts[2::2], strict=True) if title == heading]
    assert len(below) == 1, f"there are {len(below)} headings {heading!r}"
    return below[0].replace("\0", "#")


def commands(text: str, heading: str) -> Blocks:
    """The `sh` blocks of a section."""
    blocks = re.findall(r"^```sh\n(.*?)^```$", section(text, heading), flags=re.MULTILINE | re.DOTALL)
    return [[line for line in block.splitlines() if line.strip()] for block in blocks]


def instructions(commit: str = "") -> str:
    """How to install: the current manual, or that of a commit, or the commit's README if it has no manual."""
    if not commit:
        return (ROOT / MANUAL).read_text(encoding="utf-8")
    has_manual = git(ROOT, "ls-tree", "--name-only", commit, MANUAL).strip()
    return git(ROOT, "show", f"{commit}:{MANUAL if has_manual else 'README.md'}")


def git(folder: Path, *words: str) -> str:
    """What git prints. The author is the suite's own, whatever this user's settings are."""
    name = ("-c", "user.name=keeper", "-c", "user.email=keeper@gannet.example", "-c", "commit.gpgsign=false")
    return subprocess.run(["git", "-C", folder, *name, *words], capture_output=True, text=True, check=True).stdout


def origin(folder: Path) -> Path:
    """A bare repository in the folder: this one's history, and on top of it the current working tree."""
    tree, bare = folder / "tree", folder / "origin.git"
    git(folder, "clone", "--quiet", "--no-hardlinks", str(ROOT), str(tree))
    git(tree, "checkout", "--quiet", "-B", "main")
    for name in git(tree, "ls-files", "-z").split("\0")[:-1]:
        (tree / name).unlink()
    for name in git(ROOT, "ls-files", "-z", "--cached", "--others", "--exclude-standard").split("\0")[:-1]:
        if (ROOT / name).is_file():
            (tree / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, tree / name)
    git(tree, "add", "--all")
    git(tree, "commit", "--quiet", "--allow-empty", "--message", "The current working tree")
    git(folder, "clone", "--quiet", "--bare", "--no-local", str(tree), str(bare))
    return bare


def quick(lines: Sequence[str]) -> list[str]:
    """The same commands, but scripts of root make new environments by copying one."""
    return [re.sub(r"^sudo (?=\S*deploy/)", f"sudo PYTHON={COPYING_PYTHON} ", line) for line in lines]


@dataclass
class Operator:
    """Types in a terminal of the machine."""

    station: Station

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.station.machine

    def set_up(self, folder: Path) -> None:
        """Give a new machine its user, a clone of this repository, pinned packages, and a webhook receiver.

        folder: on this host, for the repository to clone from.
        """
        machine, packages = self.machine, cache() / "packages"
        download(packages, git(ROOT, "show", f"{FIRST}:deploy/lock/run.txt").encode())
        machine.put(packages, WHEELS)
        machine.put(origin(folder), ORIGIN)
        machine.put(HERE / "inside", "/usr/local/lib/station")
        hook = f"[Service]\nExecStart=/usr/bin/python3 /usr/local/lib/station/hook.py 9017 {EVENTS}\n"
        machine.write("/etc/systemd/system/hook.service", f"{hook}[Install]\nWantedBy=multi-user.target\n")
        # The machine has no network: pip takes the pinned packages from a folder, as from a mirror of the index.
        machine.write("/etc/pip.conf", f"[global]\nno-index = true\nfind-links = {WHEELS}\n")
        machine.write("/etc/sudoers.d/keeper", "keeper ALL=(ALL) NOPASSWD: ALL\n")
        machine.run(
            f"rm -f {WHEELS}/watchkeeper-*.whl && mkdir -p /var/lib/hook && systemctl daemon-reload"
            f" && systemctl enable -q --now hook && chown -R keeper: {ORIGIN}"
            f" && runuser -l keeper -c 'git clone -q {ORIGIN} {CHECKOUT}' && mkdir {NOTES}"
        )
        self._list("before")

    def attempt(self, lines: Sequence[str], given: str = "", timeout_s: float = 300) -> tuple[int, str]:
        """Type lines in the checkout, up to the first that fails: its status, and everything that was printed.

        given: what is typed when a command reads from the terminal.
        """
        typed = f"cd {CHECKOUT} && exec bash -e -o pipefail -c {shlex.quote(chr(10).join(lines))}"
        begin = f"printf %s {shlex.quote(given)} | runuser -l keeper -c {shlex.quote(typed)} 2>&1; s=$?; echo; echo $s"
        said, _, status = self.station.machine.run(begin, timeout_s).rstrip().rpartition("\n")
        return int(status), said.rstrip()

    def run(self, lines: Sequence[str], given: str = "", timeout_s: float = 300) -> str:
        """The same, but all lines must succeed. What was printed."""
        status, said = self.attempt(lines, given, timeout_s)
        if status != 0:
            raise Failed(f"{lines}: status {status}\n{said}")
        return said

    def run_timed(self, what: str, lines: Sequence[str]) -> str:
        """Type lines, and note how long they took. What was printed."""
        began = time.monotonic()
        said = self.run(lines, timeout_s=INSTALL_S)
        self.station.note(f"{what}: {time.monotonic() - began:.0f} s")
        return said

    def unit_property(self, name: str) -> str:
        """A property of the service's unit."""
        return self.machine.run(f"systemctl show -p {name} --value watchkeeper").strip()

    def page_answers(self) -> bool:
        """Does the page answer?"""
        return self.machine.works(f"systemctl is-active -q watchkeeper && curl -sf -m 30 -o /dev/null {PAGE}/")

    def assert_running(self) -> None:
        """The newest version runs as the permanent user, will start with the host, and its page answers."""
        assert self.page_answers()
        assert (self.unit_property("Type"), self.unit_property("UnitFileState")) == ("notify", "enabled")
        assert self.machine.run(f"ps -o user:20= -p {self.unit_property('MainPID')}").strip() == "watchkeeper"
        assert self.machine.works("grep -q ^watchkeeper: /etc/passwd")

    def changed_files(self, *besides: str) -> tuple[list[str], list[str]]:
        """What has appeared since before the first install, and what is gone; a changed path is in both.

        besides: places where changes do not count.
        """
        self._list("now")
        both = f"LC_ALL=C comm -{{}}3 {NOTES}/before {NOTES}/now | cut -d' ' -f1"
        appeared, gone = (self.machine.run(both.format(column)).splitlines() for column in (1, 2))
        return [each for each in appeared if not each.startswith(besides)], gone

    def _list(self, name: str) -> None:
        """Write a list of every file of the host, with mode, owner and the target of a link."""
        leave = " -o ".join(f"-path {place}" for place in PASSED_OVER)
        find = f"find / \\( {leave} \\) -prune -o -printf '%p %M %u:%g %l\\n'"
        self.machine.run(f"{find} | LC_ALL=C sort >{NOTES}/{name}", 300)
