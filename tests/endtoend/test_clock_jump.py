"""The wall clock of a whole daemon jumps by 60 days, with libfaketime; its monotonic clock does not."""

import os
import shutil
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.needs import need
from tests.support.receivers import Hook, Service
from tests.support.waiting import until
from watchkeeper.daemon.startup_clock import keeps_time

pytestmark = pytest.mark.untraced

CONFIG = (
    base()
    + """
[rules.chattering]
raises = 1000
[rules.not_answering]
warning = "1s"
alarm = "never"
[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
timeout = "1s"
[[probe]]
kind = "job"
name = "tide-log"
every = "1s"
within = "2d"
[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


@pytest.mark.timeout(300)
def test_a_jump_makes_nothing_overdue_and_leaves_no_sample(tmp_path: Path) -> None:
    """60 days ahead and back, and 2038: a real alert is sent meanwhile, and no other; no sample has a wrong time.

    Nor has a job's report, although the process that leaves it sees the same wall clock.

    A probe is late after two minutes here, not after three seconds: the loaded machine may pause for as long as that,
    and the jumps are of 60 days and more.
    """
    need(shutil.which("faketime"), "faketime is not installed")
    need(not keeps_time(), "the kernel says that its clock is synchronized, and libfaketime does not change that")
    hook, service, rate = Hook(), Service(), tmp_path / "faketime"
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, hook=hook.url, service=service.url))
    rate.write_text("+0d")
    library = next(Path("/usr/lib").rglob("libfaketimeMT.so.1"))
    fake = {
        "LD_PRELOAD": str(library),
        "FAKETIME_TIMESTAMP_FILE": str(rate),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    process = subprocess.Popen(command(config), stdout=subprocess.PIPE, text=True, env={**os.environ, **fake})

    def told() -> list[tuple[str, str]]:
        return [(each["data"]["subject"], each["data"]["kind"]) for each in hook.events]

    def report(message: str) -> None:
        ran = [*command(config)[:-1], "ran", "tide-log", "--message", message]
        reported = subprocess.run(
            ran, check=False, timeout=60, capture_output=True, text=True, env={**os.environ, **fake}
        )
        assert reported.returncode == 0, reported.stderr

    def reported() -> tuple[str, float]:
        with closing(sqlite3.connect(tmp_path / "watchkeeper.db")) as opened:
            ((said, at_us),) = opened.execute("SELECT message, at_us FROM job_reports").fetchall()
        return said, at_us / 1e6

    with Daemon(process) as daemon:
        report("before")
        time.sleep(3)
        port = service.port
        for shown in ("+60d", "-60d", "+4050d"):
            raised, ended = (told().count(("service hide-hub", kind)) for kind in ("raised", "ended"))
            rate.write_text(shown)
            service.close()
            until(f"the alert at {shown}", lambda n=raised: told().count(("service hide-hub", "raised")) > n)  # type: ignore[misc]
            service = Service(port)
            report(shown)
            until(f"the job's report at {shown}", lambda said=shown: said in reported()[0])  # type: ignore[misc]
            assert abs(reported()[1] - time.time()) < 60, f"a job reported at {shown}"
            until(f"its end at {shown}", lambda n=ended: told().count(("service hide-hub", "ended")) > n)  # type: ignore[misc]
        rate.write_text("+0d")
        time.sleep(3)
        assert daemon.stop() == 0
    service.close()
    hook.close()
    assert {subject for subject, _ in told()} <= {"service hide-hub", "clock of this host"}
    with closing(sqlite3.connect(tmp_path / "watchkeeper.db")) as opened:
        ((first, last),) = opened.execute("SELECT min(at_ms), max(at_ms) FROM samples").fetchall()
    now_ms = time.time() * 1_000
    assert now_ms - 600_000 < first <= last < now_ms + 60_000
