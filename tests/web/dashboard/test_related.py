"""What is around a subject on its page: what depends on it, and which of its parts grew most."""

from collections.abc import Sequence

from aiohttp.test_utils import TestClient, TestServer

from tests.support import readstore
from tests.support.readstore import GIB, ReadStoreDouble
from tests.web.conftest import Client, Open, app_of
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Sample

POOL = SeriesKey("pool skerry", "space")


def parts(store: ReadStoreDouble) -> None:
    """Datasets of the pool: one grew much, one a little, one shrank, one a grain, and one belongs to another pool."""
    now_s = store.now.timestamp()
    grown = {"nest-cams": 400.0, "tide-log": 12.0, "hide-hub": -30.0, "ringing-db": 0.01, "other": 900.0}
    for name, more in grown.items():
        key = SeriesKey(f"dataset skerry/{name}", "data")
        whole = POOL if name != "other" else SeriesKey("pool stack", "space")
        store.add(Level(key, (500 + more) * GIB, 2_048 * GIB, part_of=whole), None)
        days = range(14, -1, -1)
        store.history[key] = [Sample(now_s - d * 86_400, (500 + more * (14 - d) / 14) * GIB, None) for d in days]


async def test_the_biggest_growers_stand_on_the_page(page: Open) -> None:
    """The parts that grew are named with how much, the biggest first; what explains nothing is left out."""
    store = readstore.filling()
    parts(store)
    client = await page(store)
    pool = next(s for s in store.all_series if s.key == POOL)
    text = await (await client.get(f"/subjects/{pool.id}")).text()
    around = text[text.index("What grew most") : text.index("</section>", text.index("What grew most"))]
    assert around.index("nest-cams") < around.index("tide-log")
    assert "400 GiB more" in around
    assert "12 GiB more" in around
    around = around[: around.find("What depends on it")]
    assert not any(name in around for name in ("hide-hub", "ringing-db", "other"))
    calm = await (await client.get("/subjects/1")).text()
    assert "What grew most" not in calm


async def test_what_depends_on_it_is_on_the_page() -> None:
    """Each subject that depends on it is a link, once; one that has no series yet is none."""
    store = readstore.filling()

    def resting(subject: str) -> Sequence[str]:
        return ("guest hide-hub", "guest hide-hub", "guest heron") if subject == "pool skerry" else ()

    client: Client = TestClient(TestServer(app_of(store, resting=resting)))
    await client.start_server()
    try:
        pool = next(s for s in store.all_series if s.key == POOL)
        guest = next(s for s in store.all_series if s.key.subject == "guest hide-hub")
        text = await (await client.get(f"/subjects/{pool.id}")).text()
        around = text[text.index("What depends on it") :]
        assert around.count(f'href="/subjects/{guest.id}"') == 1
        assert "heron" not in text
        assert "What depends on it" not in await (await client.get(f"/subjects/{guest.id}")).text()
    finally:
        await client.close()
