"""`sheet` from a real database and configuration."""

from pathlib import Path

from tests.cli.conftest import Run, fill
from tests.support import readstore


def test_a_house(run: Run, config: Path) -> None:
    """What the configuration says, and what is seen."""
    config.write_text(config.read_text() + '[sheet]\ncontacts = ["the warden: 100"]\n')
    fill(config.with_name("watchkeeper.db"), readstore.full())
    result = run("sheet")
    assert result.exit_code == 0
    assert "Whom to call:\n  the warden: 100\n" in result.stdout
    assert "\n  pool skerry: " in result.stdout
    assert "\n  on pool skerry: " not in result.stdout  # no probe of this configuration says what depends on it


def test_a_contact_is_one_line(run: Run, config: Path) -> None:
    """The error names the key."""
    config.write_text(config.read_text() + '[sheet]\ncontacts = ["the\\nwarden"]\n')
    result = run("check-config")
    assert "sheet.contacts[1]" in result.output
    assert "one line" in result.output
