"""What the environment sets, as the tables of a document."""

import pytest
from pydantic import ValidationError

from tests.support.document import MODEL
from watchkeeper.config.environment import document, laid_over, variables


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


def test_the_environment_is_laid_over_a_document(monkeypatch: pytest.MonkeyPatch) -> None:
    """Table by table and key by key; a value is never read as JSON, and a variable that names no key is an error."""
    below = {"page": {"port": 1, "prefix": "/watch"}, "host": "gannet"}
    environ = {"WATCHKEEPER_PAGE__PORT": "2", "WATCHKEEPER_HOST__NAME": "skerry", "WATCHKEEPER_TIDE": "[1]"}
    above = {"page": {"port": "2", "prefix": "/watch"}, "host": {"name": "skerry"}, "tide": "[1]"}
    assert laid_over(below, environ) == above
    assert below["page"] == {"port": 1, "prefix": "/watch"}
    monkeypatch.setenv("WATCHKEEPER_HOST__NAME", "skerry")
    assert MODEL(host={"name": "gannet", "time_zone": "UTC"}).host.name == "skerry"
    monkeypatch.setenv("WATCHKEEPER_TIDE", "[1]")
    with pytest.raises(ValidationError, match="tide"):
        MODEL()
