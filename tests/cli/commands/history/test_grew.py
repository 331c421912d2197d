"""`grew` shows which parts of a level grew, from the database, and from a walk now."""

import asyncio
import json
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Run
from tests.support.readstore import NOW
from watchkeeper.cli.commands.history import grew
from watchkeeper.errors import PrivilegeMissing
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.store import Store

GIB = 2.0**30
DAY = timedelta(days=1)
SRV, POOL = SeriesKey("file system /", "space"), SeriesKey("pool skerry", "space")
CAMS = SeriesKey("directory /srv/cams", "size")


def seen(key: SeriesKey, gib: float, days_ago: float, part_of: SeriesKey | None = None) -> Seen:
    """A reading of a level."""
    return Seen(NOW - days_ago * DAY, Level(key, gib * GIB, 1000 * GIB, part_of=part_of), "host", 60.0)


@pytest.fixture
def recorded(config: Path) -> Path:
    """A database with a file system whose directories were walked twice, and a pool without parts."""
    path = config.with_name("watchkeeper.db")
    above = SeriesKey("directory /srv", "size")
    readings = [
        *(seen(SRV, 100 + 40 * (4 - days), days) for days in (4.0, 0.0)),
        *(seen(POOL, 10, days) for days in (4.0, 0.0)),
        *(seen(above, 90 + 35 * (4 - days), days, SRV) for days in (4.0, 0.0)),
        *(seen(CAMS, 80 + 30 * (4 - days), days, above) for days in (4.0, 0.0)),
        seen(SeriesKey("directory /srv/new", "size"), 20, 0.0, above),
        *(seen(SeriesKey("directory /var", "size"), 5, days, SRV) for days in (4.0, 0.0)),
    ]

    async def fill() -> None:
        async with await Store.open(path) as store:
            for each in sorted(readings, key=lambda reading: reading.at):
                await store.commit(Commit(seen=(each,)))

    asyncio.run(fill())
    return path


@pytest.mark.usefixtures("recorded")
def test_the_biggest_first_with_what_is_in_it(run: Run) -> None:
    """With amounts, since a weekday too; what is new has grown by all of it, what did not grow is left out."""
    result = run("grew", "File system /", "--since", "3d")
    assert result.exit_code == 0
    assert [" ".join(row.split()) for row in result.stdout.splitlines()] == [
        "file system /, since Sun 22 Nov 07:24",
        "160 GiB more than then; now 260 GiB of 0.98 TiB.",
        "",
        "140 GiB more directory /srv, now 230 GiB",
        "120 GiB more directory /srv/cams, now 200 GiB",
        "20 GiB more directory /srv/new, now 20 GiB",
    ]
    assert "140 GiB more" in run("grew", "file system /", "--since", "Sun").stdout


@pytest.mark.usefixtures("recorded")
def test_without_parts_it_says_why(run: Run) -> None:
    """No part is recorded, or none has grown; a level that is not there, and no database."""
    assert "no probe records parts of it" in run("grew", "pool skerry").stdout
    assert "None of its 4 recorded parts has grown since then." in run("grew", "file system /", "--since", "1m").stdout
    result = run("grew", "nothing")
    assert result.exit_code == 64
    assert 'no level of "nothing" is recorded' in result.stderr
    assert run("grew", "pool skerry", "--now").exit_code == 64


def test_no_database(run: Run) -> None:
    """As for every command that reads it."""
    assert run("grew", "pool skerry").exit_code == 66


@pytest.mark.usefixtures("recorded")
def test_a_walk_now(run: Run, config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It goes on until all is walked, and compares with the recorded walk, also what was not shown then."""
    config.write_text(f'{config.read_text()}[[probe]]\nkind = "directories"\n')
    last = {"last": {"/": {"ended_s": 1.0, "sizes": {"srv": 1, "srv/cams": 1, "srv/hidden": 7 * GIB}}}}

    async def keep() -> None:
        async with await Store.open(config.with_name("watchkeeper.db")) as store:
            await store.probe_states.write("directories", json.dumps(last))

    asyncio.run(keep())
    sizes = {"": int(400 * GIB), "srv": int(330 * GIB), "srv/cams": int(300 * GIB), "srv/hidden": int(30 * GIB)}
    steps: list[dict[str, Any]] = [
        {"results": {}, "waiting": ["/"], "stored": True},
        {"results": {"/": {"ended_s": 2.0, "sizes": sizes}}, "waiting": [], "stored": True},
    ]
    asked: list[str] = []

    async def ask(_bench: object, name: str, *_: object) -> Sequence[Result]:
        asked.append(name)
        return [Result("ionice", Completed(0, json.dumps(steps[min(len(asked), 2) - 1]).encode()))]

    monkeypatch.setattr(grew, "ask_root", ask)
    result = run("grew", "file system /", "--now", "--since", "3d")
    assert asked == ["trees-new", "trees"]
    assert "watchkeeper: walking /" in result.stderr
    rows = [" ".join(row.split()) for row in result.stdout.splitlines()]
    assert "240 GiB more directory /srv, now 330 GiB" in rows
    assert "220 GiB more directory /srv/cams, now 300 GiB" in rows
    assert "23 GiB more directory /srv/hidden, now 30 GiB" in rows
    steps[1]["results"]["/"] = {"error": "Input/output error"}
    assert "/ was not walked: Input/output error" in run("grew", "file system /", "--now").stderr

    async def refuse(*_: object) -> Sequence[Result]:
        raise PrivilegeMissing("this needs root")

    monkeypatch.setattr(grew, "ask_root", refuse)
    result = run("grew", "file system /", "--now")
    assert (result.exit_code, "this needs root" in result.stderr) == (69, True)
