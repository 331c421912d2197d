"""Watches of files (inotify(7)), of the user who has the most of them, against the kernel's limits for each user.

When a limit is reached, a program that waits for changes of files (a synchronisation, an editor, `tail -f`, a container
engine) gets "no space left on device" or "too many open files", with all disks half empty. Only root can count them:
privileged/inotify_watches.py.
"""

import pwd
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of

LIMITS = Path("proc/sys/fs/inotify")


class InotifySettings(RootsideSettings):
    """Watches of files (inotify) of the user who has the most, against the kernel's limits. Needs the helper."""

    kind: Literal["inotify"] = "inotify"
    every: Duration = Field(600.0, description="time between runs")


class User(BaseModel):
    """What one user has."""

    model_config = ConfigDict(frozen=True, strict=True)

    user: int
    watches: int = Field(ge=0)
    instances: int = Field(ge=0)
    program: str = ""

    def facts(self) -> Facts:
        """Whose they are, and which program has the most watches."""
        try:
            name = pwd.getpwuid(self.user).pw_name
        except (KeyError, OverflowError):
            name = str(self.user)
        return ("user", clip(name)), ("program with the most", clip(self.program) or "has ended")


_USERS = TypeAdapter(list[User])


class InotifyProbe(BaseProbe):
    """Monitors both limits."""

    def __init__(self, settings: InotifySettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc, for tests."""
        self._settings, self._bench, self._limits = settings, bench, root / LIMITS

    async def observe(self) -> Sequence[Observation]:
        """Count them as root. Raises PrivilegeMissing and ProbeError."""
        watches, instances = self._limit("max_user_watches"), self._limit("max_user_instances")
        results = await ask_root(self._bench, "inotify", self._settings.helper, self._settings.timeout)
        said = result_of(results, results[0].target if results else "python", self._settings.timeout)
        users = read_users(said)
        none = User(user=0, watches=0, instances=0)
        most = max(users, key=lambda each: each.watches, default=none)
        wide = max(users, key=lambda each: each.instances, default=none)
        return [
            Level(SeriesKey("host", "inotify watches"), most.watches, watches, Unit.COUNT, most.facts()),
            Level(SeriesKey("host", "inotify instances"), wide.instances, instances, Unit.COUNT, wide.facts()[:1]),
        ]

    def _limit(self, name: str) -> int:
        """The limit for each user, at least 1. Raises ProbeError if the kernel has none."""
        try:
            return max(int((self._limits / name).read_text("ascii")), 1)
        except (OSError, ValueError) as error:
            without = "remove this probe if the kernel has no inotify"
            raise ProbeError(f"/{LIMITS}/{name} cannot be read; {without}") from error


def read_users(text: str) -> list[User]:
    """What the helper printed. Raises ProbeError."""
    try:
        return _USERS.validate_json(text)
    except ValidationError as error:
        raise ProbeError("the helper's answer cannot be read; install the same version of both") from error
