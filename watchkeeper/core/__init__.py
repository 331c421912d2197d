"""What watchkeeper knows about time left: pure functions and frozen values.

No I/O, no clock, no asyncio, no logging in here: `now` is always an argument. Importing any of them is refused by the
linter's rules in pyproject.toml.
"""
