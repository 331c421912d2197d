"""A job's check-in over HTTP: with its own token it counts, without one nothing is told."""

from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer

from tests.support.readstore import NOW, ReadStoreDouble
from tests.web.conftest import ISLAND, Client, FixedClock, FixedVitals
from watchkeeper.config.types import SecretSource
from watchkeeper.core.remembered import CheckIn, LastCheckIns, PassingCheckIns
from watchkeeper.errors import StoreError
from watchkeeper.web.app import make_app
from watchkeeper.web.checkin import Jobs
from watchkeeper.web.sessions import Throttle
from watchkeeper.web.settings import PageSettings, Reading

JOB, TOKEN = "nightly-backup", "a-token-of-the-job"
BEARER = {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """The file that holds the job's token."""
    path = tmp_path / "token"
    path.write_text(f"{TOKEN}\n")
    return path


@pytest.fixture
def kept() -> PassingCheckIns:
    """Where check-ins are kept."""
    return PassingCheckIns()


@pytest.fixture
async def client(secret: Path, kept: PassingCheckIns) -> AsyncIterator[Client]:
    """A page behind a proxy's path that knows one job."""
    clock = FixedClock(NOW)
    jobs = Jobs({JOB: SecretSource(file=secret)}, kept, Throttle(clock))
    settings = PageSettings(prefix="/watch")
    app = make_app(ReadStoreDouble(), settings, clock, FixedVitals(), "gannet", ISLAND, jobs=jobs)
    async with TestClient(TestServer(app)) as client:
        yield client


async def test_a_job_checks_in(client: Client, kept: PassingCheckIns) -> None:
    """With nothing but its token: a job that ran has no more to say."""
    answer = await client.post(f"/checkin/{JOB}", headers=BEARER)
    assert (answer.status, await answer.text()) == (204, "")
    assert await kept.last(JOB) == LastCheckIns(CheckIn(JOB, NOW))


async def test_a_job_says_that_it_failed(client: Client, kept: PassingCheckIns) -> None:
    """In a line of its own words, and under the proxy's path too."""
    form = {"failed": "1", "said": "the disk\nis full"}
    assert (await client.post(f"/watch/checkin/{JOB}", headers=BEARER, data=form)).status == 204
    assert await kept.last(JOB) == LastCheckIns(None, CheckIn(JOB, NOW, failed=True, said="the disk is full"))


@pytest.mark.parametrize(
    ("job", "authorization"),
    [
        (JOB, ""), (JOB, "Bearer"), (JOB, "Bearer wrong"), (JOB, f"Basic {TOKEN}"), (JOB, f"Bearer {TOKEN}x"),
        ("tide-log", f"Bearer {TOKEN}"), ("tide-log", "Bearer "), (JOB, "Bearer \xff"),
    ],
)  # fmt: skip
async def test_without_its_token_nothing_is_told(
    client: Client, kept: PassingCheckIns, job: str, authorization: str
) -> None:
    """A job that is not there and a wrong token get the same answer."""
    answer = await client.post(f"/checkin/{job}", headers={"Authorization": authorization})
    assert answer.status == 401
    assert (await answer.json())["detail"] == "There is no such job here, or this is not its token."
    assert await kept.last(JOB) == LastCheckIns()


async def test_a_token_that_is_guessed_at(client: Client) -> None:
    """After a few wrong ones there is a wait, and even the right one is not looked at."""
    for _ in range(20):
        await client.post(f"/checkin/{JOB}", headers={"Authorization": "Bearer guess"})
    answer = await client.post(f"/checkin/{JOB}", headers=BEARER)
    assert answer.status == 429
    assert int(answer.headers["Retry-After"]) >= 1


async def test_checking_in_often_is_no_guessing(client: Client) -> None:
    """A job that runs every minute is never made to wait."""
    assert {(await client.post(f"/checkin/{JOB}", headers=BEARER)).status for _ in range(40)} == {204}


@pytest.mark.parametrize("spoil", [Path.unlink, lambda path: path.write_text("")], ids=["gone", "empty"])
async def test_a_token_that_cannot_be_read(client: Client, secret: Path, spoil: Callable[[Path], object]) -> None:
    """The keeper must mend that; the answer does not show the file's place."""
    spoil(secret)
    answer = await client.post(f"/checkin/{JOB}", headers=BEARER)
    assert answer.status == 503
    assert str(secret) not in await answer.text()


async def test_a_form_that_makes_no_sense(client: Client) -> None:
    """What is meant must be plain; another kind of body is not read."""
    assert (await client.post(f"/checkin/{JOB}", headers=BEARER, data={"failed": "perhaps"})).status == 400
    assert (await client.post(f"/checkin/{JOB}", headers=BEARER, json={"failed": True})).status == 415
    assert (await client.post(f"/checkin/{JOB}", headers=BEARER, data={"said": "x" * 20_000})).status == 413
    assert (await client.post(f"/checkin/{JOB}", headers=BEARER, data={"failed": "no"})).status == 204


async def test_looking_is_not_checking_in(client: Client, kept: PassingCheckIns) -> None:
    """A GET never acts."""
    assert (await client.get(f"/checkin/{JOB}", headers=BEARER)).status == 405
    assert await kept.last(JOB) == LastCheckIns()


async def test_a_page_from_elsewhere_is_not_obeyed(client: Client, kept: PassingCheckIns) -> None:
    """A browser that is led here brings no token, and is turned away before that matters."""
    answer = await client.post(f"/checkin/{JOB}", headers={**BEARER, "Origin": "http://elsewhere.test"})
    assert answer.status == 403
    assert await kept.last(JOB) == LastCheckIns()


class FullStore(PassingCheckIns):
    """A store without room."""

    async def record(self, check_in: CheckIn) -> None:
        del check_in
        raise StoreError("no room")


async def test_a_store_that_cannot_keep_it(secret: Path) -> None:
    """The job is told, and may try again. A private page takes check-ins as well: the token is the key."""
    clock = FixedClock(NOW)
    jobs = Jobs({JOB: SecretSource(file=secret)}, FullStore(), Throttle(clock))
    settings = PageSettings(reading=Reading.PASSWORD, password=SecretSource(file=secret))
    app = make_app(ReadStoreDouble(), settings, clock, FixedVitals(), "gannet", ISLAND, jobs=jobs)
    async with TestClient(TestServer(app)) as client:
        answer = await client.post(f"/checkin/{JOB}", headers=BEARER)
        assert answer.status == 503
        assert "no room" in (await answer.json())["detail"]
        assert (await client.get("/")).status == 403
