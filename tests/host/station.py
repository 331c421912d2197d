"""The machine with watchkeeper installed: how it is installed, and what the tests read from it."""

import email.policy
import hashlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from email import message_from_bytes
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from tests.host.machine import HERE, RIG, Failed, Machine, cache

ROOT = HERE.parent.parent
LOCK = ROOT / "deploy" / "lock" / "run.txt"
BUILD_LOCK = ROOT / "deploy" / "lock" / "build.txt"
UNITS = ROOT / "deploy" / "systemd"

PROGRAM = "/opt/watchkeeper/.venv/bin/watchkeeper"
CONFIG = "/etc/watchkeeper/config.toml"
EVENTS = "/var/lib/hook/events"
PAGE = "http://127.0.0.1:8417"

WHEELS = "/var/cache/wheels"
"""In the machine: the pinned packages."""
COPYING_PYTHON = "/usr/local/lib/station/copying-python"
"""In the machine: a Python that makes new environments by copying /var/cache/environment, which has these packages."""
PIP = f"pip install --quiet --disable-pip-version-check --no-index --find-links {WHEELS}"

PLATFORMS = ("manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64")
"""What Debian 12 can run."""

ALONE = """
watch_host = false

[host]
name = "gannet"
time_zone = "UTC"

[grouping]
flood = 1000
flood_ends = 1000

[rules.not_reporting]
intervals = 100

[rules.faulty]
on_delay = "0s"

[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:9017/"
"""
"""A configuration without probes."""

Event = dict[str, Any]


def build(folder: Path) -> None:
    """Put a wheel of this checkout into the folder, and the packages that it needs, for Debian 12's Python 3.11."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("watchkeeper-*.whl"):
        old.unlink()
    _pip("wheel", "--no-deps", "--no-build-isolation", "-w", str(folder), str(ROOT))
    download(folder, LOCK.read_bytes())
    download(folder, BUILD_LOCK.read_bytes())


def download(folder: Path, lock: bytes) -> None:
    """Put the pinned packages of a lock file into the folder, once."""
    stamp = folder / f".{_version(lock)}"
    if stamp.exists():
        return
    target = ["--python-version", "3.11", "--implementation", "cp"]
    target += [word for platform in PLATFORMS for word in ("--platform", platform)]
    with tempfile.NamedTemporaryFile(suffix=".txt") as file:
        file.write(lock)
        file.flush()
        words = ("--dest", str(folder), "--only-binary=:all:", "--no-deps", "--require-hashes", "-r", file.name)
        _pip("download", *words, *target)
    stamp.touch()


def _pip(*words: str) -> None:
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    subprocess.run([*pip, *words], check=True, timeout=900)


def _version(*parts: bytes) -> str:
    return hashlib.sha256(b"\0".join(parts)).hexdigest()[:16]


def boot(machine: Machine) -> None:
    """Boot a new machine that has the pinned packages, as wheels and in an environment that can be copied.

    rig/environment makes that outside the machine, which needs ten minutes and more if it is emulated. Saved too.
    """
    build(cache() / "packages")
    name = f"packages.{_version(LOCK.read_bytes(), BUILD_LOCK.read_bytes())}"
    if machine.has_saved(name):
        machine.up("--from", name)
        return
    machine.up()
    machine.put(cache() / "packages", WHEELS)
    machine.put(environment(), "/root/environment.tar")
    machine.run(f"rm {WHEELS}/watchkeeper-*.whl && tar -C / -xf /root/environment.tar && rm /root/environment.tar", 600)
    machine.save(name)


def environment() -> Path:
    """The packed environment with the pinned packages of this lock file."""
    packed = cache() / f"environment.{_version(LOCK.read_bytes())}.tar"
    if not packed.exists():
        for old in cache().glob("environment.*"):
            old.unlink()
        subprocess.run([RIG / "environment", LOCK, cache() / "packages", packed], check=True, timeout=1900)
    return packed


def lay_out(machine: Machine) -> None:
    """Boot a machine whose stores are laid out. The result is saved too."""
    layout = HERE / "inside" / "layout.sh"
    parts = (
        LOCK.read_bytes(),
        BUILD_LOCK.read_bytes(),
        layout.read_bytes(),
        os.environ.get("HOST_RIG_DISKS", "").encode(),
    )
    name = f"stores.{_version(*parts)}"
    if machine.has_saved(name):
        build(cache() / "packages")
        machine.up("--from", name)
        return
    boot(machine)
    machine.put(layout, "/root/layout.sh")
    machine.run("bash /root/layout.sh", timeout_s=600)
    machine.save(name)


def install(machine: Machine, config: Path = HERE / "station.toml") -> None:
    """Install this checkout's wheel and units as the manual does, and two receivers: a webhook and a mailbox."""
    (wheel,) = (cache() / "packages").glob("watchkeeper-*.whl")
    machine.put(wheel, f"{WHEELS}/{wheel.name}")
    machine.put(HERE / "inside", "/usr/local/lib/station")
    machine.run(
        f"mkdir -p /opt/watchkeeper && cd /opt/watchkeeper && {COPYING_PYTHON} -m venv .venv"
        f" && .venv/bin/{PIP} --no-deps {WHEELS}/{wheel.name}",
        timeout_s=600,
    )
    machine.put(UNITS, "/root/units")
    machine.put(config, CONFIG)
    machine.run("bash /usr/local/lib/station/install.sh /root/units")


