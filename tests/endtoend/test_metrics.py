"""A real daemon's /metrics: read with a token, checked by the standard's grammar, in step with what it does."""

import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from tests.support.daemon import Daemon
from tests.web.exposition.grammar import parsed

CONFIG = """
watch_host = false
[page]
port = 0
metrics = true
[[page.token]]
name = "dashboards"
rights = ["metrics"]
secret = {{ file = "{folder}/token" }}
[store]
path = "{folder}/watchkeeper.db"
[[probe]]
kind = "memory"
every = "1s"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:9/"
"""
TOKEN = "a-token-of-dashboards-0123456789"


def test_a_daemons_metrics(tmp_path: Path) -> None:
    """Runs of a probe are counted, and memory is as large as the kernel says."""
    (tmp_path / "token").write_text(TOKEN)
    (tmp_path / "token").chmod(0o600)
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path))
    with Daemon.start(config) as daemon:
        with pytest.raises(urllib.error.HTTPError, match="401"):
            urllib.request.urlopen(f"{daemon.address}metrics", timeout=60)
        deadline = time.monotonic() + 60
        while (found := _scrape(daemon.address)).get(("watchkeeper_probe_runs_total", "memory"), 0) < 2:
            assert time.monotonic() < deadline, found
            time.sleep(0.5)
        assert daemon.stop() == 0
    size = found["watchkeeper_level_size_bytes", "in use", "memory"]
    total_kib = int(Path("/proc/meminfo").read_text(encoding="ascii").split()[1])
    assert 0 < size <= total_kib * 1024
    assert found["watchkeeper_probe_failures_total", "memory"] == 0
    assert found["watchkeeper_deliveries_waiting", "webhook"] == 0


def _scrape(address: str) -> dict[tuple[str, ...], float]:
    """Samples by name and the values of their labels."""
    request = urllib.request.Request(f"{address}metrics", headers={"Authorization": f"Bearer {TOKEN}"})
    with urllib.request.urlopen(request, timeout=60) as answer:
        found = parsed(answer.read().decode())
    return {(name, *(value for _, value in labels)): value for (name, labels), value in found.items()}
