"""`preflight` says go or no-go before a change, and compares now with before afterwards."""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.cli.conftest import Run
from watchkeeper.cli import main
from watchkeeper.cli.commands.planning import preflight as command
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Answer, Condition, Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store

MINUTE = timedelta(minutes=1)
GIB = 2**30
SERVICE = SeriesKey("service tide", "answer")


@pytest.fixture
def recorded(tmp_path: Path) -> None:
    """Two hours of memory and of a service that was asked each minute, up to this moment."""
    now = Clock().now()
    seen = []
    for n in range(120, -1, -1):
        at = now - n * MINUTE
        seen.append(Seen(at, Level(SeriesKey("memory", "in use"), 2.0 * GIB, 8.0 * GIB), "memory", 60.0))
        seen.append(Seen(at, Answer(SERVICE, answered=True, took_s=0.04 if n > 30 else 0.09), "tide", 60.0))
        seen.append(Seen(at, Condition(SeriesKey("pool skerry", "health"), ok=True), "zfs", 60.0))

    async def write() -> None:
        async with await Store.open(tmp_path / "watchkeeper.db") as store:
            await store.commit(Commit(tuple(seen)))

    asyncio.run(write())


@pytest.fixture
def silent(tmp_path: Path) -> Path:
    """A configuration whose service gives no answer."""
    path = tmp_path / "silent.toml"
    path.write_text(
        f'watch_host = false\n[host]\nname = "gannet"\n[store]\npath = "{tmp_path / "watchkeeper.db"}"\n'
        '[[probe]]\nkind = "http"\nname = "tide"\nurl = "http://127.0.0.1:9/"\ntimeout = "1s"\n'
    )
    return path


def told(text: str) -> str:
    """Without the breaks of lines."""
    return " ".join(text.split())


@pytest.mark.usefixtures("recorded")
def test_no_go(silent: Path) -> None:
    """The answer in one line, then what speaks against it with the reason, then what is well."""
    result = CliRunner().invoke(main, ["--config", str(silent), "preflight", "tide"])
    assert result.exit_code == 1, result.output
    text = told(result.stdout)
    assert "No-go: 1 point against changing service tide now." in text
    assert "Against the change answers service tide: not answering:" in text
    assert "OK storage below" in text
    assert "A snapshot on the same store is not a backup." in text


@pytest.mark.usefixtures("recorded")
def test_go_as_json(silent: Path) -> None:
    """Without the matter that hinders it is a go; every point has its verdict."""
    result = CliRunner().invoke(main, ["--config", str(silent), "preflight", "tide", "--skip", "answers", "--json"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert (found["host"], found["subject"], found["go"], found["changed_at"]) == ("gannet", "service tide", True, None)
    assert [each["verdict"] for each in found["checks"]] == ["go", "go"]
    assert set(found["checks"][0]) == {"name", "verdict", "about", "reason", "may_resolve"}


@pytest.mark.usefixtures("recorded")
def test_a_wait_ends(silent: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It asks again while the silence may pass, and no longer than it was told to."""
    monkeypatch.setattr(command, "AGAIN_S", 0.05)
    result = CliRunner().invoke(main, ["--config", str(silent), "preflight", "tide", "--wait", "1s"])
    assert result.exit_code == 1
    assert "No-go" in result.stdout


@pytest.mark.usefixtures("recorded")
def test_after_a_change(silent: Path) -> None:
    """The service takes twice as long since half an hour: not as before, with both figures."""
    since = (Clock().now() - 30 * MINUTE).isoformat()
    result = CliRunner().invoke(main, ["--config", str(silent), "preflight", "--after", "tide", "--since", since])
    assert result.exit_code == 1, result.output
    text = told(result.stdout)
    assert "service tide is not as before" in text
    assert "Not as before answers service tide: slower: 90 ms" in text
    assert "memory memory: 6 GiB free, before 6 GiB" in text
    skipped = ["--config", str(silent), "preflight", "--after", "tide", "--since", since, "--skip", "answers"]
    result = CliRunner().invoke(main, skipped)
    assert result.exit_code == 0
    assert "service tide is as before" in told(result.stdout)


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (["preflight"], "Missing argument 'SUBJECT'"),
        (["preflight", "tode"], 'nothing here is named "tode"; known: service tide'),
        (["preflight", "tide", "--since", "2026-11-25"], "use it with --after"),
        (["preflight", "tide", "--after", "--since", "soon"], '"soon" is not a time; write how long ago'),
        (["preflight", "tide", "--after", "--since", "2099-01-01"], "since is in the future"),
        (["preflight", "tide", "--after"], "give it with since"),
        (["preflight", "tide", "--keep", "soon"], "soon"),
        (["preflight", "tide", "--skip", "luck"], "'luck' is not one of"),
    ],
)
def test_wrong_use(silent: Path, argv: list[str], said: str) -> None:
    """Each names the word that is wrong and what may stand there."""
    result = CliRunner().invoke(main, ["--config", str(silent), *argv])
    assert result.exit_code == 64
    assert said in told(result.stderr)


def test_without_a_database(run: Run) -> None:
    """It says where it looked."""
    result = run("preflight", "tide")
    assert result.exit_code == 66
    assert "there is no database at" in told(result.stderr)
