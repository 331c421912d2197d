"""What changed before an alert began, on the page of its subject."""

from dataclasses import replace
from datetime import timedelta

from tests.support import readstore
from tests.support.readstore import NOW
from tests.web.conftest import Open
from watchkeeper.model.alert import State
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.observation import SeriesKey


async def test_an_active_alert_lists_what_changed_before_it(page: Open) -> None:
    """Nearest first, without what came later or long before; names are escaped; an alert that is over lists nothing."""
    store = readstore.full()
    alert = next(each for each in store.raised if each.standing and each.raised_at is not None)
    assert alert.raised_at is not None
    began = alert.raised_at
    store.changed = [
        Change(began - timedelta(hours=3), ChangeKind.PACKAGE, "openssl", "upgraded", "from 3.0.9 to 3.0.11"),
        Change(began - timedelta(hours=2), ChangeKind.MOUNT, "/mnt/<b>", "unmounted"),
        Change(began - timedelta(days=2), ChangeKind.PACKAGE, "old", "removed"),
        Change(NOW + timedelta(days=9), ChangeKind.PACKAGE, "later", "removed"),
    ]
    client = await page(store)
    path = f"/subjects/{next(s.id for s in store.all_series if s.key == alert.key)}"
    text = await (await client.get(path)).text()
    begin = text.index("Changed in the 24 hours before it began")
    shown = text[begin : text.index("</details>", begin)]
    assert shown.index("mount /mnt/&lt;b&gt; unmounted") < shown.index("package openssl upgraded")
    assert "old" not in shown
    assert "later" not in shown
    assert "Not necessarily the cause." in shown
    store.raised = [replace(each, state=State.NORMAL, priority=None) for each in store.raised]
    store.version += 1
    assert "Changed in the 24 hours" not in await (await client.get(path)).text()


async def test_a_card_and_a_chart_have_what_changed(page: Open) -> None:
    """The card has the nearest three and a link to more; the chart a mark for each, with its words escaped."""
    store = readstore.filling()
    pool = SeriesKey("pool skerry", "space")
    (alert,) = [each for each in store.raised if each.key == pool]
    assert alert.raised_at is not None
    store.changed = [
        Change(alert.raised_at - timedelta(hours=hour), ChangeKind.MOUNT, f"/mnt/<{hour}>", "unmounted")
        for hour in (1, 2, 3, 4, 30)
    ]
    client = await page(store)
    board = await (await client.get("/")).text()
    card = board[board.index("Changed in the 24 hours before") :]
    assert [f"/mnt/&lt;{hour}&gt;" in card[:900] for hour in (1, 2, 3, 4)] == [True, True, True, False]
    number = next(s.id for s in store.all_series if s.key == pool)
    assert f'<a href="/subjects/{number}#alerts">1 more</a>' in card
    subject = await (await client.get(f"/subjects/{number}?span=10d")).text()
    assert subject.count('class="mark-of"') == 2 * 5  # in the narrow picture and in the wide one
    assert "<title>" in subject
    assert "mount /mnt/&lt;30&gt; unmounted" in subject
    assert "<30>" not in subject
    assert "What changed in this period: 5" in subject
    assert 'class="mark-of"' not in await (await client.get(f"/subjects/{number}?since=5m")).text()
