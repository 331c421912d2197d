"""Combines sections into one commented document that loads: names are made unique, and each table is tested first.

Not here: TOML's own rules (toml.py), and what is proposed (the finders).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from watchkeeper.config.loading import check_document, parse
from watchkeeper.config.secrets import Secrets
from watchkeeper.discovery import toml
from watchkeeper.discovery.proposal import Found, Key, Proposal, Value
from watchkeeper.discovery.registry import Section
from watchkeeper.errors import ConfigError
from watchkeeper.probes.support.sanitize import printable
from watchkeeper.settings import known_model

NAME_LIMIT = 100
"""The maximum length of a name in a probe's settings."""

_SAME = "See the remedy above."

RULE = "# " + "-" * 78


@dataclass(frozen=True, slots=True)
class Survey:
    """What was found, and when. host: the host's own name."""

    host: str
    at: datetime
    sections: Sequence[Section]

    @property
    def found(self) -> Found:
        """The results of all sections together."""
        return sum((each.found for each in self.sections), Found())


def render(survey: Survey) -> str:
    """Render the document. It is valid as it is, and with each offered key and table enabled."""
    taken: set[str] = set()
    lines = list(_head(survey))
    for section in survey.sections:
        if not section.found.proposals:
            continue
        lines += ["", RULE, *toml.comment(section.heading)]
        for each in section.found.proposals:
            lines += ["", *table_lines(_unique(each, taken))]
    tail = list(_tail(survey.found))
    lines += ["", RULE, *tail] if tail else []
    return "\n".join(lines) + "\n"


def _head(survey: Survey) -> Iterator[str]:
    yield from toml.comment(
        f"A configuration for {printable(survey.host)}, proposed by `watchkeeper discover` on {survey.at:%Y-%m-%d} "
        "from what it saw on that day. A limit is what was seen plus a margin; the comment above it gives the reason."
    )
    yield from toml.comment("A line that begins with # and a key is optional: remove the # to use it.")
    yield from toml.comment("Check it before you use it: watchkeeper --config THIS-FILE check-config")
    yield from ("", "[host]", *toml.setting("name", _fit_name(survey.host)))
    yield ""
    yield from toml.comment(
        "Who is notified? Without a [[notifier]], nobody: alerts are only on the page and in `watchkeeper status`."
    )
    yield from toml.comment("All kinds of notifier and their keys: config.example.toml.")
    yield from toml.offered(
        ["[[notifier]]", 'kind = "mail"', 'server = "localhost"', 'security = "none"', 'from = "watch@example.org"',
         'to = ["operator@example.org"]']
    )  # fmt: skip


def _tail(found: Found) -> Iterator[str]:
    if found.unseen:
        yield from toml.comment("What could not be examined:")
    given: set[str] = set()
    for each in found.unseen:
        yield from toml.comment(f"- {replace(each, remedy=_SAME) if each.remedy in given else each}")
        given |= {each.remedy} - {""}
    if found.absent:
        yield from toml.comment(f"Searched for and not found: {', '.join(found.absent)}.")


def _unique(proposal: Proposal, taken: set[str]) -> Proposal:
    """The proposal with a name that no other table has: the configuration accepts each name once."""
    wanted = proposal.label if proposal.label == proposal.kind else _fit_name(proposal.label)
    name, number = wanted, 2
    while name in taken:
        name, number = f"{wanted[: NAME_LIMIT - 5]} {number}", number + 1
    taken.add(name)
    return proposal if name == proposal.label else proposal.called(name)


def _fit_name(name: str) -> str:
    """Make a valid probe name: one printable line of bounded length."""
    return printable(name).strip()[: NAME_LIMIT - 5] or "unnamed"


def table_lines(proposal: Proposal) -> list[str]:
    """One table, tested as it will be read. One that is invalid is written as a comment, with the reason."""
    reason = _refused(proposal)
    if reason:
        note = f"This table would not be accepted, so it is only a comment: {reason}"
        plain = [f"{key.name}: {_plain(key.value)}" for key in proposal.keys]
        return [
            line for text in (*proposal.about, note, f"kind: {proposal.kind}", *plain) for line in toml.comment(text)
        ]
    lines = [line for text in proposal.about for line in toml.comment(text)]
    table = ["[[probe]]", *toml.setting("kind", proposal.kind)]
    lines += toml.offered(table) if proposal.offered else table
    for key in proposal.keys:
        lines += _key(key, offered=proposal.offered or key.offered)
    return lines


def _plain(value: Value) -> str:
    """A value as text, which need not be valid in a configuration."""
    return ", ".join(printable(str(each)) for each in (value if isinstance(value, tuple) else (value,)))


def _key(key: Key, *, offered: bool) -> list[str]:
    setting = toml.setting(key.name, key.value)
    return [*(toml.comment(key.why) if key.why else ()), *(toml.offered(setting) if offered else setting)]


def _refused(proposal: Proposal) -> str:
    """Why a table is invalid, with every key or without those that are offered; empty if it is valid."""
    in_force = replace(proposal, keys=tuple(key for key in proposal.keys if not key.offered))
    return _why_not(proposal) or _why_not(in_force)


def _why_not(proposal: Proposal) -> str:
    try:
        text = "\n".join(
            [
                "watch_host = false",
                "[[probe]]",
                *(line for name, value in proposal.table().items() for line in toml.setting(name, value)),
            ]
        )
        check_document(known_model(), {**parse(text, "survey"), "store": {"path": "/dev/null"}}, Secrets.LEFT_ALONE)
    except toml.NotWritable as error:
        return f"{error} is not valid UTF-8, which a configuration needs"
    except ConfigError as error:
        # What the environment sets may also be wrong; that is not the table's fault.
        return "; ".join(f"{each.place}: {each.what}" for each in error.problems if each.place.startswith("probe"))
    return ""
