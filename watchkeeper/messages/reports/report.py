"""A report: a title, remarks, and sections of plain lines; as text for mail and the terminal. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

LISTED = 12
"""Lines of a section: a report fits on a sheet or two. The rest is counted."""


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report: its heading, its lines, and how many more there are."""

    heading: str
    lines: tuple[str, ...]
    more: int = 0


@dataclass(frozen=True, slots=True)
class Report:
    """title: `Report of gannet for November 2026`. headline: in short. remarks: how far what follows can be trusted."""

    title: str
    headline: str
    remarks: tuple[str, ...]
    sections: tuple[Section, ...]


def section(heading: str, lines: Sequence[str], none: str, listed: int = LISTED) -> Section:
    """A section of at most so many lines. none: what it says where there is none."""
    return Section(heading, tuple(lines[:listed]) or (none,), max(0, len(lines) - listed))


def report_text(report: Report) -> str:
    """The report as plain text."""
    parts = [report.title, *report.remarks]
    for each in report.sections:
        more = [f"  and {each.more} more"] if each.more else []
        parts.append("\n".join([f"{each.heading}:", *(f"  {line}" for line in each.lines), *more]))
    return "\n\n".join(parts) + "\n"
