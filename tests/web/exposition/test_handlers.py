"""Who may read /metrics: nobody by default, everyone on this host if it is set, and who has a token elsewhere."""

from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer
from pydantic import ValidationError

from tests.support import readstore
from tests.web.conftest import Client, app_of
from tests.web.exposition.grammar import check
from watchkeeper.config.types import SecretSource, TokenSource
from watchkeeper.web.auth.budgets import FREE_TRIES
from watchkeeper.web.settings import PageSettings, PageToken, Reading, Right

METRICS_TOKEN, READ_TOKEN = "a-token-of-dashboards-0123456789", "a-token-of-a-script-0123456789"
Serve = Callable[..., Awaitable[Client]]


@pytest.fixture
def tokens(tmp_path: Path) -> tuple[PageToken, ...]:
    """One token for the metrics, and one for everything else."""
    made = []
    for name, right, text in (("dashboards", Right.METRICS, METRICS_TOKEN), ("script", Right.READ, READ_TOKEN)):
        path = tmp_path / name
        path.write_text(text)
        made.append(PageToken(name=name, rights=(right,), secret=TokenSource(file=path)))
    return tuple(made)


@pytest.fixture
def password(tmp_path: Path) -> SecretSource:
    """Where the page's password would be."""
    return SecretSource(file=tmp_path / "password")


@pytest.fixture
async def serve() -> AsyncIterator[Serve]:
    """Serves a page with some settings."""
    opened: list[Client] = []

    async def open_client(settings: PageSettings) -> Client:
        client: Client = TestClient(TestServer(app_of(readstore.filling(), settings)))
        await client.start_server()
        opened.append(client)
        return client

    yield open_client
    for client in opened:
        await client.close()


def bearer(token: str) -> dict[str, str]:
    """The field with a token."""
    return {"Authorization": f"Bearer {token}"}


async def test_off_by_default(serve: Serve) -> None:
    """There is no such page."""
    client = await serve(PageSettings())
    assert (await client.get("/metrics")).status == 404


async def test_open_on_loopback(serve: Serve) -> None:
    """With the content type of the standard; under the prefix of a proxy too."""
    client = await serve(PageSettings(metrics=True, prefix="/watch"))
    for path in ("/metrics", "/watch/metrics"):
        answer = await client.get(path)
        assert answer.status == 200
        assert answer.headers["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        check(await answer.text())
    assert (await client.get("/metrics?verbose=1")).status == 400


async def test_with_a_token(serve: Serve, tokens: tuple[PageToken, ...], password: SecretSource) -> None:
    """Where reading needs the password, only the token with the right helps, and it opens nothing else."""
    client = await serve(PageSettings(metrics=True, token=tokens, password=password, reading=Reading.PASSWORD))
    assert (await client.get("/metrics")).status == 401
    assert (await client.get("/metrics", headers=bearer(METRICS_TOKEN))).status == 200
    refused = await client.get("/metrics", headers=bearer(READ_TOKEN))
    assert refused.status == 403
    assert '"metrics"' in (await refused.json())["detail"]
    assert (await client.get("/api/v1/status", headers=bearer(METRICS_TOKEN))).status == 403
    for path in ("/api/v1/status", "/api/v1/quantities/1/history.csv", "/"):
        assert (await client.get(path, headers=bearer(READ_TOKEN))).status == 200
    assert (await client.get("/api/v1/status")).status == 403
    assert (await client.post("/operator/note", headers=bearer(READ_TOKEN), data={"text": "x"})).status == 403


async def test_wrong_tokens_cost_a_wait(serve: Serve, tokens: tuple[PageToken, ...]) -> None:
    """And never keep out the right one."""
    client = await serve(PageSettings(metrics=True, token=tokens))
    tries = [(await client.get("/metrics", headers=bearer(f"wrong-{n}"))).status for n in range(FREE_TRIES + 1)]
    assert tries == [401] * FREE_TRIES + [429]
    assert (await client.get("/metrics", headers={"Authorization": f"Basic {METRICS_TOKEN}"})).status == 429
    assert (await client.get("/metrics", headers=bearer(METRICS_TOKEN))).status == 200


async def test_a_token_that_is_lost(
    serve: Serve, tokens: tuple[PageToken, ...], caplog: pytest.LogCaptureFixture
) -> None:
    """Nobody gets in, and the log says which token it is."""
    client = await serve(PageSettings(metrics=True, token=tokens))
    path = tokens[0].secret.file
    assert path is not None
    path.unlink()
    assert (await client.get("/metrics", headers=bearer(METRICS_TOKEN))).status == 401
    assert 'the token "dashboards" of the page cannot be used' in caplog.text


def test_what_others_could_reach_needs_a_token(tokens: tuple[PageToken, ...], password: SecretSource) -> None:
    """Said when the configuration is read: on another address, behind a proxy, and where reading needs the password."""
    for exposed in (
        {"listen": "192.0.2.7", "password": password},
        {"hosts": ("watch.example.org",)},
        {"password": password, "reading": Reading.PASSWORD},
    ):
        with pytest.raises(ValidationError, match=r"metrics needs a token here.*rights = \[\"metrics\"\]"):
            PageSettings.model_validate({"metrics": True, **exposed, "token": tokens[1:]})
        assert PageSettings.model_validate({"metrics": True, **exposed, "token": tokens}).metrics


def test_two_tokens_of_one_name(tokens: tuple[PageToken, ...]) -> None:
    """The log would not say which one it means."""
    with pytest.raises(ValidationError, match="two tokens have the name"):
        PageSettings(token=(tokens[0], tokens[0]))
