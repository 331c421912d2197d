"""Services that run a library or program whose file an update has replaced: they need a restart to have the update.

An update that closes a hole in a library does nothing for a program that was started before it. Which programs those
are only root can tell: privileged/replaced_files.py. Packages restart most of their services themselves, and a minute
later, so this is a caution after a day. Not here: a restart of the host that is due (system.py).
"""

import re
import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from watchkeeper.config.tables.rules import FaultySettings
from watchkeeper.config.types import Duration, RulesSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.model.units import DAY_S
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of

KEY = SeriesKey("services", "libraries")

NAMED = 5
"""Units in the reason; the details have all."""
FACTS = 20

_UNIT = re.compile(r"[A-Za-z0-9:_.\\@-]+\.(?:service|socket)")
_USER = re.compile(r"user-(\d{1,10})\.slice")


class OldLibrariesSettings(RootsideSettings):
    """Services that run libraries or programs that an update has replaced. Needs the helper."""

    usual_rules = RulesSettings(faulty=FaultySettings(priority="caution", on_delay=DAY_S))

    kind: Literal["old-libraries"] = "old-libraries"
    every: Duration = Field(3600.0, description="time between runs")


class Group(BaseModel):
    """What the helper says of one control group."""

    model_config = ConfigDict(frozen=True, strict=True)

    group: str
    program: str
    processes: int = Field(ge=0)
    files: list[str]

    def libraries(self) -> str:
        """Its files, by name alone."""
        names = sorted({clip(PurePosixPath(each).name, 40) for each in self.files})
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        return ", ".join(names[:3]) + more


_GROUPS = TypeAdapter(list[Group])


@dataclass(frozen=True, slots=True)
class Runner:
    """Who runs something, and how it gets the new file. restart: what `systemctl restart` is given; user: of which."""

    name: str
    restart: str = ""
    user: str = ""
    advice: str = ""


class OldLibrariesProbe(BaseProbe):
    """Monitors what the processes of this host run."""

    def __init__(self, settings: OldLibrariesSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench

    async def observe(self) -> Sequence[Observation]:
        """Ask root once. Raises PrivilegeMissing and ProbeError."""
        results = await ask_root(self._bench, "replaced-files", self._settings.helper, self._settings.timeout)
        said = result_of(results, results[0].target if results else "python", self._settings.timeout)
        return [condition(read_groups(said))]


def read_groups(text: str) -> list[Group]:
    """What the helper printed. Raises ProbeError."""
    try:
        return _GROUPS.validate_json(text)
    except ValidationError as error:
        raise ProbeError("the helper's answer cannot be read; install the same version of both") from error


def condition(groups: Sequence[Group]) -> Condition:
    """Whether everything runs the files that are installed. One for the host: an update of a library hits many."""
    by_runner: dict[Runner, list[Group]] = {}
    for each in groups:
        by_runner.setdefault(runner(each), []).append(each)
    if not by_runner:
        return Condition(KEY, ok=True)
    named = [f"{who.name} ({found[0].libraries()})" for who, found in list(by_runner.items())[:NAMED]]
    more = f" and {len(by_runner) - NAMED} more" if len(by_runner) > NAMED else ""
    reason = f"replaced by an update, but still in use by {', '.join(named)}{more}"
    return Condition(KEY, ok=False, reason=clip(reason, 400), facts=(*_commands(by_runner), *_details(by_runner)))


def _commands(runners: Mapping[Runner, object]) -> Iterator[tuple[str, str]]:
    """What puts the new files into use."""
    units = sorted({each.restart for each in runners if each.restart and not each.user})
    if units:
        yield "restart them", clip(f"sudo systemctl restart {shlex.join(units)}", 400)
    for user in sorted({each.user for each in runners if each.restart and each.user}):
        theirs = sorted(each.restart for each in runners if each.restart and each.user == user)
        yield f"restart them as user {user}", clip(f"systemctl --user restart {shlex.join(theirs)}", 300)
    yield from (("then", each) for each in sorted({each.advice for each in runners if each.advice}))


def _details(runners: Mapping[Runner, Sequence[Group]]) -> Facts:
    return tuple((who.name, groups[0].libraries()) for who, groups in list(runners.items())[:FACTS])


def runner(group: Group) -> Runner:
    """Who runs it, by the path of the control group: systemd.slice(5), user@.service(5), systemd.special(7)."""
    parts = [each for each in group.group.split("/") if each]
    user = next((found.group(1) for each in parts if (found := _USER.fullmatch(each))), "")
    last = parts[-1] if parts else ""
    if last == "init.scope":
        # Of a user's manager it is below user@UID.service.
        advice = f"user {user} runs systemctl --user daemon-reexec"
        return Runner(f"service manager of user {user}", advice=advice) if user else _MANAGER
    units = [each for each in parts if _UNIT.fullmatch(each) and not each.startswith("user@")]
    if units:
        return _of_unit(clip(printable(units[-1]), 80), user)
    if user:
        return Runner(f"session of user {user}", advice=f"user {user} logs in again")
    program = clip(printable(group.program), 40)
    if "machine.slice" in parts:
        advice = "switch the guest off and start it again"
        return Runner(f"guest {program} ({clip(printable(last), 60)})", advice=advice)
    return Runner(program or "a process", advice="start again what no service manages")


def _of_unit(unit: str, user: str) -> Runner:
    """A unit of the system, or of a user's manager."""
    return Runner(f"{unit} of user {user}", unit, user) if user else _ESSENTIAL.get(unit, Runner(unit, unit))


_MANAGER = Runner("service manager", advice="sudo systemctl daemon-reexec")
_ESSENTIAL = {
    each: Runner(each, advice=f"restart the host for {each}")
    for each in ("dbus.service", "dbus-broker.service", "systemd-logind.service")
}
"""Not restarted on a running host: sessions and services lose their connection to it."""
