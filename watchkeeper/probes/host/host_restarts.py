"""Restarts of the host: each is noticed, however short it was, and whether the host was shut down or just stopped.

The proof that needs no privilege is the daemon's own: it writes down that it was stopped. If the next run finds another
boot id and no such line, nothing stopped the daemon before the host went down: a power cut, a crash, a reset. Where the
system's journal may be read, it decides: logind writes a message before every shutdown (SD_MESSAGE_SHUTDOWN in
systemd/sd-messages.h). What was there before a restart and is not now is another probe's subject (after_reboot.py).
"""

import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.config.tables.rules import FaultySettings, RulesSettings
from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.changes import record
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import run_tool

KEY = SeriesKey("host", "restarts")

SHUTDOWN = "98268866d1d54a499c4e98921d93bc40"
"""SD_MESSAGE_SHUTDOWN in systemd/sd-messages.h: logind writes it when a shutdown or a reboot begins."""

WITHIN = timedelta(days=7)
"""Restarts within this time are counted together."""

SOON_S = 600.0
"""A daemon that was stopped so shortly before the next boot was stopped by the shutdown. A server with much memory
needs minutes for its firmware; for anything longer it is not known what happened in between."""

KEPT = 50

PSTORE = ("sys/fs/pstore", "var/lib/systemd/pstore")
"""Where the kernel leaves its last messages of a crash, and where systemd-pstore.service(8) moves them."""


class HostRestartsSettings(ProbeSettings):
    """Restarts of the host, and whether it was shut down or stopped without warning.

    One unexpected restart is a caution for `remembered`; a second one within a week is a warning.
    """

    usual_rules = RulesSettings(faulty=FaultySettings(priority="caution", failed_priority="warning"))

    kind: Literal["restarts"] = "restarts"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which reading the system's journal is abandoned")
    remembered: Duration = Field(86_400.0, description="how long an unexpected restart is reported as a fault")
    orderly: bool = Field(False, description="report restarts after an orderly shutdown too, as a caution for an hour")


class HostRestart(BaseModel):
    """One restart. at: when the host began to boot. orderly: whether it was shut down before; None if not known."""

    model_config = ConfigDict(frozen=True)

    at: AwareDatetime
    orderly: bool | None


class RestartsSeen(StateModel):
    """boot: the boot in which the probe ran last. stopped_at: when the daemon was stopped; None while it runs.

    restarts: the newest last.
    """

    boot: str = ""
    stopped_at: AwareDatetime | None = None
    restarts: tuple[HostRestart, ...] = ()


class HostRestartsProbe:
    """Notices each new boot."""

    def __init__(self, settings: HostRestartsSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc, /sys and /var, for tests."""
        self._settings, self._bench, self._root = settings, bench, root
        self._state = ProbeState(bench.probe_states, settings.label, RestartsSeen())

    async def observe(self) -> Sequence[Observed]:
        """Compare the boot id with that of the last run."""
        now, boot, since_s = self._bench.clock.now(), boot_of(self._root / "proc"), up_s(self._root / "proc")
        seen = await self._state.read()
        if seen.boot != boot:
            restarts = seen.restarts
            if seen.boot:
                at = now - timedelta(seconds=since_s)
                restart = HostRestart(at=at, orderly=await self._orderly(seen.stopped_at, at))
                await record(self._bench, self._settings.label, [_change(restart)])
                restarts = (*restarts, restart)
            seen = RestartsSeen(boot=boot, restarts=restarts[-KEPT:])
        elif seen.stopped_at is not None:
            seen = seen.model_copy(update={"stopped_at": None})
        await self._state.write(seen)
        return [self._condition(seen.restarts, now, since_s)]

    async def close(self) -> None:
        """Write down that the daemon was stopped: what ends without this was not stopped in order."""
        seen = await self._state.read()
        if seen.boot:
            await self._state.write(seen.model_copy(update={"stopped_at": self._bench.clock.now()}))

    async def _orderly(self, stopped_at: datetime | None, booted_at: datetime) -> bool | None:
        """Whether the host was shut down before this boot; None if that is not known."""
        said = await self._journal_says()
        if said is not None:
            return said
        if stopped_at is None:
            return False
        return True if (booted_at - stopped_at).total_seconds() <= SOON_S else None

    async def _journal_says(self) -> bool | None:
        """Whether the journal of the boot before holds logind's message; None if that journal cannot be read."""
        try:
            if await self._journal(f"MESSAGE_ID={SHUTDOWN}"):
                return True
            return False if await self._journal("_TRANSPORT=kernel") else None
        except ProbeError:
            return None

    async def _journal(self, match: str) -> str:
        words = ("journalctl", "--quiet", "--boot=-1", "--lines=1", "--output=short-unix", match)
        return (await run_tool(self._bench, words, self._settings.timeout)).strip()

    def _condition(self, restarts: Sequence[HostRestart], now: datetime, since_s: float) -> Condition:
        facts: Facts = (("running for", format_duration(since_s // 60 * 60 or 60)),)
        facts += tuple((f"restart at {each.at:%Y-%m-%d %H:%M} UTC", _how(each)) for each in restarts[:-6:-1])
        recent = [each for each in restarts if now - each.at <= WITHIN]
        unexpected = [each for each in recent if each.orderly is False]
        last = recent[-1] if recent else None
        if unexpected and (now - unexpected[-1].at).total_seconds() < self._settings.remembered:
            facts += self._crash_record()
            often = f", {len(unexpected)} times within 7 days" if len(unexpected) > 1 else ""
            reason = f"it restarted without a shutdown{often}"
            return Condition(KEY, ok=False, reason=reason, grave=len(unexpected) > 1, facts=facts)
        hour = timedelta(hours=1)
        if self._settings.orderly and last is not None and last.orderly is not False and now - last.at < hour:
            reason = f"it was restarted: {_how(last)}"
            return Condition(KEY, ok=False, reason=reason, facts=facts)
        return Condition(KEY, ok=True, facts=facts)

    def _crash_record(self) -> Facts:
        """Whether the kernel left a record; nothing is said where this user may not look."""
        for folder in PSTORE:
            try:
                records = sorted(os.listdir(self._root / folder))  # noqa: PTH208  names are all that is wanted
            except OSError:
                continue
            if records:
                return (("the kernel's record of a crash", f"/{folder}: {len(records)} files"),)
        return ()


def _change(restart: HostRestart) -> Change:
    return Change(restart.at, ChangeKind.RESTART, "this host", "restarted", _how(restart))


def _how(restart: HostRestart) -> str:
    if restart.orderly is None:
        return "unknown whether it was shut down before"
    return "after an orderly shutdown" if restart.orderly else "without a shutdown before"
