"""Entries of the runbook as files."""

from pathlib import Path

import pytest

from watchkeeper.manual import runbook
from watchkeeper.messages.runbook import RunbookEntry
from watchkeeper.model.alert import Concern

TEXT = """\
+++
concern = "full"
kinds = ["open-files"]
about = [["this machine", "open files"], ["*", "files"]]
example = "gannet"
+++

# The machine runs out of open files

**What it means.** No program can open
a file.

**Look first.** `lsof -n | wc -l` counts them.

```sh
sysctl fs.file-nr  # what is open: all
lsof -n            # by whom
```

**When it is full.** Stop one now.

**What usually helps.** Restart it.

**Better not.** Do not only raise the limit.
"""


def test_a_file_has_all_of_an_entry() -> None:
    """Lines of a paragraph are joined; a command ends before the spaces that align what it shows."""
    assert runbook.read_entry(TEXT) == RunbookEntry(
        title="The machine runs out of open files",
        concern=Concern.FULL,
        kinds=("open-files",),
        about=(("this machine", "open files"), ("*", "files")),
        means="No program can open a file.",
        look="`lsof -n | wc -l` counts them.",
        commands=(("sysctl fs.file-nr", "what is open: all"), ("lsof -n", "by whom")),
        helps="Restart it.",
        avoid="Do not only raise the limit.",
        full="Stop one now.",
        example="gannet",
    )


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ('concern = "full"\n', "", "concern"),
        ('"full"', '"fulll"', "fulll"),
        ("example", "exampel", "exampel"),
        ("**Better not.** Do not only raise the limit.\n", "", "avoid"),
        ("**Better not.**", "**Never.**", "**Never.**"),
        ("+++\n\n#", "#", "not enough values"),
    ],
)
def test_a_file_that_is_no_entry_is_named(
    old: str, new: str, names: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its error says which file, and what is missing or unknown in it."""
    (tmp_path / "open-files.md").write_text(TEXT.replace(old, new))
    (tmp_path / "index.toml").write_text(
        'caution = "Look."\nwrong_answer = "It answers."\nsnapshots = "They hold it."\n'
        '[[chapter]]\ntitle = "All"\nentries = ["open-files"]\n'
    )
    monkeypatch.setattr(runbook, "FOLDER", tmp_path)
    with pytest.raises(ValueError, match=r"open-files\.md is not a runbook entry") as raised:
        runbook.runbook.__wrapped__()
    assert names in str(raised.value)
