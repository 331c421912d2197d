"""Settings from the environment: `WATCHKEEPER_PAGE__PORT=8990` is `port` under `[page]`. One value each, no lists.

Unlike pydantic's own source, a variable that names no key is passed on and reported as an error instead of being
ignored.
"""

import os
from collections.abc import Mapping
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_settings import PydanticBaseSettingsSource

from watchkeeper.config import deprecations

PREFIX = "WATCHKEEPER_"
BETWEEN = "__"
RESERVED = frozenset({"WATCHKEEPER_CONFIG"})
"""Variables of the commands' options; they are no keys of the document."""

Keys = tuple[str, ...]


def variables(environ: Mapping[str, str]) -> dict[Keys, str]:
    """The variables that set a key of the document: the key's place -> the variable's name. Empty ones set nothing."""
    return {
        tuple(name.removeprefix(PREFIX).lower().split(BETWEEN)): name
        for name in sorted(environ)
        if name.startswith(PREFIX) and name not in RESERVED and environ[name]
    }


def outdated(environ: Mapping[str, str]) -> list[tuple[Keys, str]]:
    """Each variable that is named after an old key: the place of that key, and what to set instead."""
    found = []
    for keys, name in variables(environ).items():
        now, since = deprecations.successor(keys)
        if now is None:
            found.append((keys, f"was removed in {since}; unset {name}"))
        elif since:
            found.append((keys, f"was renamed in {since}; set {PREFIX}{BETWEEN.join(now).upper()} instead of {name}"))
    return found


def document(environ: Mapping[str, str]) -> dict[str, Any]:
    """What the environment sets, as nested tables in today's names.

    If one variable's key contains another's, the longer one wins.
    """
    out: dict[str, Any] = {}
    for old, name in sorted(variables(environ).items()):
        keys, _ = deprecations.successor(old)
        if keys is None:
            continue
        table = out
        for key in keys[:-1]:
            if not isinstance(table.get(key), dict):
                table[key] = {}
            table = table[key]
        table[keys[-1]] = environ[name]
    return out


class Environment(PydanticBaseSettingsSource):
    """The source that reads the process's environment."""

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:  # noqa: ARG002  the base class's signature
        """One field's value from the environment."""
        return document(os.environ).get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        """Everything that the environment sets, unknown keys included."""
        return document(os.environ)
