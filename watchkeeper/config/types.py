"""Base models for the settings of probes and notifiers; the only configuration module that they import.

The field types come from fields.py, the rules from rules.py. Not here: the whole document (settings.py).
"""

import os
import re
from pathlib import Path
from typing import ClassVar

from pydantic import Field, SecretStr, field_validator, model_validator

from watchkeeper.config.fields import (
    Delay,
    Duration,
    Limit,
    PriorityOrNever,
    PriorityWord,
    Size,
    Strict,
    WholePath,
    absolute_pattern,
)
from watchkeeper.config.tables.rules import RulesSettings

__all__ = [
    "Delay",
    "Duration",
    "Limit",
    "NotifierSettings",
    "PriorityOrNever",
    "PriorityWord",
    "ProbeSettings",
    "RulesSettings",
    "SecretSource",
    "Size",
    "Strict",
    "TokenSource",
    "WholePath",
    "absolute_pattern",
]

LARGEST_SECRET_BYTES = 64 * 1024
"""More than any key or password. Reading must end, even if the path is wrong, such as /dev/zero."""

_CREDENTIAL = re.compile(r"[A-Za-z0-9._-]+")


class SecretSource(Strict):
    """Where a secret is read from: `{ file = "/path" }` or `{ credential = "name" }` (systemd's LoadCredential)."""

    words: ClassVar[str] = '{ file = "/path/of/the/secret" } or { credential = "name" }'
    remedy: ClassVar[str] = "write the secret there, on one line"

    file: WholePath | None = None
    credential: str | None = None

    @field_validator("credential")
    @classmethod
    def _plain(cls, value: str | None) -> str | None:
        if value is not None and (not _CREDENTIAL.fullmatch(value) or value.startswith(".")):
            raise ValueError("a credential's name consists of letters, digits, dots, dashes and underscores")
        return value

    @model_validator(mode="after")
    def _one(self) -> "SecretSource":
        if (self.file is None) == (self.credential is None):
            raise ValueError(f"name one source: {self.words}")
        return self

    @property
    def path(self) -> Path:
        """The file that the secret is read from."""
        if self.file is not None:
            return self.file
        return Path(os.environ.get("CREDENTIALS_DIRECTORY", "/run/credentials")) / str(self.credential)

    def read(self) -> SecretStr:
        """The secret, without the newline at its end.

        Raises OSError if it cannot be read, ValueError if the content is not a valid secret (empty, far too long, not
        UTF-8); neither error text contains any of it.
        """
        with self.path.open("rb") as file:
            raw = file.read(LARGEST_SECRET_BYTES + 1)
        if len(raw) > LARGEST_SECRET_BYTES:
            raise ValueError(f"holds more than {LARGEST_SECRET_BYTES // 1024} KiB, which is too long for a secret")
        try:
            text = raw.decode().rstrip("\r\n")
        except UnicodeDecodeError:
            raise ValueError("is not UTF-8 text") from None
        if not text:
            raise ValueError("is empty")
        return SecretStr(text)


SHORTEST_TOKEN, LEAST_DIFFERENT = 22, 8
"""Characters of a token. 22 random ones of base64 hold 128 bits, too many to guess; of that length, a random token
of hexadecimal digits has 8 different ones in all but one of 7,000 cases; a repeated short word has fewer."""


class TokenSource(SecretSource):
    """A secret that anybody may try, any number of times, so it must be too long to be guessed."""

    remedy: ClassVar[str] = "write a token there that is made with: openssl rand -base64 32"

    def read(self) -> SecretStr:
        """The token. Raises as SecretSource does; ValueError also if it could be guessed."""
        found = super().read()
        length, different = len(found.get_secret_value()), len(set(found.get_secret_value()))
        if length < SHORTEST_TOKEN or different < LEAST_DIFFERENT:
            raise ValueError(
                f"can be guessed ({length} characters, {different} of them different); a token has at least "
                f"{SHORTEST_TOKEN} characters, {LEAST_DIFFERENT} of them different"
            )
        return found


class NamedSettings(Strict):
    """The kind and the name of a probe or a notifier."""

    kind: str
    name: str = Field(default="", max_length=100)

    @field_validator("name")
    @classmethod
    def _one_line(cls, value: str) -> str:
        if not value.isprintable():
            raise ValueError("holds a line break or a control character; write a plain name")
        return value.strip()

    @property
    def label(self) -> str:
        """The name, or the kind if it has none."""
        return self.name or self.kind


class ProbeSettings(NamedSettings):
    """What every probe's settings have; a probe's own model adds `kind: Literal[...]` and its own keys.

    name: unique name of the probe. By default its kind.
    every: time between runs.
    timeout: time after which one run is abandoned.
    depends_on: subjects, such as "pool skerry", or names of other probes that this probe's subjects need to work. While
        one of them is down, no separate messages are sent about what this probe observes.
    rules: rules for this probe alone; what is not set there comes from the general rules.

    usual_rules: defaults that fit this kind of probe better than the general ones. What a configuration sets, for all
        probes or for this one, takes precedence.
    """

    usual_rules: ClassVar[RulesSettings] = RulesSettings()

    every: Duration = 60.0
    timeout: Duration = 10.0
    depends_on: tuple[str, ...] = ()
    rules: RulesSettings = RulesSettings()

    @property
    def dependencies(self) -> tuple[str, ...]:
        """What `depends_on` names, and what other keys of the kind add to it."""
        return self.depends_on


class NotifierSettings(NamedSettings):
    """What every notifier's settings have; a notifier's own model adds `kind: Literal[...]` and its own keys.

    name: unique name of the notifier. By default its kind.
    timeout: time after which one attempt is abandoned.
    """

    timeout: Duration = 30.0
