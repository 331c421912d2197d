"""`events` shows what has happened, filters it and follows it."""

import asyncio
import json
import signal
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run, fill
from tests.support.readstore import NOW, ReadStoreDouble
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Commit, Entry, EventLine
from watchkeeper.store import Store

POOL, GUEST = SeriesKey("pool skerry", "space"), SeriesKey("guest tide-log", "state")


def line(days_ago: float, text: str, entry: Entry = Entry.TRANSITION, key: SeriesKey | None = POOL) -> EventLine:
    """A line of the journal."""
    return EventLine(NOW - timedelta(days=days_ago), entry, text, key)


@pytest.fixture
def journal(config: Path) -> Path:
    """A database with a journal. Returns its path."""
    double = ReadStoreDouble()
    double.lines = [
        line(400, "monitoring started, with an empty database", Entry.START, None),
        line(9, "pool skerry full in about 6 days"),
        line(3, "guest tide-log faulty since 07:24", key=GUEST),
        line(2, "mail: delivered", Entry.DELIVERY, None),
        line(0.5, "ended: pool skerry no longer filling"),
    ]
    path = config.with_name("watchkeeper.db")
    fill(path, double)
    return path


@pytest.mark.usefixtures("journal")
def test_the_newest_stands_last(run: Run) -> None:
    """A journal is read downwards; each line begins with its instant, and the year where it is not plain."""
    result = run("events")
    assert result.exit_code == 0
    assert [" ".join(row.split()) for row in result.stdout.splitlines()] == [
        "Tue 21 Oct 2025 07:24 start: monitoring started, with an empty database",
        "Mon 16 Nov 07:24 pool skerry full in about 6 days",
        "Sun 22 Nov 07:24 guest tide-log faulty since 07:24",
        "Mon 23 Nov 07:24 delivery: mail: delivered",
        "Tue 24 Nov 19:24 ended: pool skerry no longer filling",
    ]


@pytest.mark.usefixtures("journal")
@pytest.mark.parametrize(
    ("args", "found"),
    [
        (["--subject", "SKERRY"], [2, 5]),
        (["--subject", "tide"], [3]),
        (["--subject", "nothing"], []),
        (["--since", "4d"], [3, 4, 5]),
        (["--since", "2026-11-22"], [3, 4, 5]),
        (["--since", "2026-11-22 07:25"], [4, 5]),
        (["--since", "2026-11-22T09:25+02:00"], [4, 5]),
        (["--since", "9999999d"], [1, 2, 3, 4, 5]),
        (["--limit", "2"], [4, 5]),
        (["--entry", "delivery"], [4]),
        (["--entry", "transition", "--since", "1w", "--limit", "1"], [5]),
    ],
)
def test_it_is_filtered(run: Run, args: list[str], found: list[int]) -> None:
    """Filters join; the limit counts what is left of the newest."""
    result = run("events", "--json", *args)
    assert [json.loads(row)["id"] for row in result.stdout.splitlines()] == found


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["--since", "soon"], '"soon" is not a time; write how long ago (2d), a day'),
        (["--limit", "0"], "0 is not in the range x>=1"),
        (["--entry", "party"], "'party' is not one of"),
        (["--sbject", "x"], "No such option '--sbject'"),
    ],
)
def test_wrong_use_is_exit_code_64(run: Run, args: list[str], told: str) -> None:
    """What cannot be meant is told on stderr, before anything is read."""
    result = run("events", *args)
    assert (result.exit_code, result.stdout) == (64, "")
    assert told in result.stderr


def test_a_limit_reaches_past_a_page(run: Run, config: Path) -> None:
    """Lines about one subject are found among thousands about others."""
    double = ReadStoreDouble()
    double.lines = [line(1, f"guest {n}", key=GUEST if n % 300 == 0 else POOL) for n in range(1201)]
    fill(config.with_name("watchkeeper.db"), double)
    result = run("events", "--json", "--subject", "tide-log", "--limit", "4")
    assert [json.loads(row)["text"] for row in result.stdout.splitlines()] == [
        f"guest {n}" for n in (300, 600, 900, 1200)
    ]


def test_it_follows_until_it_is_stopped(config: Path, journal: Path) -> None:
    """What is written meanwhile comes out once and at once; Ctrl-C is its usual end."""
    command = [sys.executable, "-m", "watchkeeper", "--config", str(config), "events", "--follow", "--json"]
    process = subprocess.Popen(
        [*command, "--subject", "skerry"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        assert [json.loads(process.stdout.readline())["id"] for _ in range(2)] == [2, 5]
        more = Commit(events=(line(0, "guest", key=GUEST), line(0, "pool skerry full in about 2 days")))

        async def write() -> None:
            async with await Store.open(journal) as store:
                await store.commit(more)

        asyncio.run(write())
        assert json.loads(process.stdout.readline())["id"] == 7
        process.send_signal(signal.SIGINT)
        assert process.communicate(timeout=20) == ("", "")
        assert process.returncode == 0
    finally:
        process.kill()
        process.wait(30)


def test_a_reader_that_leaves_ends_it_quietly(config: Path) -> None:
    """`events | head -1` leaves no complaint on the terminal."""
    double = ReadStoreDouble()
    double.lines = [line(1, "pool skerry " + "x" * 200) for _ in range(2000)]
    fill(config.with_name("watchkeeper.db"), double)
    command = f"'{sys.executable}' -m watchkeeper --config '{config}' events --limit 2000 --json"
    script = f"{command} | head -1 >/dev/null; echo ${{PIPESTATUS[0]}}"
    result = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert (result.stdout, result.stderr) == ("0\n", "")


def test_an_instant_without_a_zone_is_the_hosts(run: Run, config: Path, journal: Path) -> None:
    """The operator thinks in the time of the host's clock."""
    assert journal.exists()
    config.write_text(config.read_text().replace('name = "gannet"', 'time_zone = "Europe/Helsinki"'))
    rows = run("events", "--json", "--since", "2026-11-23 09:24").stdout.splitlines()
    assert datetime.fromisoformat(json.loads(rows[0])["at"]) == NOW - timedelta(days=2)
    assert "Mon 23 Nov 09:24" in run("events").stdout
