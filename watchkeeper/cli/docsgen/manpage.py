"""Writes the man pages from the code: `python -m watchkeeper.cli.docsgen.manpage MANDIR`.

watchkeeper(1) has every command with its options, watchkeeper.toml(5) every key of the configuration,
watchkeeper-alerts(7) what to do when an alert is raised. Only what a man page has in addition is written here: file
locations, and the cautions.
"""

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from watchkeeper import __version__
from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.docsgen import alerts as reference_alerts
from watchkeeper.cli.docsgen import reference, roff
from watchkeeper.cli.exit_codes import MEANING, Exit

SOURCE = f"watchkeeper {__version__}"

CAUTIONS = (
    "A snapshot on the same pool is not a backup: what breaks the pool breaks both.",
    "A backup that was never restored is a hope.",
    "A forecast is an estimate; the 90 % range is part of the answer.",
    "This is not a life-safety system.",
    "Smoke, gas, medical and heating-failure alarms need their own certified devices.",
    "Follow local codes.",
    "Disk and electrical work on the server, and work on a UPS and its batteries, is at the owner's risk.",
    "Where local rules ask for it, such work is a licensed person's.",
)

FILES = {
    "/etc/watchkeeper/config.toml": "The configuration of the service; see watchkeeper.toml(5).",
    "~/.config/watchkeeper/config.toml": "The configuration where a person runs it.",
    "/var/lib/watchkeeper/watchkeeper.db": "The database of the service: history, alerts, event log, messages to send.",
    "~/.local/state/watchkeeper/watchkeeper.db": "The database where a person runs it.",
    "/run/watchkeeper-helper.sock": "Where root's side listens, if it is installed.",
}

ENVIRONMENT = {
    "WATCHKEEPER_CONFIG": "The configuration to read, as with --config.",
    "WATCHKEEPER_...": "A key of the configuration, before that of the file; one that is not known is an error.",
    "CREDENTIALS_DIRECTORY": "Where systemd puts the credentials that the configuration names.",
}


def commands() -> str:
    """watchkeeper(1)."""
    return roff.page(_commands())


def _commands() -> Iterator[str]:
    summary, *more = reference.paragraphs(main.help or "")
    yield from _head("watchkeeper", 1, "monitor one home server, and show how much time is left")
    yield from (roff.heading("synopsis"), ".PP", r"\fBwatchkeeper\fR [\fB\-\-config\fR \fIFILE\fR] \fICOMMAND\fR ...")
    yield from (roff.heading("description"), *_help([summary, *more]))
    yield from (roff.heading("options"), *_options(main, click.Context(main)))
    yield roff.heading("commands")
    for name, later in COMMANDS.items():
        command = later.command()
        context = click.Context(command, info_name=name)
        yield roff.part(name)
        yield roff.paragraph(f"`{reference.usage(name, command, context)}`")
        yield from _help(reference.paragraphs(command.help or ""))
        yield from _options(command, context)
    yield from (roff.heading("exit status"), roff.paragraph("The codes from 64 on are those of sysexits(3)."))
    for code, words in MEANING.items():
        yield from roff.item(str(int(code)), words)
    yield from _listed("environment", ENVIRONMENT)
    yield from _listed("files", FILES)
    yield from _cautions()
    yield from _see_also("watchkeeper.toml(5)", "watchkeeper-alerts(7)", "systemctl(1)", "journalctl(1)")


def configuration() -> str:
    """watchkeeper.toml(5)."""
    return roff.page(_configuration())


def _configuration() -> Iterator[str]:
    yield from _head("watchkeeper.toml", 5, "the configuration of watchkeeper")
    yield roff.heading("description")
    yield roff.paragraph(
        "The configuration is a TOML file. Without one, watchkeeper watches what it finds. `watchkeeper discover` "
        "proposes one for this host, and `watchkeeper check-config` reports every error at once."
    )
    yield roff.heading("tables")
    for table in reference.tables(reference.MODEL):
        yield from (roff.part(table.title), roff.paragraph(reference.summary(table.model)))
        for key, takes, default, said in table.rows():
            set_so = f"Default: {default}." if default not in ("", reference.NO_DEFAULT) else default.capitalize() + "."
            yield from roff.item(key, f"{said[:1].upper()}{said[1:]}. Takes {takes}. {set_so if default else ''}")
    yield from _listed("files", FILES)
    yield from _see_also("watchkeeper(1)", "watchkeeper-alerts(7)")


def alerts() -> str:
    """watchkeeper-alerts(7)."""
    return roff.page(_alerts())


def _alerts() -> Iterator[str]:
    yield from _head("watchkeeper-alerts", 7, "what to do when an alert of watchkeeper comes")
    yield from reference_alerts.manual()
    yield from _cautions()
    yield from _see_also("watchkeeper(1)", "watchkeeper.toml(5)")


def _head(name: str, section: int, summary: str) -> Iterator[str]:
    # mandoc and man-db read the line after NAME as `page \- what it is`.
    yield from (r".\" Made by watchkeeper.cli.docsgen.manpage from the code.", roff.title(name, section, SOURCE))
    yield from (roff.heading("name"), rf"{roff.escaped(name)} \- {roff.escaped(summary)}")


def _help(texts: list[str]) -> Iterator[str]:
    for text in texts:
        lines = reference.kept(text)
        yield roff.example(lines) if lines else roff.paragraph(text)


def _options(command: click.Command, context: click.Context) -> Iterator[str]:
    for left, said in reference.options(command, context):
        yield from roff.item(left, said)


def _listed(words: str, entries: dict[str, str]) -> Iterator[str]:
    yield roff.heading(words)
    for term, said in entries.items():
        yield from roff.item(term, said)


def _cautions() -> Iterator[str]:
    yield roff.heading("cautions")
    yield from map(roff.paragraph, CAUTIONS)


def _see_also(*pages: str) -> Iterator[str]:
    yield from (roff.heading("see also"), roff.paragraph(", ".join(f"`{page}`" for page in pages)))


PAGES: dict[str, Callable[[], str]] = {
    "man1/watchkeeper.1": commands,
    "man5/watchkeeper.toml.5": configuration,
    "man7/watchkeeper-alerts.7": alerts,
}
"""Each page by its place below the folder of man pages."""


def write(folder: Path) -> None:
    """Write every page to a folder. Raises OSError."""
    for place, make in PAGES.items():
        path = folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(make(), encoding="utf-8")
        path.chmod(0o644)


def from_command_line(words: list[str]) -> int:
    """Run `python -m watchkeeper.cli.docsgen.manpage MANDIR`; returns its exit code."""
    if len(words) != 1 or words[0].startswith("-"):
        print("use: python -m watchkeeper.cli.docsgen.manpage MANDIR, such as /usr/local/share/man", file=sys.stderr)
        return Exit.USAGE
    try:
        write(Path(words[0]))
    except OSError as error:
        print(f"the man pages cannot be written to {words[0]}: {error.strerror}", file=sys.stderr)
        return Exit.CANNOT_CREATE
    return Exit.OK


if __name__ == "__main__":
    sys.exit(from_command_line(sys.argv[1:]))
