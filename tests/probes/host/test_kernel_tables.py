"""Open files, and processes with their threads: this machine against sysctl(8), and files in the kernel's form."""

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Level, SeriesKey, Unit, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.kernel_tables import NO_LIMIT, KernelTablesProbe, KernelTablesSettings

FILES, TASKS = "open files", "processes and threads"
PAIRS, THREADS = 150, 60
"""So many more than what other programs of a busy machine open or start between two looks right after each other."""
TRIES = 100


class Host:
    """A /proc of our own, and a probe that reads it."""

    def __init__(self, root: Path, bench: ProbeContext) -> None:
        self.proc = root / "proc"
        self.write("sys/fs/file-nr", "3362\t0\t2466170\n")
        self.write("loadavg", "13.45 17.78 18.65 9/241 11456\n")
        self.write("sys/kernel/pid_max", "4194304\n")
        self.write("sys/kernel/threads-max", "192730\n")
        self.probe = KernelTablesProbe(KernelTablesSettings(), bench, root)

    def write(self, name: str, text: str) -> None:
        """Write a file of the kernel's."""
        (self.proc / name).parent.mkdir(parents=True, exist_ok=True)
        (self.proc / name).write_text(text, encoding="ascii")

    def copy_counts(self) -> None:
        """Take over the counts of this machine."""
        allocated, free, _ = Path("/proc/sys/fs/file-nr").read_text(encoding="ascii").split()
        self.write("sys/fs/file-nr", f"{allocated}\t{free}\t1000000\n")
        self.write("loadavg", Path("/proc/loadavg").read_text(encoding="ascii"))

    async def levels(self) -> dict[str, Level]:
        """The levels by their quantity."""
        return {each.key.quantity: each for each in await self.probe.observe() if isinstance(each, Level)}

    async def unseen(self) -> list[Unseen]:
        """What could not be seen."""
        return [each for each in await self.probe.observe() if isinstance(each, Unseen)]


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext) -> Host:
    """A host with the figures of a virtual machine (Linux 6.18), and the pid_max that systemd sets."""
    return Host(tmp_path, bench)


def sysctl(name: str) -> int:
    """What sysctl prints."""
    return int(subprocess.run(["sysctl", "-n", name], capture_output=True, check=True, timeout=60).stdout)


@contextmanager
def open_pipes() -> Iterator[None]:
    """Hold pipes; each is two open files."""
    ends = [end for _ in range(PAIRS) for end in os.pipe()]
    try:
        yield
    finally:
        for end in ends:
            os.close(end)


@contextmanager
def waiting_threads() -> Iterator[None]:
    """Hold threads that wait."""
    done = threading.Event()
    threads = [threading.Thread(target=done.wait) for _ in range(THREADS)]
    for each in threads:
        each.start()
    try:
        yield
    finally:
        done.set()
        for each in threads:
            each.join(30)


async def used(host: Host, quantity: str) -> float:
    """What this machine uses of one quantity. Its open files get a limit, for many machines have none."""
    host.copy_counts()
    return (await host.levels())[quantity].used


async def test_the_limits_of_this_machine(bench: ProbeContext) -> None:
    """They are what sysctl prints; open files are left out if nothing limits them."""
    seen = await KernelTablesProbe(KernelTablesSettings(), bench).observe()
    levels = {each.key.quantity: each for each in seen if isinstance(each, Level)}
    assert len(levels) == len(seen)
    assert levels[TASKS].capacity == min(sysctl("kernel.pid_max"), sysctl("kernel.threads-max"))
    limit = sysctl("fs.file-max")
    assert [each.capacity for quantity, each in levels.items() if quantity == FILES] == [limit] * (limit < NO_LIMIT)
    used = [each for quantity, each in levels.items() if quantity != "asynchronous I/O" or each.used]
    assert all(0 < each.used < each.capacity for each in used), "asynchronous I/O may be unused"


@pytest.mark.parametrize(
    ("quantity", "hold", "rise"), [(FILES, open_pipes, 2 * PAIRS), (TASKS, waiting_threads, THREADS)]
)
async def test_this_machine_counts_what_is_held(
    quantity: str, hold: Callable[[], AbstractContextManager[None]], rise: int, host: Host
) -> None:
    """Real pipes and real threads are in the count. Other programs come and go, so it may take several tries."""
    found = []
    for _ in range(TRIES):
        before = await used(host, quantity)
        with hold():
            found.append(await used(host, quantity) - before)
        if 0.8 * rise <= found[-1] <= 1.2 * rise:
            return
    pytest.fail(f"{rise} more were held, and the count rose by {found}")


