"""Finds the operator's own services that are enabled and run, and timers with their last run, through systemd."""

import re
from collections.abc import Sequence
from datetime import datetime

from pydantic import BaseModel, ConfigDict, TypeAdapter

from watchkeeper.discovery.cadence import rounded_up_s
from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, things
from watchkeeper.errors import ProbeError
from watchkeeper.messages.wording import duration
from watchkeeper.model.units import format_duration
from watchkeeper.probes.host.presence import RUNNING
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.probes.support.tools import run_tool
from watchkeeper.probes.systemd.listed_timers import Timer, list_timers, own

ENABLED = ("list-unit-files", "--state=enabled", "--no-pager", "--output=json")


class _UnitFile(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    unit_file: str


_FILES = TypeAdapter(list[_UnitFile])


async def find(host: Host) -> Found:
    """Units that look like the operator's own, all of them offered: the operator knows which must run."""
    bench, timeout_s = host.bench, host.timeout_s
    try:
        running = await systemctl.list_units(bench, RUNNING, timeout_s)
        enabled = systemctl.read_rows(_FILES, await run_tool(bench, ("systemctl", *ENABLED), timeout_s))
        timers = await list_timers(bench, timeout_s)
    except ProbeError as error:
        return unseen("units of systemd", error)
    files = {each.unit_file for each in enabled}
    services = [unit for unit in running if own(unit) and files_of(unit) & files]
    ticking = [each for each in timers if own(each.unit) and systemctl.UNIT.fullmatch(each.unit)]
    now = bench.clock.now()
    there = frozenset(things("unit", [*running, *(each.unit for each in timers)]))
    proposals = (_units(services, ticking, now), SERVICES, *_timers(ticking))
    proposals += tuple(_job(each) for each in ticking if each.period_s)
    return Found(proposals, there=there, looked=frozenset({"unit"}))


def files_of(unit: str) -> set[str]:
    """Files by which a unit is enabled. For `tide-log@jetty.service`: `tide-log@.service`, or `tide-log.service`, which
    starts its instances.
    """
    name, at, rest = unit.partition("@")
    ending = rest.rpartition(".")[2]
    return {unit, f"{name}@.{ending}", f"{name}.{ending}"} if at else {unit}


def _units(services: Sequence[str], timers: Sequence[Timer], now: datetime) -> Proposal:
    about = ["Units of systemd: any failure is reported."]
    about += [f"- {printable(each.unit)}: {_last(each, now)}" for each in timers]
    active = (*services, *(each.unit for each in timers))
    why = "These are enabled and run now, and are not part of the system itself. Keep those that must always be active."
    keys = (Key("active", active, why, offered=True),) if active else ()
    return Proposal("units", keys, tuple(about))


def _last(timer: Timer, now: datetime) -> str:
    at, period_s = timer.last_at, timer.period_s
    said = f"last ran {duration(max((now - at).total_seconds(), 0))} ago" if at else "has not run yet"
    return f"{said}, the next run comes {duration(period_s)} after the last" if period_s else said


SERVICES = Proposal("services", about=("Services that systemd restarts repeatedly, or that never finish starting.",))


def _timers(timers: Sequence[Timer]) -> list[Proposal]:
    if not timers:
        return []
    return [Proposal("timers", about=("Timers that no longer run, also if they were disabled: after two periods.",))]


def _job(timer: Timer) -> Proposal:
    """A timer that runs does not show whether its job did its work: only the job itself can report that."""
    job = re.sub(r"[^A-Za-z0-9._-]", "-", timer.unit.removesuffix(".timer")).lstrip("._-") or "job"
    period_s = timer.period_s or 0.0
    within = format_duration(rounded_up_s(period_s + max(period_s * 0.1, min(period_s, 3600.0))))
    about = (
        f"{printable(timer.unit)} starts a job. End the job with `watchkeeper ran {job}`: then you are notified if "
        "it does not run to its end, even if its timer is active."
    )
    why = f"It runs every {format_duration(period_s)} now; this allows a tenth or an hour more."
    return Proposal("job", (Key("name", job), Key("within", within, why)), (about,), offered=True)


def unit_of(cgroup: str) -> str:
    """The service in a process's /proc/PID/cgroup (`0::/system.slice/tide-log.service`); empty if it is in none."""
    parts = [part for line in cgroup.split("\n") for part in line.split("/")]
    return next((part for part in reversed(parts) if part.endswith(".service") and systemctl.UNIT.fullmatch(part)), "")
