"""A small document model for tests: two kinds of probe and two of notifier, with every type of key."""

from enum import Enum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AnyHttpUrl, Field, FilePath, SecretStr

from watchkeeper.config import loading
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.types import NotifierSettings, PriorityWord, ProbeSettings, SecretSource, Size, Strict
from watchkeeper.errors import ConfigError
from watchkeeper.model.alert import Priority
from watchkeeper.settings import Settings, settings_model


class Tide(Enum):
    EBB = "ebb"
    FLOOD = "flood"


class Lamp(Strict):
    watts: int = Field(default=5, ge=1, lt=100)


class HideProbe(ProbeSettings):
    """A hide."""

    kind: Literal["hide"]
    url: str
    ports: tuple[Annotated[int, Field(ge=1)], ...] = ()
    headers: dict[str, SecretStr | SecretSource] = Field(default_factory=dict)
    token: SecretSource | None = None
    tide: Tide = Tide.EBB
    room: Size | None = Field(default=None, le=2**30)
    lamp: Lamp = Lamp()
    own: FilePath | None = None
    share: float = Field(default=0.5, gt=0, le=1)
    lit: bool = False


class NestProbe(ProbeSettings):
    """Nests."""

    kind: Literal["nest"]


class Bell(NotifierSettings):
    """A bell."""

    kind: Literal["bell"]
    at_least: PriorityWord = Priority.CAUTION
    rope: SecretSource | None = None


class Flag(NotifierSettings):
    """A flag."""

    kind: Literal["flag"]
    url: AnyHttpUrl | SecretSource


MODEL: type[Settings] = settings_model([HideProbe, NestProbe], [Bell, Flag])


def written(folder: Path, text: str) -> Path:
    """A file that contains a document."""
    path = folder / "config.toml"
    path.write_text(text, encoding="utf-8")
    return path


def loaded(folder: Path, text: str, secrets: Secrets = Secrets.NEEDED) -> loading.Loaded[Settings]:
    """The result of loading a document."""
    return loading.load(MODEL, written(folder, text), secrets=secrets)


def problems(folder: Path, text: str) -> list[str]:
    """Every problem of a document, as text."""
    try:
        loaded(folder, text)
    except ConfigError as error:
        return [str(each) for each in error.problems]
    return []
