"""How the commands print: rows that stay aligned in any script and at any width, bold at most, and JSON.

Colour carries no information, so that a pipe, NO_COLOR and a printout show the same as the terminal. Not here:
sentences.
"""

import io
import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from watchkeeper.messages.wording import clean

LONGEST_LINE = 110
"""Longer lines are hard to read, however wide the terminal is."""

INDENT = 2
MOST_LEFT = 16
"""Cells of the left column of a row: `about 11 months` fits."""

Row = tuple[str, Sequence[str]]
"""What stands on the left, and the lines beside it."""

Leaf = tuple[int, str, str]
"""How deep a line of a tree is, what it is about, and how that is."""

MOST_NAME = 44
"""Cells of the left column of a tree, with its indentation: `    container ring-reader` fits."""

_PAGE: ContextVar[list[str] | None] = ContextVar("page", default=None)


@contextmanager
def gathered() -> Iterator[list[str]]:
    """Collect the lines printed in this context instead of printing them; they are as stdout would show them."""
    lines: list[str] = []
    token = _PAGE.set(lines)
    try:
        yield lines
    finally:
        _PAGE.reset(token)


def is_screen() -> bool:
    """Whether stdout is a terminal whose content can be redrawn."""
    return sys.stdout is not None and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def on_screen(lines: Sequence[str]) -> None:
    """Draw lines from the top of the terminal, over the old ones. The last line counts those that do not fit.

    ECMA-48: CUP (H) goes to the top, EL (K) clears the rest of a line, ED (J) what is below.
    """
    room = max(2, shutil.get_terminal_size().lines - 1)
    if len(lines) > room:
        lines = [*lines[: room - 1], f"{len(lines) - room + 1} more lines: make the terminal taller"]
    click.echo("\x1b[H" + "".join(f"{line}\x1b[K\n" for line in lines) + "\x1b[J", nl=False)


def heading(text: str) -> None:
    """A line that is emphasised if the terminal supports it."""
    _show(Text(text, style="bold"))


def paragraph(text: str) -> None:
    """One or more sentences, wrapped."""
    _show(Text(text))


def rows(found: Iterable[Row], most_left: int = MOST_LEFT) -> None:
    """Rows in two columns; each column is wrapped separately. most_left: maximum cells of the left one."""
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=False, min_width=8, max_width=most_left)
    grid.add_column(overflow="fold")
    for left, right in found:
        grid.add_row(Text(clean(left)), Text("\n".join(clean(line, 400) for line in right)))
    if grid.row_count:
        _show(Padding(grid, (0, 0, 0, INDENT)))


def tree(found: Iterable[Leaf]) -> None:
    """Lines in two columns, the left one indented by depth. A name that is too long continues below, indented too."""
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(min_width=12, max_width=MOST_NAME)
    grid.add_column(overflow="fold")
    for depth, name, words in found:
        grid.add_row(Padding(Text(clean(name)), (0, 0, 0, INDENT * depth)), Text(clean(words, 400)))
    _show(Padding(grid, (0, 0, 0, INDENT)))


def blank() -> None:
    """An empty line."""
    _print("")


def as_json(value: object) -> None:
    """One JSON document on one line; RFC 8259, so no NaN and no infinity."""
    click.echo(json.dumps(value, ensure_ascii=False, allow_nan=False))


def _show(what: Text | Padding) -> None:
    """Render in memory, then print: rich itself would end the process if the reader closed the pipe."""
    bold = is_screen() and not os.environ.get("NO_COLOR")
    page = io.StringIO()
    console = Console(
        file=page,
        width=_width(),
        force_terminal=bold,
        no_color=True,
        highlight=False,
        emoji=False,
        legacy_windows=False,
    )
    console.print(what)
    _print("\n".join(line.rstrip() for line in page.getvalue().splitlines()))


def _print(text: str) -> None:
    page = _PAGE.get()
    if page is None:
        click.echo(text)
    else:
        page += text.split("\n")


def _width() -> int:
    """The terminal's width; 80 if there is no terminal and $COLUMNS is not set."""
    columns = os.environ.get("COLUMNS", "")
    if columns.isdecimal() and int(columns) >= 20:
        return min(int(columns), LONGEST_LINE)
    try:
        return max(20, min(os.get_terminal_size(sys.stdout.fileno()).columns, LONGEST_LINE))
    except (OSError, ValueError, AttributeError):  # no terminal, or stdout is closed
        return 80
