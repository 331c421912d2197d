"""A document with its wrong parts left out, which still knows where each part stood in the whole one."""

from collections.abc import Iterable, Mapping
from typing import Any

from watchkeeper.config.errors.locations import Place


class PartialDocument:
    """Begins as the whole document; what is wrong is left out of it: first the key, then the whole table."""

    def __init__(self, document: Mapping[str, Any]) -> None:
        self._document = _copied(dict(document))
        self._left: dict[str, list[int]] = {
            key: list(range(len(value))) for key, value in self._document.items() if isinstance(value, list)
        }

    def document(self) -> dict[str, Any]:
        """What is left, with the lists closed up."""
        return {key: [value[i] for i in self._left[key]] if key in self._left else value
                for key, value in self._document.items()}  # fmt: skip

    def original(self, keys: Place) -> Place:
        """The place in the whole document of a place in what is left."""
        if len(keys) < 2 or not isinstance(keys[1], int):
            return keys
        left = self._left.get(str(keys[0]), [])
        return (keys[0], left[keys[1]], *keys[2:]) if keys[1] < len(left) else keys

    def leave_out(self, places: Iterable[Place], *, tables: bool) -> None:
        """Leave out each place of the whole document; where nothing is there (it was missing), the table about it.

        tables: leave out the table about each at once.
        """
        for keys in dict.fromkeys(places):
            if tables or not self._cut(keys):
                self._cut_table(keys)

    def _cut(self, keys: Place) -> bool:
        """Take one key out. False where there is none, or where it is an item of a list."""
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
        """Take out the table of a list, or the whole of what stands under the document's first key."""
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
