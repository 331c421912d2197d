"""A second configuration file whose rules are tried in place of the present ones.

In a module of its own, because pydantic is slow to import and most backtests do not need it.
"""

from pathlib import Path

from watchkeeper.config import loading
from watchkeeper.config.fields import Strict
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.tables.rules import RulesSettings
from watchkeeper.errors import ConfigError, Problem


class Overrides(Strict):
    """The only table that is read; the file may be a whole configuration."""

    rules: RulesSettings


def read_overrides(path: Path) -> RulesSettings:
    """The rules that a file sets. Raises ConfigError with every problem found."""
    document = loading.read(path)
    if "rules" not in document:
        raise ConfigError(str(path), [Problem("", "it sets no rules; write what is to be tried into [rules.full]")])
    found = loading.check_document(Overrides, {"rules": document["rules"]}, Secrets.LEFT_ALONE, path)
    return found.settings.rules


def laid_over(path: Path, present: RulesSettings) -> RulesSettings:
    """The present rules with a file's rules on top. Raises ConfigError also if the two contradict each other."""
    both = read_overrides(path).over(present)
    wrong = [Problem(f"rules.{table}", f"with the present rules, {what}") for table, what in both.disorder()]
    if wrong:
        raise ConfigError(str(path), wrong)
    return both