async def test_the_lower_limit_counts(host: Host) -> None:
    """fork(2) fails at either; both are shown."""
    levels = await host.levels()
    assert levels[FILES] == Level(SeriesKey("host", FILES), 3362, 2466170, Unit.COUNT)
    facts = (("kernel.pid_max", "4,194,304"), ("kernel.threads-max", "192,730"))
    assert levels[TASKS] == Level(SeriesKey("host", TASKS), 241, 192730, Unit.COUNT, facts)
    host.write("sys/kernel/pid_max", "32768\n")
    assert (await host.levels())[TASKS].capacity == 32768


async def test_handles_that_are_allocated_and_free(host: Host) -> None:
    """They are not in use. (Since Linux 2.6 there are none.)"""
    host.write("sys/fs/file-nr", "3362\t362\t10000\n")
    assert (await host.levels())[FILES].used == 3000


@pytest.mark.parametrize("limit", [2**31 - 1, 2**63 - 1])
async def test_without_a_limit_open_files_fill_nothing(host: Host, limit: int) -> None:
    """The limit is then the largest number that the kernel accepts; systemd sets it."""
    host.write("sys/fs/file-nr", f"3362\t0\t{limit}\n")
    assert list(await host.levels()) == [TASKS]
    assert await host.unseen() == []


async def test_a_limit_of_nothing(host: Host) -> None:
    """Only root can open files then: it is full."""
    host.write("sys/fs/file-nr", "3362\t0\t0\n")
    assert (await host.levels())[FILES].capacity == 1


async def test_one_of_them_cannot_be_read(host: Host) -> None:
    """The other one is still reported."""
    (host.proc / "sys/kernel/threads-max").unlink()
    assert list(await host.levels()) == [FILES]
    (unseen,) = await host.unseen()
    assert unseen.what == "host: processes and threads"
    where = host.proc / "sys/kernel/threads-max"
    assert unseen.why == (
        f"{where} cannot be read: No such file or directory; a service needs ProcSubset=all to read it"
    )


@pytest.mark.parametrize("text", ["", "1 2", "1 2 3 4", "many 0 9", "1 0 inf", "\u0661 0 9"])
async def test_a_file_of_another_form(host: Host, text: str) -> None:
    """It is named, and nothing is guessed."""
    (host.proc / "sys/fs/file-nr").write_text(text, encoding="utf-8")
    assert list(await host.levels()) == [TASKS]
    (unseen,) = await host.unseen()
    assert unseen.why.startswith(f"{host.proc / 'sys/fs/file-nr'} does not have the form that proc(5) describes")


async def test_none_of_them_can_be_read(host: Host) -> None:
    """The error names both files."""
    (host.proc / "sys/fs/file-nr").unlink()
    (host.proc / "loadavg").unlink()
    with pytest.raises(ProbeError, match=r"sys/fs/file-nr cannot be read: .*; .*loadavg cannot be read: "):
        await host.probe.observe()


async def test_reserved_asynchronous_requests(host: Host) -> None:
    """A level against fs.aio-max-nr; none on a kernel without it, and nonsense is not counted."""
    assert "asynchronous I/O" not in await host.levels()
    host.write("sys/fs/aio-nr", "61440\n")
    host.write("sys/fs/aio-max-nr", "65536\n")
    level = (await host.levels())["asynchronous I/O"]
    assert (level.used, level.capacity) == (61440, 65536)
    host.write("sys/fs/aio-max-nr", "many\n")
    assert [each.what for each in await host.unseen()] == ["host: asynchronous I/O"]


async def test_the_limit_of_asynchronous_requests_is_the_kernels(bench: ProbeContext) -> None:
    """Of this machine, against sysctl(8)."""
    seen = await KernelTablesProbe(KernelTablesSettings(), bench).observe()
    (level,) = [each for each in seen if isinstance(each, Level) and each.key.quantity == "asynchronous I/O"]
    assert level.capacity == sysctl("fs.aio-max-nr")
