"""Requirements on the machine: a test that cannot run is skipped visibly, and fails where skipping is not allowed."""

import os

import pytest


def need(condition: object, why: str) -> None:
    """Skip the test with `why` if `condition` does not hold; fail it if the environment sets CI=true."""
    if condition:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"skipping is not allowed under CI=true: {why}")
    pytest.skip(why)
