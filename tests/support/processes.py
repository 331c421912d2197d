"""A test's own process, which cannot outlive the block that started it."""

import contextlib
import os
import signal
import subprocess
from collections.abc import Iterator, Sequence
from typing import Any


@contextlib.contextmanager
def started(words: Sequence[str], **options: Any) -> Iterator[subprocess.Popen[Any]]:
    """Start a process in a session of its own; at the end of the block it is killed with its children.

    Popen's own `with` waits until the process ends, even if the test has failed.
    """
    process = subprocess.Popen(words, start_new_session=True, **options)
    with process:
        try:
            yield process
        finally:
            if process.poll() is None:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait(30)
