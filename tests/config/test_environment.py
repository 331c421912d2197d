"""What the environment sets, as the tables of a document."""

import pytest
from pydantic.fields import FieldInfo

from tests.support.document import MODEL
from watchkeeper.config.environment import Environment, document, variables


def test_names_become_places() -> None:
    """Two underscores separate a table and its key. Other variables, empty ones and the option's own are ignored."""
    environ = {
        "WATCHKEEPER_PAGE__PORT": "1",
        "WATCHKEEPER_PAGE__PREFIX": "/watch",
        "WATCHKEEPER_WATCH_HOST": "no",
        "WATCHKEEPER_HOST__NAME": "",
        "WATCHKEEPER_CONFIG": "/x.toml",
        "HOME": "/h",
    }
    assert document(environ) == {"page": {"port": "1", "prefix": "/watch"}, "watch_host": "no"}
    assert variables(environ)[("page", "port")] == "WATCHKEEPER_PAGE__PORT"


def test_a_single_field_can_be_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """The base class of sources asks so; a value is never read as JSON."""
    monkeypatch.setenv("WATCHKEEPER_WATCH_HOST", "[1]")
    source = Environment(MODEL)
    assert source.get_field_value(FieldInfo(annotation=bool), "watch_host") == ("[1]", "watch_host", False)