BOOT_ID = "/proc/sys/kernel/random/boot_id"


def show_boot_id(container: Machine) -> None:
    """Let the service see the container's own boot id: it is a mount below /proc, which the unit's /proc does not have.

    In a machine there is nothing to do: that file is the kernel's.
    """
    copy = f"[Service]\nType=oneshot\nExecStart=/bin/sh -c 'cat {BOOT_ID} >/run/boot-id'\n"
    when = "[Unit]\nBefore=watchkeeper.service\n[Install]\nWantedBy=watchkeeper.service\n"
    container.write("/etc/systemd/system/boot-id.service", copy + when)
    drop_in = f"[Service]\nBindReadOnlyPaths=/run/boot-id:{BOOT_ID}\n"
    container.write("/etc/systemd/system/watchkeeper.service.d/container.conf", drop_in)
    container.run("systemctl daemon-reload && systemctl enable -q --now boot-id")


@dataclass
class Station:
    """The machine with watchkeeper running in it."""

    machine: Machine
    notes: list[str] = field(default_factory=list)

    def start(self) -> None:
        """Start the daemon as a service that starts with the machine, and wait for its page."""
        self.machine.run("systemctl enable --now watchkeeper", timeout_s=300)
        self.wait_until("the page", self.page_answers, 240)

    def start_empty(self) -> None:
        """Start the daemon with an empty database, as on a new host."""
        self.machine.run("systemctl stop watchkeeper && rm -rf /var/lib/watchkeeper/*")
        self.start()

    def page_answers(self) -> bool:
        """Does the page answer? Fails if the daemon has died, because it would never answer then."""
        lines = self.machine.run("systemctl show -p ActiveState,NRestarts watchkeeper").splitlines()
        state = dict(line.split("=", 1) for line in lines)
        log = "journalctl -u watchkeeper -n 40 --no-pager -q"
        assert (state["ActiveState"] == "failed", state["NRestarts"]) == (False, "0"), self.machine.run(log)
        return state["ActiveState"] == "active" and self.machine.works(f"curl -sf -o /dev/null {PAGE}/")

    def get(self, path: str) -> Any:
        """What the API answers."""
        return json.loads(self.machine.run(f"curl -sf '{PAGE}{path}'"))

    def findings(self) -> dict[tuple[str, str], Event]:
        """The current finding of every series, by subject and quantity, without those about missing samples."""
        items = self.get("/api/v1/findings")["items"]
        return {(each["subject"], each["quantity"]): each for each in items if each["concern"] != "not_reporting"}

    def series(self) -> set[tuple[str, str]]:
        """Subject and quantity of every series that was ever observed."""
        return {(each["subject"], each["quantity"]) for each in self.get("/api/v1/quantities")["items"]}

    def latest(self, beginning: str) -> dict[tuple[str, str], Any]:
        """The newest observation of every series whose subject begins so, by subject and quantity."""
        items = self.get("/api/v1/quantities")["items"]
        ids = " ".join(str(each["id"]) for each in items if each["subject"].startswith(beginning))
        lines = self.machine.run(f"for id in {ids}; do curl -sf {PAGE}/api/v1/quantities/$id; echo; done").splitlines()
        found = map(json.loads, filter(None, lines))
        return {(each["subject"], each["quantity"]): each["latest"] for each in found if each["latest"]}

    def start_guest(self, name: str, *disks: str) -> None:
        """Start a guest whose boot sector halts it (cli, hlt), so that it takes no time, unless it runs already.

        disks: devices that are its disks, instead of an image of its own; the first one gets the boot sector.
        """
        image = disks[0] if disks else f"/srv/mirror/{name}.img"
        sector = rf"printf '\xfa\xf4\xeb\xfd' | dd of={image} conv=notrunc status=none"
        sector += rf" && printf '\x55\xaa' | dd of={image} bs=1 seek=510 conv=notrunc status=none"
        made = sector if disks else f"truncate -s 1M {image} && {sector}"
        begin = f"{made} && bash /usr/local/lib/station/guest.sh {name} {' '.join(disks or (image,))}"
        self.machine.run(f"systemctl is-active -q guest-{name} || {{ {begin}; }}")

    def run_json(self, words: str, config: str = CONFIG, timeout_s: float = 300) -> tuple[int, Any]:
        """Run a command of watchkeeper with --json as root: its exit code, and the object that it prints."""
        command = f"{PROGRAM} --config {config} {words} --json"
        said, _, code = self.machine.run(f"{command}; code=$?; echo; echo $code", timeout_s).rstrip().rpartition("\n")
        if not said.strip():
            raise Failed(
                f"{command}: exit code {code}, and nothing printed\n{self.machine.run(f'{command} 2>&1; true')}"
            )
        return int(code), json.loads(said)

    def seed(self, plan: Mapping[str, object]) -> None:
        """Create a database with a history (inside/feed.py)."""
        path = f"/run/feed-{Path(str(plan['database'])).stem}.json"
        self.machine.write(path, json.dumps(plan))
        python = PROGRAM.replace("bin/watchkeeper", "bin/python")
        feed = f"{python} /usr/local/lib/station/feed.py {path}"
        self.machine.run(f"rm -rf '{plan['database']}'* && {feed}", timeout_s=300)

    @contextmanager
    def monitoring(self, probes: str) -> Iterator[None]:
        """The daemon with these probes alone: an emulated machine cannot do much more in ten seconds."""
        machine = self.machine
        machine.run(f"cp {CONFIG} /root/before.toml; systemctl stop watchkeeper")
        try:
            machine.write(CONFIG, ALONE + probes)
            self.start()
            yield
        finally:
            machine.run(f"cp /root/before.toml {CONFIG}; systemctl restart watchkeeper")

    @contextmanager
    def daemon_stopped(self) -> Iterator[None]:
        """Stop the daemon meanwhile: stores may come, fill and go, and nothing is reported."""
        self.machine.put(HERE / "inside", "/usr/local/lib/station")
        self.machine.run("systemctl stop watchkeeper")
        try:
            yield
        finally:
            self.start()

    def events(self, subject: str = "", concern: str = "", quantity: str = "") -> list[Event]:
        """What the webhook received, oldest first."""
        lines = self.machine.run(f"cat {EVENTS} 2>/dev/null || true").splitlines()
        events = [json.loads(line)["data"] for line in lines]
        return [
            each
            for each in events
            if subject in {"", each["subject"]}
            and concern in {"", each["concern"]}
            and quantity in {"", each["quantity"]}
        ]

    def mails(self) -> list[EmailMessage]:
        """The operator's mailbox, which the machine's own mail server fills (mbox)."""
        text = self.machine.run("cat /var/mail/keeper 2>/dev/null || true")
        parts = [f"From {part}" for part in f"\n{text}".split("\nFrom ")[1:]]
        found = []
        for part in parts:
            mail = message_from_bytes(part.partition("\n")[2].encode(), policy=email.policy.default)
            assert isinstance(mail, EmailMessage)
            found.append(mail)
        return found

    def note(self, line: str) -> None:
        """Record a figure, to be printed at the end of the run."""
        self.notes.append(line)

    def wait_until(
        self,
        what: str,
        true: Callable[[], object],
        within_s: float,
        every_s: float = 4.0,
        lacks: Callable[[], object] = list,
    ) -> None:
        """Wait until something is true. Fails with what it lacks, the last messages, and the daemon's log."""
        end = time.monotonic() + within_s
        while not true():
            if time.monotonic() > end:
                events = [(e["at"], e.get("kind"), e["headline"]) for e in self.events()][-20:]
                log = self.machine.run(
                    "systemctl status --no-pager watchkeeper || true; journalctl -n 30 --no-pager -q"
                )
                raise AssertionError(f"{what} did not come within {within_s:.0f} s: {lacks()}\n{events}\n{log}")
            time.sleep(every_s)

    def message(
        self, subject: str, concern: str, telling: str, after: float, within_s: float, quantity: str = ""
    ) -> Event:
        """Wait for the first such event after an instant of the machine's clock."""
        found: list[Event] = []

        def come() -> bool:
            found[:] = [
                each
                for each in self.events(subject, concern, quantity)
                if each["kind"] == telling and instant(each["at"]) >= after
            ]
            return bool(found)

        self.wait_until(f"{concern} of {subject} {telling}", come, within_s)
        return found[0]


def instant(text: str) -> float:
    """RFC 3339 as seconds since 1970."""
    return datetime.fromisoformat(text).timestamp()
