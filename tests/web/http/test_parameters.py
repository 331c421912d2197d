"""Parameters of routes."""

import pytest
from aiohttp.test_utils import make_mocked_request

from watchkeeper.web.http.parameters import whole


def test_parameter_without_default_must_not_be_taken_for_granted() -> None:
    """A handler that asks for a value which may be missing has a mistake in it, and learns so."""
    with pytest.raises(TypeError, match="before has no default"):
        whole("before", "", 1, 9).given(make_mocked_request("GET", "/"))


def test_describes_itself() -> None:
    """The schema and the words say the same as what is read."""
    limit = whole("limit", "At most this many.", 1, 500, 100)
    assert limit.schema == {"type": "integer", "minimum": 1, "maximum": 500, "default": 100}
    assert limit.allowed == "a whole number from 1 to 500"
    assert limit.given(make_mocked_request("GET", "/?limit=500")) == 500
