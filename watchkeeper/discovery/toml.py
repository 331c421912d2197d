"""Writes values and comments as TOML 1.0, whatever a name from outside contains. Pure.

tomlkit writes keys and values. Here is what it leaves open: long lists, comments, and what cannot be seen or written.
"""

import re
import textwrap
from collections.abc import Mapping

import tomlkit

from watchkeeper.discovery.proposal import Plain, Value
from watchkeeper.probes.support.sanitize import printable

WIDTH = 116
"""Characters per line; a longer list has one item on each line."""

_SURROGATE = re.compile("[\ud800-\udfff]")


class NotWritable(ValueError):
    """A name holds bytes that are not UTF-8: a TOML document cannot hold it."""


def writable(text: str) -> bool:
    """Can a TOML document hold this text?"""
    return not _SURROGATE.search(text)


def literal(text: str) -> str:
    """A glob that matches this text: wildcards in it match literally, a byte that TOML cannot hold matches any one."""
    return _SURROGATE.sub("?", re.sub(r"([*?[])", r"[\1]", text))


def plain(value: Plain) -> str:
    """A single value. Raises NotWritable."""
    if isinstance(value, str) and not writable(value):
        raise NotWritable(printable(value))
    return _visible(tomlkit.item(value).as_string())


def key(name: str) -> str:
    """A key, bare if possible. Raises NotWritable."""
    if not writable(name):
        raise NotWritable(printable(name))
    return _visible(tomlkit.key(name).as_string())


def _visible(text: str) -> str:
    """Everything invisible is written as its code point: a mark that reverses the text direction, for one."""
    return "".join(sign if sign.isprintable() else _code_point(ord(sign)) for sign in text)


def _code_point(number: int) -> str:
    return f"\\u{number:04X}" if number < 0x10000 else f"\\U{number:08X}"


def setting(name: str, value: Value) -> list[str]:
    """`name = value`, on one line, or a list that is too long for it on several. Raises NotWritable."""
    match value:
        case tuple():
            items = [plain(each) for each in value]
            line = f"{key(name)} = [{', '.join(items)}]"
            if len(line) <= WIDTH:
                return [line]
            return [f"{key(name)} = [", *(f"    {item}," for item in items), "]"]
        case Mapping():
            inside = ", ".join(f"{key(each)} = {plain(one)}" for each, one in value.items())
            return [f"{key(name)} = {{ {inside} }}" if inside else f"{key(name)} = {{}}"]
        case _:
            return [f"{key(name)} = {plain(value)}"]


def comment(text: str) -> list[str]:
    """A comment, wrapped. Nothing in the text can end it: TOML ends a comment at a line break and forbids controls."""
    lines = textwrap.wrap(printable(text).strip(), WIDTH, break_long_words=False, break_on_hyphens=False)
    return [f"# {line}" for line in lines]


def offered(lines: list[str]) -> list[str]:
    """Settings behind `#`: remove that character to enable them."""
    return [f"#{line}" for line in lines]
