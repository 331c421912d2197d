"""The `host` table: the name of the monitored host, and the time zone in which its times are shown."""

import difflib
import os
import socket
from collections.abc import Mapping
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator

from watchkeeper.config.fields import Strict

LOCALTIME = Path("/etc/localtime")


def system_zone(environ: Mapping[str, str] = os.environ, localtime: Path = LOCALTIME) -> tzinfo:
    """The host's time zone: $TZ if it names one, else that of /etc/localtime; UTC if neither names one."""
    name = environ.get("TZ", "").removeprefix(":")
    if name and (found := _named(name)):
        return found
    _, mark, linked = os.path.realpath(localtime).partition("/zoneinfo/")
    if mark and (found := _named(linked)):
        return found
    try:
        with localtime.open("rb") as file:
            return ZoneInfo.from_file(file, key="localtime")
    except (OSError, ValueError):
        return UTC


def _named(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown; not a name; a folder of names
        return None


class HostSettings(Strict):
    """The name of the monitored host, and the time zone of times in messages and commands.

    name: name of the host in messages and on the page. By default the host name.
    time_zone: time zone such as `Europe/Paris`. By default the host's own.
    """

    name: str = Field(default="", max_length=100)
    time_zone: str = ""

    @field_validator("name")
    @classmethod
    def _one_line(cls, value: str) -> str:
        if not value.isprintable():
            raise ValueError("holds a line break or a control character; write a plain name")
        return value.strip()

    @field_validator("time_zone")
    @classmethod
    def _known(cls, value: str) -> str:
        if value and _named(value) is None:
            near = difflib.get_close_matches(value, available_timezones(), n=1)
            hint = f'; did you mean "{near[0]}"?' if near else '; write one such as "Europe/Paris" or "UTC"'
            raise ValueError(f"is not a time zone that this host knows{hint}")
        return value

    @property
    def label(self) -> str:
        """The host's name as it is shown: the configured one, else its own up to the first dot."""
        return self.name or socket.gethostname().partition(".")[0] or "this host"

    @property
    def zone(self) -> tzinfo:
        """The time zone in which times are shown."""
        return (_named(self.time_zone) if self.time_zone else None) or system_zone()
