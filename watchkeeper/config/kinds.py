"""The kinds of probe or notifier by name; a kind that watchkeeper brings is imported when it is first asked for."""

from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

K = TypeVar("K")


class Kinds(Mapping[str, K]):
    """Kinds in the order of the tables that name them. To list the names, or to look for one, imports nothing."""

    def __init__(self, built_in: Mapping[str, Callable[[], K]], others: Mapping[str, K] | None = None) -> None:
        """built_in: imports each kind. others: kinds that are imported already."""
        self._built_in, self._known = built_in, dict(others or {})
        self._names = dict.fromkeys((*built_in, *self._known))

    def __getitem__(self, name: str) -> K:
        """A kind. Raises KeyError for an unknown name."""
        if name not in self._known:
            self._known[name] = self._built_in[name]()
        return self._known[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)
