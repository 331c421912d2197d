"""Which guest has a backup, on the page and in the API: the answer of the command."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer

from tests.inventory.places import known
from tests.planning.houses import HOUSE
from tests.support import readstore
from tests.web.conftest import Client, FixedClock, app_of
from tests.web.planning.test_capacity import HOSTILE
from watchkeeper.inventory.backups import backups
from watchkeeper.inventory.planner import HostPlanner, HostReader
from watchkeeper.model.probe_state import JobReport, MemoryJobReports, restore_of
from watchkeeper.planning.backups import BackupsAnswer, summary
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.backups_json import backups_form
from watchkeeper.web.planning.planner import Nowhere


@pytest.fixture
async def asked(tmp_path: Path, workers: ThreadWorkers) -> AsyncIterator[tuple[Client, BackupsAnswer]]:
    """A page over the host of the planning tests with one backup, which was restored; and the command's answer."""
    (tmp_path / "1.img").write_bytes(b"image")
    files: dict[str, object] = {"kind": "snapshots", "name": "nightly", "files": [f"{tmp_path}/*"], "max_age": "36000d"}
    settings = known(files | {"backup_of": ["hide-hub"]})
    host = replace(HOUSE, at=readstore.NOW, guests=(*HOUSE.guests, GuestNow(HOSTILE)))
    host = replace(host, volumes=(GuestNow("volume hub-data", disks=(Disk("/srv/hub"),)),))
    reports = MemoryJobReports()
    await reports.record(JobReport(restore_of("nightly"), readstore.NOW - timedelta(days=30)))
    bench = ProbeContext(FixedClock(), workers, job_reports=reports)

    async def look(*_: object) -> HostNow:
        return host

    planner = HostPlanner(settings, readstore.calm(), bench, HostReader(look))
    client: Client = TestClient(TestServer(app_of(readstore.calm(), planner=planner)))
    await client.start_server()
    yield client, await backups(settings, host, bench)
    await client.close()


async def test_page_and_api_answer_as_the_command_does(asked: tuple[Client, BackupsAnswer]) -> None:
    """With the age, the place, and the last proven restore; a name with markup in it is text."""
    client, answer = asked
    told = await (await client.get("/api/v1/backups")).json()
    assert told == {"host": "gannet"} | backups_form(answer)
    (copy,) = next(each for each in told["guests"] if each["name"] == "hide-hub")["copies"]
    assert copy["restored_at"] == "2026-10-26T07:24:11.000Z"
    markup = await (await client.get("/backups")).text()
    text = unescape(markup)
    assert summary(answer) in text
    assert "last proven restore 2026-10-26" in text
    assert text.count("last proven restore 2026-10-26") == 1
    assert "no restore of it was ever reported" not in text, "said of what has no backup"
    for guest in answer.guests:
        assert guest.reasons[0][:60] in text
    assert "Volumes of containers" in text
    assert "volume hub-data" in text
    assert [each["name"] for each in told["volumes"]] == ["volume hub-data"]
    assert [each["name"] for each in told["stores"]] == [each.key.subject for each in HOUSE.stores]
    assert "<script>alert" not in markup
    assert markup.index("&lt;script&gt;") < markup.index("<bdi>hide-hub</bdi>"), "what lacks one comes first"


async def test_without_a_look() -> None:
    """503 where the host cannot be looked at now."""
    client: Client = TestClient(TestServer(app_of(readstore.calm(), planner=Nowhere())))
    await client.start_server()
    assert (await client.get("/backups")).status == 503
    assert (await client.get("/api/v1/backups")).status == 503
    await client.close()
