"""The `names` table: what the operator calls things that have only a serial number."""

from pydantic import Field, field_validator

from watchkeeper.config.fields import Strict

NAME_LIMIT = 60


class NamesSettings(Strict):
    """Your own names, shown beside those that programs use.

    disks: by serial number, by the name of a link in /dev/disk/by-id or by-path, or by the bay: what you call the disk.
    """

    disks: dict[str, str] = Field(default_factory=dict, max_length=200)

    @field_validator("disks")
    @classmethod
    def _short(cls, value: dict[str, str]) -> dict[str, str]:
        for key, name in value.items():
            if not name.strip() or not name.isprintable() or len(name) > NAME_LIMIT:
                raise ValueError(f'"{key}" needs a name of 1 to {NAME_LIMIT} characters on one line')
        return value
