"""The thread that copies, and what the daemon reports of it, in this process with a real server."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.archive.copying import assert_equal
from tests.store.material import START, level, samples
from tests.support.house import House
from tests.support.postgres import Server
from watchkeeper.archive import worker
from watchkeeper.clock import Clock
from watchkeeper.config.tables.archive import ArchiveSettings
from watchkeeper.config.types import SecretSource
from watchkeeper.daemon.archive_copy import ArchiveCopy
from watchkeeper.daemon.archive_requests import ArchiveRequests
from watchkeeper.model.observation import Condition, Deadline
from watchkeeper.model.records import Commit
from watchkeeper.runtime.runner import Runner
from watchkeeper.store import Store


async def becomes(true: Callable[[], bool]) -> None:
    """Wait for something, at most 60 s, while the store goes on working."""
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110  of a thread, which sets no event
            await asyncio.sleep(0.05)


async def reported(copy: ArchiveCopy) -> tuple[Deadline, Condition]:
    """What its probe observes."""
    lag, access = await copy.observe()
    assert isinstance(lag, Deadline)
    assert isinstance(access, Condition)
    return lag, access


async def test_it_copies_reports_errors_and_goes_on(
    path: Path, archive: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No file with the address, then a wrong server, then the right one, then samples of a clock that was set back."""
    monkeypatch.setattr(worker, "AGAIN_S", 0.1)
    monkeypatch.setattr(worker, "LONGEST_WAIT_S", 0.2)
    url = tmp_path / "url"
    async with await Store.open(path) as store:
        await store.commit(samples(100))
        source = SecretSource(file=url)
        house = House()
        requests = ArchiveRequests(Runner(house.pipeline, ()), accepted=False)
        settings = ArchiveSettings(url=source, every=1.0)
        copy = await ArchiveCopy.begin(settings, source, store, "gannet", Clock(), requests)
        try:
            progress = copy._worker
            await becomes(lambda: progress.progress.refused)
            lag, access = await reported(copy)
            assert not access.ok
            assert "archive.url cannot be read from" in access.reason
            assert lag.last_at is None
            url.write_text(f"dbname=watchkeeper host={tmp_path}")
            await becomes(lambda: bool(progress.progress.error) and not progress.progress.refused)
            lag, access = await reported(copy)
            assert access.ok
            assert dict(lag.facts)["cause"].startswith("the archive watchkeeper on")
            url.write_text(archive.address(user="watchkeeper_host_gannet"))
            await becomes(lambda: progress.progress.complete_at is not None)
            assert_equal(path, archive)
            await store.commit(Commit(seen=(level(7.0, START),)))
            copied = "SELECT count(*) FROM watchkeeper.samples WHERE value = 7"
            await becomes(lambda: archive.query(copied) == [(2,)])
            lag, access = await reported(copy)
            assert access.ok
            assert not lag.facts
            assert lag.last_at is not None
            assert copy.watched().interval_s == 60.0
        finally:
            await copy.stop()
        assert (await store.replication.installation()) == (await store.replication.installation())
        assert_equal(path, archive)
