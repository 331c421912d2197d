"""A document without its wrong parts, which still knows where each part was in the whole one."""

from collections.abc import Iterable, Mapping
from typing import Any

from watchkeeper.config.errors.locations import Place


class PartialDocument:
    """Starts as the whole document; wrong parts are removed: first the key, then the whole table."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self._document = _copied(dict(document))
        self._left: dict[str, list[int]] = {
            key: list(range(len(value))) for key, value in self._document.items() if isinstance(value, list)
        }

    def document(self) -> dict[str, Any]:
        """What is left, with the gaps in lists closed."""
        return {key: [value[i] for i in self._left[key]] if key in self._left else value
                for key, value in self._document.items()}  # fmt: skip

    def original(self, keys: Place) -> Place:
        """Map a place in what is left to its place in the whole document."""
        if len(keys) < 2 or not isinstance(keys[1], int):
            return keys
        left = self._left.get(str(keys[0]), [])
        return (keys[0], left[keys[1]], *keys[2:]) if keys[1] < len(left) else keys

    def leave_out(self, places: Iterable[Place], *, tables: bool) -> None:
        """Remove each place of the whole document; if nothing is there (the key was missing), its enclosing table.

        tables: remove the enclosing table of each at once.
        """
        for keys in dict.fromkeys(places):
            if tables or not self._cut(keys):
                self._cut_table(keys)

    def _cut(self, keys: Place) -> bool:
        """Remove one key. False if it does not exist, or is an item of a list."""
        if not keys or isinstance(keys[-1], int):
            return False
        at: Any = self._document
        for key in keys[:-1]:
            try:
                at = at[key]
            except (KeyError, IndexError, TypeError):
                return False
        return isinstance(at, dict) and at.pop(keys[-1], self) is not self

    def _cut_table(self, keys: Place) -> None:
        """Remove the enclosing table from its list, or everything under the document's first key."""
        if len(keys) > 1 and isinstance(keys[1], int) and keys[0] in self._left:
            left = self._left[str(keys[0])]
            if keys[1] in left:
                left.remove(keys[1])
        elif keys:
            self._document.pop(str(keys[0]), None)
            self._left.pop(str(keys[0]), None)


def _copied(value: Any) -> Any:  # noqa: ANN401  what TOML holds
    if isinstance(value, dict):
        return {key: _copied(each) for key, each in value.items()}
    return [_copied(each) for each in value] if isinstance(value, list) else value
