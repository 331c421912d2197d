"""Where watchkeeper stores its database and for how long, and where it looks for its configuration.

The places are those of the XDG Base Directory specification and of systemd's directories.
"""

import os
import pwd
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

from pydantic import Field, field_validator, model_validator

from watchkeeper.config.fields import Duration, Size, Strict, WholePath
from watchkeeper.model.units import DAY_S, format_duration

SMALLEST_MAX_SIZE_BYTES = 16 * 2**20
"""A smaller limit would leave no space for the hourly rows of a small host and the event log."""

DATABASE = "watchkeeper.db"
SYSTEM_CONFIG = Path("/etc/watchkeeper/config.toml")
SYSTEM_STATE = Path("/var/lib/watchkeeper") / DATABASE
"""The database of the systemd service; named in the error of a command that finds none in the user's own folder."""


def home(environ: Mapping[str, str] = os.environ) -> Path | None:
    """The home folder: $HOME, else the one of the password database; None if neither is an absolute path."""
    if named := _whole(environ.get("HOME", "")):
        return named
    try:
        return _whole(pwd.getpwuid(os.getuid()).pw_dir)
    except KeyError:
        return None


def _whole(text: str) -> Path | None:
    """The path, if it is absolute. XDG: a path that is not absolute is to be ignored."""
    return Path(text) if Path(text).is_absolute() else None


def state_path(environ: Mapping[str, str] = os.environ) -> Path:
    """The database's default place. Raises ValueError if the environment names none."""
    if given := _whole(environ.get("STATE_DIRECTORY", "").split(":")[0]):
        return given / DATABASE
    if shared := _whole(environ.get("XDG_STATE_HOME", "")):
        return shared / "watchkeeper" / DATABASE
    if own := home(environ):
        return own / ".local" / "state" / "watchkeeper" / DATABASE
    raise ValueError(
        "no folder for the database: neither $STATE_DIRECTORY nor $XDG_STATE_HOME nor $HOME names one; "
        'write path = "/srv/data/watchkeeper.db" under [store]'
    )


def config_places(environ: Mapping[str, str] = os.environ) -> tuple[Path, ...]:
    """The places searched for a configuration when none is named; the first that exists is read."""
    places = []
    if shared := _whole(environ.get("XDG_CONFIG_HOME", "")):
        places.append(shared / "watchkeeper" / "config.toml")
    if own := home(environ):
        places.append(own / ".config" / "watchkeeper" / "config.toml")
    return (*dict.fromkeys(places), SYSTEM_CONFIG)


class StoreSettings(Strict):
    """Where history, alerts and the event log are stored, and for how long.

    path: the SQLite database. By default watchkeeper.db in systemd's StateDirectory, else in
    `$XDG_STATE_HOME/watchkeeper`, else in `~/.local/state/watchkeeper`.
    samples: how long every sample is kept, at least a day. After that, each hour of a series becomes one row with its
    minimum, mean, maximum and last value.
    hours: how long hourly rows are kept, at least 60 days. After that, each day becomes one row.
    days: how long daily rows are kept before they are deleted.
    events: how long entries of the event log are kept.
    delivered: how long delivered messages are kept.
    forecasts: how long forecasts and their outcomes are kept; they also set the width of the ranges that are shown.
    forget_after: how long a series that is no longer seen stays on the page. Its history is kept as long as any other.
    max_size: maximum size of the database. When it is reached, the oldest samples become hourly rows earlier than set.
    """

    path: WholePath = Field(default=Path(), validate_default=True)
    samples: Duration = Field(14 * DAY_S, ge=DAY_S)
    hours: Duration = Field(400 * DAY_S, ge=60 * DAY_S)
    days: Duration = Field(3650 * DAY_S)
    events: Duration = Field(1825 * DAY_S)
    delivered: Duration = Field(90 * DAY_S)
    forecasts: Duration = Field(730 * DAY_S, ge=30 * DAY_S)
    forget_after: Duration = Field(90 * DAY_S)
    max_size: Size = Field(2 * 2**30, ge=SMALLEST_MAX_SIZE_BYTES)

    @field_validator("path", mode="before")
    @classmethod
    def _default(cls, value: Any) -> Any:  # noqa: ANN401  what TOML holds
        return state_path() if value == Path() else value

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Each resolution must be kept longer than the one before."""
        for finer, coarser in (("samples", "hours"), ("hours", "days")):
            if getattr(self, finer) >= getattr(self, coarser):
                raise ValueError(
                    f"{finer} ({format_duration(getattr(self, finer))}) must be kept for a shorter time than"
                    f" {coarser} ({format_duration(getattr(self, coarser))})"
                )
        return self
