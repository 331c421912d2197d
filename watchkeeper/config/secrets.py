"""Checks, before anything starts, that every secret can be read, and warns about one that everybody can read.

The content of a secret is never shown: only its place, its file and the remedy.
"""

import os
import stat
from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any, NamedTuple

from pydantic import BaseModel

from watchkeeper.config.errors.describe_types import key_of
from watchkeeper.config.errors.locations import Place, format_location
from watchkeeper.config.types import SecretSource
from watchkeeper.os_errors import remedy


class Secrets(Enum):
    """How secrets are treated when a configuration is read."""

    NEEDED = "needed"  # each must be readable
    LOOKED_AT = "looked at"  # each must be readable, except credentials, which only systemd can supply
    LEFT_ALONE = "left alone"  # for commands that need none, run by a user who may not read them


def sources(value: Any, at: Place = ()) -> Iterator[tuple[Place, SecretSource]]:  # noqa: ANN401  any part of it
    """Every secret's source in a configuration, with its place, in order."""
    if isinstance(value, SecretSource):
        yield at, value
    elif isinstance(value, BaseModel):
        for name, field in type(value).model_fields.items():
            yield from sources(getattr(value, name), (*at, key_of(name, field)))
    elif isinstance(value, Mapping):
        for key, each in value.items():
            yield from sources(each, (*at, str(key)))
    elif isinstance(value, list | tuple):
        for index, each in enumerate(value):
            yield from sources(each, (*at, index))


class Unreadable(NamedTuple):
    """A secret that cannot be read, and why. may_appear: it is a file that may be there later."""

    place: Place
    why: str
    may_appear: bool = False


def check(settings: BaseModel, how: Secrets) -> tuple[list[Unreadable], list[str]]:
    """Read every secret once: the unreadable ones, and a warning for each file that everybody can read."""
    wrong: list[Unreadable] = []
    warnings: list[str] = []
    for at, source in sources(settings) if how is not Secrets.LEFT_ALONE else ():
        if source.credential is not None and not os.environ.get("CREDENTIALS_DIRECTORY"):
            _no_systemd(at, source.credential, wrong, warnings if how is Secrets.LOOKED_AT else None)
        elif (found := _unreadable(at, source)) is not None:
            wrong.append(found)
        elif source.file is not None and _open_to_all(source):
            warnings.append(
                f"{format_location(at)}: every user of this host can read {source.file}; run: chmod 600 {source.file}"
            )
    return wrong, warnings


def _no_systemd(at: Place, name: str, wrong: list[Unreadable], warnings: list[str] | None) -> None:
    """A credential without systemd: a warning if that is acceptable, else a problem."""
    if warnings is not None:
        warnings.append(
            f'{format_location(at)}: the credential "{name}" comes from systemd and could not be checked here'
        )
        return
    trouble = (
        f'the credential "{name}" comes from systemd, and $CREDENTIALS_DIRECTORY is not set here; '
        f"add LoadCredential={name}:/path/of/the/secret to the unit, or name a file"
    )
    wrong.append(Unreadable(at, trouble))


def _unreadable(at: Place, source: SecretSource) -> Unreadable | None:
    what = f'the credential "{source.credential}"' if source.file is None else f"the secret in {source.file}"
    try:
        source.read()
    except OSError as error:
        why = f"{what} cannot be read: {os.strerror(error.errno or 0)}; {remedy(error, _remedy(source, error))}"
        return Unreadable(at, why, may_appear=source.file is not None)
    except ValueError as error:
        return Unreadable(at, f"{what} {error}; {source.remedy}")
    return None


def _remedy(source: SecretSource, error: OSError) -> str:
    if source.file is None:
        return f"see LoadCredential={source.credential}: in the unit"
    if isinstance(error, PermissionError):
        return "let only the user that runs watchkeeper read it"
    return f"write the secret there and protect it: chmod 600 {source.file}"


def _open_to_all(source: SecretSource) -> bool:
    try:
        mode = source.path.stat().st_mode
    except OSError:  # removed since it was read
        return False
    return stat.S_ISREG(mode) and bool(mode & stat.S_IROTH)
