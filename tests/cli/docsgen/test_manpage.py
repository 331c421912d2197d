"""The man pages: whole, and well formed for the programs that show them."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from tests.support.needs import need
from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.docsgen import manpage, reference, roff
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.manual.runbook import runbook


@pytest.fixture
def pages(tmp_path: Path) -> dict[str, Path]:
    """Every page, written."""
    manpage.write(tmp_path)
    return {place: tmp_path / place for place in manpage.PAGES}


def shown(page: Path) -> str:
    """A page as groff sets it on a very wide terminal, in plain signs. Nothing of it may be complained about."""
    need(shutil.which("groff"), "groff")
    words = ["groff", "-man", "-Tutf8", "-Kutf8", "-ww", "-P-cbou", "-rLL=1000n", str(page)]
    done = subprocess.run(words, capture_output=True, check=True, timeout=60)
    assert done.stderr.decode() == ""
    return done.stdout.decode()


@pytest.mark.parametrize("place", manpage.PAGES)
def test_a_page_is_well_formed(place: str, pages: dict[str, Path]) -> None:
    """Groff warns of nothing, with every warning on, and mandoc of nothing but what it does not know, where it is."""
    assert "NAME" in shown(pages[place])
    if mandoc := shutil.which("mandoc"):
        done = subprocess.run(
            [mandoc, "-Tlint", "-Werror", str(pages[place])], capture_output=True, check=False, timeout=60
        )
        assert done.returncode == 0, done.stdout.decode()


def test_every_command_and_option_is_there(pages: dict[str, Path]) -> None:
    """Each as it is written on the command line, with the words of its help."""
    text = shown(pages["man1/watchkeeper.1"])
    for name, later in COMMANDS.items():
        command = later.command()
        assert re.search(rf"^ +watchkeeper {name}\b", text, re.MULTILINE)
        for left, said in reference.options(command, click.Context(command, info_name=name)):
            assert left in text
            assert re.search(rf"{re.escape(said.replace('`', ''))}", text), said


def test_every_key_is_there(pages: dict[str, Path]) -> None:
    """Each table, and each key of it."""
    text = shown(pages["man5/watchkeeper.toml.5"])
    for table in reference.tables(reference.MODEL):
        assert f"\n   {table.title}\n" in text
        assert [key for key in table.keys() if not re.search(rf"^ +{key}\b", text, re.MULTILINE)] == []  # noqa: SIM118  its own


def test_every_entry_on_alerts_is_there(pages: dict[str, Path]) -> None:
    """Each with its commands, which can be copied as they are."""
    text = shown(pages["man7/watchkeeper-alerts.7"])
    for entry in runbook().entries:
        assert f"\n   {entry.title}\n" in text
    assert "sudo du -x --max-depth=2 /srv | sort -n | tail -n 20" in text
    assert "journalctl -k --grep='Killed process' -n 5" in text


def test_the_options_of_the_whole_are_there(pages: dict[str, Path]) -> None:
    """--config and --version."""
    text = shown(pages["man1/watchkeeper.1"])
    assert [left for left, _ in reference.options(main, click.Context(main)) if left not in text] == []


@pytest.mark.parametrize("sign", ["\\", "-", "'", "`", "^", "~", ".TH", "\\fB", '"'])
def test_no_sign_is_lost_or_becomes_another(sign: str, tmp_path: Path) -> None:
    """What means something to the formatter is set as it stands."""
    page = tmp_path / "page.7"
    page.write_text(roff.page([roff.title("page", 7, "test"), roff.heading("name"), roff.example([f"{sign}x{sign}"])]))
    assert f"    {sign}x{sign}\n" in shown(page)


def test_what_is_installed_is_removed() -> None:
    """The list of pages that the scripts under deploy/ go by has every page."""
    files = (Path(__file__).parents[3] / "deploy/files").read_text()
    assert re.findall(r'^PAGES="(.*)"$', files, re.MULTILINE) == [" ".join(manpage.PAGES)]


def test_it_is_run_as_a_module(tmp_path: Path) -> None:
    """As an installation does it; the manual is written alike."""
    for module in ("watchkeeper.cli.docsgen.manpage", "watchkeeper.cli.docsgen.reference"):
        subprocess.run([sys.executable, "-m", module, str(tmp_path)], check=True, timeout=60)
    assert (tmp_path / "man7/watchkeeper-alerts.7").exists()
    assert (tmp_path / "alerts.md").read_text() == reference.text(reference.PARTS[0])


def test_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One folder, which is made; else wrong use, or a place that cannot be written, in one line."""
    assert manpage.from_command_line([str(tmp_path / "man")]) == Exit.OK
    assert (tmp_path / "man/man1/watchkeeper.1").stat().st_mode & 0o777 == 0o644
    assert manpage.from_command_line([]) == Exit.USAGE
    assert manpage.from_command_line(["--help"]) == Exit.USAGE
    (tmp_path / "file").write_text("")
    assert manpage.from_command_line([str(tmp_path / "file")]) == Exit.CANNOT_CREATE
    assert "cannot be written" in capsys.readouterr().err
