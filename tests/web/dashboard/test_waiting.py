"""The event log's page lists messages that wait for delivery."""

from dataclasses import replace

from tests.support import readstore
from tests.support.readstore import NOW
from tests.web.conftest import Open


async def test_messages_that_wait(page: Open) -> None:
    """With the receiver and why; at most twenty, and how many more; none where nothing waits."""
    store = readstore.filling()
    text = await (await (await page(store)).get("/events")).text()
    assert '<h2 id="waiting">Messages that wait</h2>' in text
    assert "not delivered after 2 tries, next one Wed 25 Nov 09:24: connection refused" in text
    store.open_deliveries = [replace(readstore.delivery(NOW), id=n) for n in range(25)]
    assert "<p>And 5 more.</p>" in await (await (await page(store)).get("/events")).text()
    assert "Messages that wait" not in await (await (await page(readstore.calm())).get("/events")).text()
    assert "Messages that wait" not in await (await (await page(store)).get("/events?before=3")).text()
