"""A real daemon as a process, for tests and measurements."""

import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Self


def base(folder: str = "{folder}") -> str:
    """The beginning of a configuration: the host gannet without its own probes, a page on any port.

    A probe that runs each second may run seconds late on a busy machine: it is not reported as missing for minutes.

    folder: the folder of the database, or a field for str.format.
    """
    return f"""
watch_host = false
[host]
name = "gannet"
time_zone = "UTC"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[rules.not_reporting]
intervals = 300
"""


def command(config: Path, name: str = "run") -> list[str]:
    """The command that starts a daemon with a configuration. name: `run` or `station`."""
    return [sys.executable, "-m", "watchkeeper", "--config", str(config), name]


class Daemon:
    """A daemon that has printed its page's address. Killed at the end of the `with` block if it still runs."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        """process: started with its standard output in a pipe, as text."""
        self.process = process
        try:
            self.address = self._printed()
        except BaseException:  # also if the test times out: nothing else would end the process
            self.kill()
            raise

    def _printed(self) -> str:
        """The address that it prints as soon as the page answers."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if "http://" in line:
                return line[line.index("http://") :].strip()
        raise AssertionError("the daemon ended without printing an address")

    @classmethod
    def start(cls, config: Path, name: str = "run") -> Self:
        """Start one with a configuration. name: `run` or `station`."""
        return cls(subprocess.Popen(command(config, name), stdout=subprocess.PIPE, text=True))

    def stop(self, within_s: float = 20) -> int:
        """Ask it to stop, as systemd does; returns its exit code."""
        self.process.terminate()
        return self._ended(within_s)

    def kill(self) -> None:
        """Kill it at once, as a power cut would."""
        self.process.kill()
        self._ended(20)

    def _ended(self, within_s: float) -> int:
        code = self.process.wait(within_s)
        if self.process.stdout is not None:
            self.process.stdout.close()
        return code

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.kill()
