"""What is left of a document without its wrong parts, and where each part was."""

from typing import Any

from watchkeeper.config.errors.partial_document import PartialDocument

DOCUMENT: dict[str, Any] = {
    "host": {"name": "gannet", "zone": "Berlin"},
    "notifier": [{"kind": "mail", "to": ["a"]}, {"kind": "webhook", "url": 7}, {"kind": "command", "run": ["x", 9]}],
}


def test_a_wrong_item_of_a_list_removes_its_table() -> None:
    """Half of a command would be another one; the tables around it stay, and know where they were."""
    partial = PartialDocument(DOCUMENT)
    partial.leave_out([("notifier", 1)], tables=False)
    partial.leave_out([("notifier", 2, "run", 1)], tables=False)
    assert partial.document() == {"host": DOCUMENT["host"], "notifier": [DOCUMENT["notifier"][0]]}


def test_a_wrong_key_is_removed_alone() -> None:
    """All others of its table stay; the place of a later table is that in the whole document."""
    partial = PartialDocument(DOCUMENT)
    partial.leave_out([("host", "zone"), ("notifier", 1)], tables=False)
    assert partial.document()["host"] == {"name": "gannet"}
    assert partial.original(("notifier", 1, "run")) == ("notifier", 2, "run")
    assert partial.original(("host", "name")) == ("host", "name")
    assert DOCUMENT["host"] == {"name": "gannet", "zone": "Berlin"}


def test_a_missing_key_removes_what_misses_it() -> None:
    """There is nothing else to leave out."""
    partial = PartialDocument(DOCUMENT)
    partial.leave_out([("host", "page"), ("notifier", 0, "server")], tables=False)
    assert partial.document() == {"notifier": DOCUMENT["notifier"][1:]}


def test_what_is_wrong_with_the_whole_removes_nothing() -> None:
    """An error that has no place of its own."""
    partial = PartialDocument(DOCUMENT)
    partial.leave_out([()], tables=False)
    partial.leave_out([()], tables=True)
    assert partial.document() == DOCUMENT
