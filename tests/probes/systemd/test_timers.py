"""Timers that no longer run, through a program in systemctl's place that prints what systemd 252 prints."""

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Deadline, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.systemd.timers import TimersProbe, TimersSettings

DAY = timedelta(days=1)
BEGIN = datetime(2026, 11, 30, 12, tzinfo=UTC)
NIGHT = datetime(2026, 11, 30, 2, tzinfo=UTC)


class Timers:
    """What systemd lists, at a time that passes by hand."""

    def __init__(self, bench: ProbeContext, toolbox: Toolbox) -> None:
        self.toolbox, self.clock = toolbox, FixedClock(BEGIN)
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        self.rows: dict[str, dict[str, object]] = {}

    def set(self, unit: str, last: datetime | None, following: datetime | None) -> None:
        """A timer with its last and next run."""
        micros = [int(at.timestamp() * 1e6) if at else None for at in (following, last)]
        activates = unit.replace(".timer", ".service")
        self.rows[unit] = {
            "next": micros[0],
            "left": 1,
            "last": micros[1],
            "passed": 1,
            "unit": unit,
            "activates": activates,
        }

    async def look(self, **settings: object) -> Mapping[str, Deadline]:
        """One look by a new probe, which knows only what the one before kept."""
        self.toolbox.says("systemctl", json.dumps(list(self.rows.values())))
        found = await TimersProbe(TimersSettings.model_validate(settings), self.bench).observe()
        return {each.key.subject: each for each in found if isinstance(each, Deadline)}


@pytest.fixture
def timers(tmp_path: Path, bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> Timers:
    """A host without timers."""
    return Timers(bench, Toolbox(tmp_path, monkeypatch))


async def test_a_nightly_timer(timers: Timers) -> None:
    """Its next run is due two periods after the last; each run moves that."""
    for night in range(3):
        last = NIGHT + night * DAY
        timers.clock.at = last + timedelta(hours=10)
        timers.set("nightly-backup.timer", last, last + DAY)
        seen = (await timers.look())["timer nightly-backup"]
        assert (seen.last_at, seen.due_at, seen.period_s) == (last, last + 2 * DAY, 2 * 86_400.0)
        assert seen.facts == (("starts", "nightly-backup.service"),)


async def test_a_job_that_hangs(timers: Timers) -> None:
    """Its timer has no next run; what is known of its period holds."""
    timers.set("nightly-backup.timer", NIGHT, NIGHT + DAY)
    await timers.look()
    for _ in range(3):
        timers.clock.at += DAY
        timers.set("nightly-backup.timer", NIGHT, None)
        assert (await timers.look())["timer nightly-backup"].due_at == NIGHT + 2 * DAY


async def test_a_timer_that_was_disabled(timers: Timers) -> None:
    """It is not listed any more: it stays due for a week, and then counts as removed."""
    timers.set("nightly-backup.timer", NIGHT, NIGHT + DAY)
    await timers.look()
    timers.rows.clear()
    seen = (await timers.look())["timer nightly-backup"]
    assert seen.due_at == NIGHT + 2 * DAY
    assert ("not loaded since", "2026-11-30 12:00 UTC") in seen.facts
    timers.clock.at += timedelta(days=6, hours=23)
    assert await timers.look()
    timers.clock.at += timedelta(hours=2)
    assert await timers.look() == {}


async def test_a_timer_on_weekdays(timers: Timers) -> None:
    """From Friday to Monday the period is three days."""
    friday = datetime(2026, 11, 27, 2, tzinfo=UTC)
    timers.set("report.timer", friday, friday + 3 * DAY)
    assert (await timers.look())["timer report"].due_at == friday + 6 * DAY
    timers.set("report.timer", friday + 3 * DAY, friday + 4 * DAY)
    assert (await timers.look())["timer report"].due_at == friday + 5 * DAY


async def test_a_timer_of_every_minute(timers: Timers) -> None:
    """It is due after an hour at the earliest."""
    timers.set("poll.timer", BEGIN, BEGIN + timedelta(minutes=1))
    assert (await timers.look())["timer poll"].due_at == BEGIN + timedelta(hours=1)


async def test_timers_that_are_not_monitored(timers: Timers) -> None:
    """The distribution's own, one that never ran, one whose period is not known, and what is left out."""
    timers.set("apt-daily.timer", NIGHT, NIGHT + DAY)
    timers.set("never.timer", None, NIGHT + DAY)
    timers.set("once.timer", NIGHT, None)
    timers.set("mine.timer", NIGHT, NIGHT + DAY)
    timers.set("ahead.timer", BEGIN + DAY, BEGIN + 2 * DAY)
    assert list(await timers.look(exclude=["mi*"])) == []


@pytest.mark.parametrize("value", [0, -1, 2**63, 2**80])
async def test_times_of_anything(timers: Timers, value: int) -> None:
    """A time that no calendar holds is no time."""
    timers.set("mine.timer", NIGHT, NIGHT + DAY)
    await timers.look()
    timers.rows["mine.timer"] |= {"last": value, "next": value}
    assert (await timers.look())["timer mine"].last_at == NIGHT


async def test_a_host_without_systemd(timers: Timers, monkeypatch: pytest.MonkeyPatch) -> None:
    """Then nothing can be told; a manager that fails is an error."""
    timers.toolbox.says("systemctl", "", status=1, stderr="Failed to connect to bus")
    with pytest.raises(ProbeError, match="Failed to connect to bus"):
        await TimersProbe(TimersSettings(), timers.bench).observe()
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", "/nowhere")
    (seen,) = await TimersProbe(TimersSettings(), timers.bench).observe()
    assert isinstance(seen, Unseen)


async def test_no_text_is_no_empty_list(timers: Timers) -> None:
    """A systemctl that prints nothing is at fault; its timers are not taken for removed."""
    timers.set("nightly-backup.timer", timers.clock.at - timedelta(hours=4), timers.clock.at + timedelta(hours=20))
    before = await timers.look()
    timers.toolbox.says("systemctl", "")
    with pytest.raises(ProbeError, match="did not print a list"):
        await TimersProbe(TimersSettings(), timers.bench).observe()
    assert await timers.look() == before
