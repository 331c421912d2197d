"""Field types and base models that every part of the configuration is made of."""

import os
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, model_validator

from watchkeeper.core.units import parse_duration, parse_size


def _duration(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return parse_duration(value) if isinstance(value, str) else value


def _size(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    return parse_size(value) if isinstance(value, str) else value


Duration = Annotated[float, BeforeValidator(_duration), Field(gt=0)]
"""Seconds; written as text such as `15m`."""

Size = Annotated[int, BeforeValidator(_size), Field(gt=0)]
"""Bytes; written as text such as `32 GiB`."""


class Strict(BaseModel):
    """A part of the configuration: frozen, and a key that it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class SecretSource(Strict):
    """Where a secret is read from: `{ file = "/path" }` or `{ credential = "name" }` (systemd's LoadCredential)."""

    file: Path | None = None
    credential: str | None = None

    @model_validator(mode="after")
    def _one(self) -> "SecretSource":
        if (self.file is None) == (self.credential is None):
            raise ValueError('name one source: { file = "/path/of/the/secret" } or { credential = "name" }')
        return self

    def read(self) -> SecretStr:
        """The secret, without the newline at its end. Raises OSError where it cannot be read."""
        if self.file is not None:
            path = self.file
        else:
            path = Path(os.environ.get("CREDENTIALS_DIRECTORY", "/run/credentials")) / str(self.credential)
        return SecretStr(path.read_text(encoding="utf-8").rstrip("\r\n"))


class ProbeSettings(Strict):
    """What every probe's settings have; a probe's own model adds `kind: Literal[...]` and its own keys.

    name: names the probe in its own alerts; unique.
    every: seconds from one sample to the next. timeout: seconds after which one look is given up.
    """

    kind: str
    name: str = ""
    every: Duration = 60.0
    timeout: Duration = 10.0

    @property
    def label(self) -> str:
        """The probe's name, or its kind where it was given none."""
        return self.name or self.kind


class NotifierSettings(Strict):
    """What every notifier's settings have; a notifier's own model adds `kind: Literal[...]` and its own keys."""

    kind: str
    name: str = ""
    timeout: Duration = 30.0

    @property
    def label(self) -> str:
        """The notifier's name, or its kind where it was given none."""
        return self.name or self.kind
