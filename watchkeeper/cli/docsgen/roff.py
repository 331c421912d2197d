"""Text for man(7): escaped, and with the few macros that a page needs. Pure; knows nothing about the page's content.

The macros are those of man(7) in groff 1.22 and mandoc 1.14: TH, SH, SS, PP, TP, EX and EE.
"""

import re
from collections.abc import Iterable, Iterator

_SIGNS = str.maketrans({"\\": r"\e", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti", '"': r"\(dq"})
"""ASCII signs that man(7) would set as typographic ones, which nobody could paste into a shell, or reads itself."""


def escaped(text: str) -> str:
    """Escaped text on one line; a leading full stop is not read as a macro."""
    line = text.translate(_SIGNS)
    return rf"\&{line}" if line.startswith(".") else line


def prose(text: str) -> str:
    """A paragraph on one line, with text in backticks set in bold."""
    pieces = " ".join(text.split()).split("`")
    pieces = [rf"\fB{escaped(each)}\fR" if at % 2 else escaped(each) for at, each in enumerate(pieces)]
    return "".join(pieces)


def title(name: str, section: int, source: str) -> str:
    """The page's head. No date: the page is generated from the code and states its version."""
    return f'.TH {escaped(name).upper()} {section} "" "{escaped(source)}"'


def heading(words: str) -> str:
    """A section."""
    return f'.SH "{escaped(words).upper()}"'


def part(words: str) -> str:
    """A subsection."""
    return f'.SS "{escaped(words)}"'


def paragraph(text: str) -> str:
    """Running text."""
    return f".PP\n{prose(text)}"


def item(term: str, text: str) -> Iterator[str]:
    """A term and its description."""
    yield f".TP\n\\fB{escaped(term)}\\fR"
    yield prose(text) if text else r"\&"


def example(lines: Iterable[str]) -> str:
    """Lines that are not wrapped."""
    return "\n".join([".PP", ".RS 4", ".EX", *(escaped(line) or r"\&" for line in lines), ".EE", ".RE"])


def page(parts: Iterable[str]) -> str:
    """The whole page without blank lines, which man(7) would render as space."""
    return re.sub(r"\n{2,}", "\n", "\n".join(parts)) + "\n"
