"""Time synchronisation: the kernel's own account, read for real, and what it means."""

import ctypes
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.probes.hands import the_condition
from tests.support.needs import need
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition
from watchkeeper.privileged import commands, timex
from watchkeeper.privileged.commands import Entry
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host import clock as clock_sync
from watchkeeper.probes.host.clock import ClockProbe, ClockSettings, ClockState, read_clock


async def look(bench: ProbeContext, state: ClockState, tmp_path: Path, up_s: float = 10_000) -> Condition:
    """What a state of the clock means on a host that has been up for a while."""
    uptime = tmp_path / "uptime"
    uptime.write_text(f"{up_s:.2f} 4242.42\n")
    probe = ClockProbe(ClockSettings(), bench, lambda: state, uptime)
    seen = the_condition(await probe.observe())
    await probe.close()
    return seen


async def test_a_clock_that_is_kept(bench: ProbeContext, tmp_path: Path) -> None:
    """An error well below the limit is sound, and told in milliseconds."""
    seen = await look(bench, ClockState(0.25, 0.0015, -0.000042), tmp_path)
    assert str(seen.key) == "clock: synchronised"
    assert seen.ok
    assert seen.facts == (
        ("largest error", "250 ms"), ("estimated error", "1.5 ms"), ("being corrected by", "-0.042 ms"),
    )  # fmt: skip


async def test_updates_stay_away(bench: ProbeContext, tmp_path: Path) -> None:
    """An error that has grown beyond the limit is told with both."""
    seen = await look(bench, ClockState(4.5, 0.1, 0), tmp_path)
    assert not seen.ok
    assert seen.reason == "it may be off by 4.5 s, limit 4s; no recent update"


async def test_a_clock_that_nobody_set(bench: ProbeContext, tmp_path: Path) -> None:
    """After a start the clock may still be unset for a while, and then no more."""
    unset = ClockState(None, 16, 0)
    assert (await look(bench, unset, tmp_path, up_s=899)).ok
    seen = await look(bench, unset, tmp_path, up_s=901)
    assert not seen.ok
    assert seen.reason == "no time service has updated it for hours, or ever"


async def test_this_machine(bench: ProbeContext) -> None:
    """The real call answers on this machine, and the probe makes one condition of it."""
    state = read_clock()
    assert state.largest_error_s is None or 0 <= state.largest_error_s < 16
    the_condition(await ClockProbe(ClockSettings(), bench).observe())


def test_the_structure_is_the_headers_own(tmp_path: Path) -> None:
    """Size and offsets are those that the C compiler gives struct timex of sys/timex.h."""
    compiler = shutil.which("cc")
    need(compiler and Path("/usr/include/x86_64-linux-gnu/sys/timex.h").exists(), "no C compiler, or no headers")
    names = ("modes", "maxerror", "esterror", "status", "tick", "jitcnt", "tai")
    prints = "".join(f'printf("%zu ", offsetof(struct timex, {name}));' for name in names)
    includes = "".join(f"#include <{header}>\n" for header in ("stddef.h", "stdio.h", "sys/timex.h"))
    source = f'{includes}int main(void){{{prints}printf("%zu",sizeof(struct timex));}}'
    (tmp_path / "t.c").write_text(source)
    subprocess.run([str(compiler), "t.c", "-o", "t"], cwd=tmp_path, check=True, timeout=60)
    said = subprocess.run([str(tmp_path / "t")], capture_output=True, check=True, text=True, timeout=60).stdout.split()
    ours = [getattr(timex.Timex, name).offset for name in names] + [ctypes.sizeof(timex.Timex)]
    assert [int(word) for word in said] == ours


def test_the_constants_are_the_headers_own() -> None:
    """STA_NANO as linux/timex.h has it."""
    header = Path("/usr/include/linux/timex.h")
    need(header.exists(), "no kernel headers")
    (nano,) = re.findall(r"#define STA_NANO\s+(0x\w+)", header.read_text())
    assert int(nano, 16) == clock_sync.STATUS_NANOSECONDS


@pytest.mark.parametrize(("status", "offset_s"), [(0, 0.005), (0x2000, 0.000005)])
def test_units_of_the_offset(monkeypatch: pytest.MonkeyPatch, status: int, offset_s: float) -> None:
    """Microseconds, or nanoseconds where STA_NANO is set; a largest error at the kernel's limit is not known."""

    class Libc:
        def adjtimex(self, told: Any) -> int:
            found = told._obj
            assert isinstance(found, timex.Timex)
            assert found.modes == 0
            found.status, found.offset, found.maxerror, found.esterror = status, 5000, 16_000_000, 20
            return 5

    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: Libc())
    state = read_clock()
    assert (state.largest_error_s, state.estimated_error_s) == (None, 0.00002)
    assert state.offset_s == pytest.approx(offset_s)


def test_a_kernel_that_does_not_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the call is forbidden, exactly that is told."""

    class Libc:
        def adjtimex(self, _told: object) -> int:
            ctypes.set_errno(1)
            return -1

    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: Libc())
    with pytest.raises(ProbeError, match="adjtimex is not allowed here: Operation not permitted"):
        read_clock()


def forbidden() -> ClockState:
    """As under the daemon's unit."""
    raise PrivilegeMissing("adjtimex is not allowed here: Operation not permitted")


async def test_where_the_call_is_closed_roots_side_asks(
    bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The entry of the fixed list runs the real call as a program of its own, and its answer is understood."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    uptime = tmp_path / "uptime"
    uptime.write_text("42.00 42.00\n")
    told = read_clock()
    (seen,) = await ClockProbe(ClockSettings(), bench, forbidden, uptime).observe()
    assert isinstance(seen, Condition)
    assert (told.largest_error_s is None) == dict(seen.facts)["largest error"].startswith("unknown")


async def test_where_neither_may_ask(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both reasons are told, with the remedy."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    settings = ClockSettings(helper=tmp_path / "none.sock")
    with pytest.raises(PrivilegeMissing, match=r"not allowed here: .* no helper listens on"):
        await ClockProbe(settings, bench, forbidden).observe()


@pytest.mark.parametrize("said", ["nonsense", '{"maxerror": 1}', '{"maxerror": "x"}'])
async def test_a_side_of_another_version(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch, said: str) -> None:
    """What makes no sense is no clock."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setitem(commands.COMMANDS, "clock", Entry("", (("echo", said),)))
    with pytest.raises(ProbeError, match="is not valid; install the same version of both"):
        await ClockProbe(ClockSettings(), bench, forbidden).observe()


def test_as_a_program(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It prints the kernel's figures as JSON; where it may not ask, nothing, with the reason and status 1."""
    assert timex.main() == 0
    assert set(json.loads(capsys.readouterr().out)) == set(timex.ASKED)

    def refused() -> dict[str, int]:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(timex, "read", refused)
    assert timex.main() == 1
    assert capsys.readouterr() == ("", "adjtimex: Operation not permitted\n")
