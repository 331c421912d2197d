"""What to do when an alert is raised, as Markdown and for man(7). The entries are in manual/alerts/."""

from collections.abc import Iterator
from textwrap import fill

from watchkeeper.cli.docsgen import roff
from watchkeeper.manual.runbook import runbook
from watchkeeper.messages.runbook import RunbookEntry
from watchkeeper.model.alert import Concern

OPENING = f"""\
A message begins with the fact and ends with what to do first. Here is the rest: what it means, what shows more, what
usually helps, and what makes it worse.

{fill(runbook().caution, 120)}

Names in the commands are those of the example station: use your own. `watchkeeper probe` and `watchkeeper status`
change nothing. A command that begins with `sudo` needs root."""

NO_ALERTS = {
    "An alert is intermittent": "It was raised the third time within six hours; one message says so. Its end is sent "
    "when it has stayed away for three hours. Usual causes of intermittent faults: a loose "
    "contact, too little memory, or a limit that is too strict.",
    "A reminder": "Nobody has acknowledged the alert: an alarm after an hour, a warning after a day, then each "
    "time after twice the last wait. Acknowledge it on the page, by the link in the message, or fix it.",
    "A late message": "It could not be sent at the time: the mail server did not answer, or quiet hours held it. Newer "
    "messages of the thread have the current state.",
    "Monitoring was interrupted": "The host slept or was off, or the daemon was stopped. What happened in that time is "
    "not known. `journalctl -u watchkeeper -n 50` and `last -x | head` show why.",
    "No longer monitored": "What its probe has not seen for 7 days is no longer monitored; its alerts end with this "
    "reason. Nothing has to be done.",
    "No messages at all": "No messages mean that all is well only if messages can arrive. `watchkeeper "
    "test-notifiers` sends one to every receiver; with a heartbeat ([heartbeat]) another system notices when it stops.",
}
"""Messages that are not about an alert of their own, and missing messages."""

_CONCERNS = {
    Concern.FULL: "forecast to be full",
    Concern.OVERDUE: "overdue, or due soon",
    Concern.NOT_ANSWERING: "not answering",
    Concern.FAULTY: "faulty",
    Concern.NOT_REPORTING: "not reporting",
}


def markdown() -> str:
    """The whole chapter."""
    return "\n".join(_markdown()).rstrip()


def _markdown() -> Iterator[str]:
    yield from (OPENING, "")
    yield from ("| alert about | is | see |", "|---|---|---|")
    for entry in runbook().entries:
        yield f"| {_series(entry)} | {_CONCERNS[entry.concern]} | [{entry.title}](#{entry.anchor}) |"
    yield ""
    for chapter, entries in runbook().chapters.items():
        yield from (f"## {chapter}", "")
        for entry in entries:
            yield from _entry(entry)
    yield from ("## Messages that are not about a new alert", "")
    for title, words in NO_ALERTS.items():
        yield from (f"**{title}.** {words}", "")


def _entry(entry: RunbookEntry) -> Iterator[str]:
    yield from (f"### {entry.title}", "")
    if entry.kinds:
        kinds = ", ".join(f"`{kind}`" for kind in entry.kinds)
        yield from (f"From {kinds}.", "")
    yield from (f"**What it means.** {_shown(entry, entry.means)}", "")
    yield from (f"**Look first.** {_shown(entry, entry.look)}", "")
    yield from ("```sh", *commands(entry), "```", "")
    if entry.full:
        yield from (f"**When it is full.** {_shown(entry, entry.full)}", "")
    yield from (f"**What usually helps.** {_shown(entry, entry.helps)}", "")
    yield from (f"**Better not.** {_shown(entry, entry.avoid)}", "")


def commands(entry: RunbookEntry) -> list[str]:
    """Each command on a line, followed by what it shows."""
    lines = [(_shown(entry, command), what) for command, what in entry.commands]
    width = min(max(len(command) for command, _ in lines), 64)
    return [f"{command:<{width}}  # {what}" for command, what in lines]


def _shown(entry: RunbookEntry, text: str) -> str:
    return text.replace("{name}", entry.example or entry.stand_in)


def _series(entry: RunbookEntry) -> str:
    """The series that the entry is for; patterns that only match other spellings are omitted."""
    named = [(subject, quantity) for subject, quantity in entry.about if "*" not in (subject, quantity)]
    said = [f"{subject.replace(' *', ' …')}: {quantity}" for subject, quantity in named]
    return "<br>".join(said) or entry.about[0][1].replace("*", "anything else")


def manual() -> Iterator[str]:
    """The same in the macros of man(7)."""
    yield roff.heading("description")
    yield from map(roff.paragraph, OPENING.split("\n\n"))
    for chapter, entries in runbook().chapters.items():
        yield roff.heading(chapter)
        for entry in entries:
            yield roff.part(entry.title)
            yield roff.paragraph(_shown(entry, entry.means))
            yield roff.paragraph(f"Look first: {_shown(entry, entry.look)}")
            yield roff.example(commands(entry))
            if entry.full:
                yield roff.paragraph(f"When it is full: {_shown(entry, entry.full)}")
            yield roff.paragraph(f"What usually helps: {_shown(entry, entry.helps)}")
            yield roff.paragraph(f"Better not: {_shown(entry, entry.avoid)}")
    yield roff.heading("messages that are not about a new alert")
    for title, words in NO_ALERTS.items():
        yield from roff.item(title, words)
