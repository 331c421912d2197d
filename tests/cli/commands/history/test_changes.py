"""`changes` shows what changed, from the database."""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.support.readstore import NOW
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.store import Store

CHANGES = [
    Change(NOW - timedelta(days=9), ChangeKind.KERNEL, "the running kernel", "changed", "from 6.1.0-26 to 6.1.0-27"),
    Change(NOW - timedelta(hours=5), ChangeKind.PACKAGE, "openssl", "upgraded", "from 3.0.9 to 3.0.11"),
    Change(NOW - timedelta(hours=5), ChangeKind.PACKAGE, "zlib1g", "upgraded", "from 1 to 2"),
    Change(
        NOW - timedelta(hours=2),
        ChangeKind.GUEST,
        "ringing-db",
        "enlarged",
        "from 1 to 2 vCPUs",
        NOW - timedelta(hours=3),
    ),
]


@pytest.fixture
def recorded(config: Path) -> Path:
    """A database with changes."""
    path = config.with_name("watchkeeper.db")

    async def fill() -> None:
        async with await Store.open(path) as store:
            await store.change_log.record(CHANGES)

    asyncio.run(fill())
    return path


@pytest.mark.usefixtures("recorded")
def test_the_newest_is_last(run: Run) -> None:
    """A week by default; those of one sort are one line."""
    result = run("changes")
    assert result.exit_code == 0
    assert " ".join(result.stdout.split()) == (
        "Wed 25 Nov 02:24 2 packages upgraded: zlib1g, openssl "
        "Wed 25 Nov 04:24 to guest ringing-db enlarged from 1 to 2 vCPUs Wed 25 Nov 05:24"
    )


@pytest.mark.usefixtures("recorded")
def test_by_kind_and_time(run: Run) -> None:
    """As JSON, one object a line, oldest first."""
    lines = run("changes", "--since", "30d", "--kind", "kernel", "--kind", "guest", "--json").stdout.splitlines()
    first, second = map(json.loads, lines)
    assert first == {
        "at": "2026-11-16T07:24:11.000Z",
        "not_before": None,
        "kind": "kernel",
        "what": "the running kernel",
        "action": "changed",
        "detail": "from 6.1.0-26 to 6.1.0-27",
    }
    assert second["not_before"] == "2026-11-25T04:24:11.000Z"
    assert "2 packages" in run("changes", "--limit", "3").stdout
    assert "packages" not in run("changes", "--limit", "1").stdout


def test_nothing_and_no_database(run: Run, config: Path) -> None:
    """Each is said."""
    assert run("changes").exit_code == 66

    async def make() -> None:
        async with await Store.open(config.with_name("watchkeeper.db")):
            pass

    asyncio.run(make())
    assert run("changes").stdout == "No change is recorded since then.\n"
