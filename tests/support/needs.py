"""What a test needs of the machine: a test that cannot run says so loudly, and fails where nothing may be skipped."""

import os

import pytest


def need(condition: object, why: str) -> None:
    """Skip the test with `why` where `condition` does not hold; fail it where the environment says CI=true."""
    if condition:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"skipping is not allowed under CI=true: {why}")
    pytest.skip(why)
