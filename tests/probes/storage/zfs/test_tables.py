"""What the tools of ZFS say, from real samples and from variants that no machine of ours has shown."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.toolbox import sample, utc
from watchkeeper.errors import ProbeError
from watchkeeper.probes.storage.zfs import tables as zfs_tables
from watchkeeper.probes.storage.zfs.tables import Dataset, Device, ListedSnapshot, Pool, Scan, Status

DEGRADED = """\
  pool: skerry
 state: DEGRADED
status: One or more devices are faulted in response to persistent errors.
\tSufficient replicas exist for the pool to continue functioning in a
\tdegraded state.
action: Replace the faulted device, or use 'zpool clear' to mark the device
\trepaired.
  scan: resilvered 40.4M in 00:00:00 with 0 errors on Wed Nov 25 05:17:23 2026
config:

\tNAME        STATE     READ WRITE CKSUM
\tskerry      DEGRADED     0     0     0
\t  mirror-0  DEGRADED     0     0     0
\t    leg0    ONLINE       0     0     0
\t    leg1    FAULTED      3   254     0  too many errors

errors: No known data errors

  pool: shoal
 state: SUSPENDED
status: One or more devices are faulted in response to IO failures.
action: Make sure the affected devices are connected, then run 'zpool clear'.
   see: https://openzfs.github.io/openzfs-docs/msg/ZFS-8000-HC
config:

\tNAME        STATE     READ WRITE CKSUM
\tshoal       DEGRADED     0     0     0
\t  odd file with  spaces  UNAVAIL      0     8     0  cannot open
\tspares
\t  leg9      AVAIL

errors: 324 data errors, use '-v' for a list
"""
"""As OpenZFS 2.1.11 told of a mirror that lost one leg, and of a pool that lost all; the names are ours."""

SCANS = {
    "scrub repaired 0B in 00:00:01 with 0 errors on Sun Nov 22 00:24:02 2026": (Scan.SCRUBBED, "2026-11-22 00:24:02"),
    "scrub repaired 8K in 1 days 02:03:04 with 2 errors on Mon Feb  1 02:03:04 2027": (
        Scan.SCRUBBED,
        "2027-02-01 02:03:04",
    ),
    "scrub in progress since Sun Nov 22 00:24:02 2026\n\t1G scanned": (Scan.SCRUBBING, "2026-11-22 00:24:02"),
    "scrub paused since Sun Nov 22 00:24:02 2026": (Scan.OTHER, "2026-11-22 00:24:02"),
    "scrub canceled on Sun Nov 22 00:24:02 2026": (Scan.OTHER, "2026-11-22 00:24:02"),
    "resilver in progress since Sun Nov 22 00:24:02 2026": (Scan.OTHER, "2026-11-22 00:24:02"),
    "resilvered (draid1-0) 1G in 00:00:09 with 0 errors on Sun Nov 22 00:24:02 2026": (
        Scan.OTHER,
        "2026-11-22 00:24:02",
    ),
    "none requested": (Scan.NONE, None),
    "scrub repaired 0B in 00:00:01 with 0 errors on So Nov 22 00:24 2026": (Scan.SCRUBBED, None),
    "something of a later version": (Scan.NONE, None),
}
"""The forms that zpool-status(8) and its source (print_scan_scrub_resilver_status) have, and two that they have not."""


def projected() -> str:
    """The real list of data sets, cut to the columns that the probe asks for, with a time of creation."""
    lines = []
    for line in sample("zfs-list-more.txt").stdout.splitlines():
        column = line.split("\t")
        lines.append("\t".join([*column[:7], *column[8:11], column[13], "1795582573"]))
    return "\n".join(lines) + "\n"


def test_the_pools_of_a_real_list() -> None:
    """The command is the sample's own, but for the order of two columns."""
    line = sample("zpool-list.txt").stdout.rstrip("\n").split("\t")
    name, size, allocated, _free, fragmentation, _capacity, health = line
    text = f"{name}\t{health}\t{size}\t{allocated}\t{fragmentation}\n"
    assert zfs_tables.read_pools(text) == [Pool("tank", "ONLINE", 4026531840, 120561664, 0.0)]


def test_a_pool_that_knows_little_of_itself() -> None:
    """A pool that is not whole says `-` where a number would be."""
    assert zfs_tables.read_pools("a b\tUNAVAIL\t-\t-\t-\n") == [Pool("a b", "UNAVAIL", None, None, None)]


def test_the_data_sets_of_a_real_list() -> None:
    """A volume has no quota and a size; the parts of each add up to what it uses, but for its children."""
    found = {each.name: each for each in zfs_tables.read_datasets(projected())}
    assert found["tank/home"] == Dataset(
        "tank/home", False, 36896768, 487391232, 15843328, 15843328, 21053440, 0, 524288000, None, None,
        utc("2026-11-25 04:56:13"),
    )  # fmt: skip
    disk = found["tank/vm/disk0"]
    assert (disk.volume, disk.volsize, disk.quota, disk.pool, disk.is_root) == (True, 2**30, None, "tank", False)
    assert disk.own + disk.snapshots + disk.reserved == disk.used
    assert found["tank/backup"].refquota == 2**30
    assert found["tank"].is_root


def test_the_snapshots_of_a_real_list() -> None:
    """Name, creation and what only it holds."""
    text = "\n".join("\t".join(line.split("\t")[:3]) for line in sample("zfs-list-snapshots.txt").stdout.splitlines())
    assert zfs_tables.read_snapshots(text)[1] == ListedSnapshot(
        "tank/home", "daily-1", utc("2026-11-25 04:56:15"), 21053440
    )


@pytest.mark.parametrize(
    "text",
    [
        "tank\tONLINE\n",
        "tank\tONLINE\t1\t2\t3\t4\n",
        "no datasets available\n",
    ],
)
def test_a_line_that_is_cut_short_is_not_guessed_at(text: str) -> None:
    """Too few or too many fields: the whole answer is refused, with the line."""
    with pytest.raises(ProbeError, match="an unexpected line"):
        zfs_tables.read_pools(text)


@pytest.mark.parametrize("odd", ["1,5G", "1.5G", "-5", "", "١٢", "-"])
def test_a_size_that_is_no_number_is_not_guessed_at(odd: str) -> None:
    """Local forms and other digits do not come with -p; if they do, nothing is made of them."""
    with pytest.raises(ProbeError, match="number of bytes"):
        zfs_tables.read_datasets(projected().replace("1212801024", odd, 1))


def test_a_creation_beyond_the_calendar() -> None:
    """The largest number that the tool may print is still an instant."""
    text = f"tank@x\t{2**64 - 1}\t-\n"
    assert zfs_tables.read_snapshots(text)[0].made_at.year == 9999


@given(st.text(st.characters(exclude_characters="\t\n@", codec="utf-8"), min_size=1))
def test_any_name_passes_through(name: str) -> None:
    """Spaces, other alphabets, leading dashes, and what Python takes for a line break and the tool does not."""
    text = projected().replace("tank/home", f"tank/{name}")
    assert f"tank/{name}" in {each.name for each in zfs_tables.read_datasets(text)}


def test_the_status_of_a_real_pool() -> None:
    """Nothing is wrong: every line of its configuration is there, with no scan at all."""
    (status,) = zfs_tables.read_status(sample("zpool-status-p.txt").stdout)
    assert (status.pool, status.scan, status.damaged) == ("tank", Scan.NONE, 0)
    assert [each.name for each in status.devices] == ["tank", "mirror-0", "virtio-data0", "virtio-data1"]
    assert {each.state for each in status.devices} == {"ONLINE"}


def test_the_status_of_pools_that_are_at_fault() -> None:
    """Counts, notes, spares, data errors; text in several lines does not become a device."""
    skerry, shoal = zfs_tables.read_status(DEGRADED)
    assert skerry.devices[-1] == Device("leg1", "FAULTED", 3, 254, 0, "too many errors")
    assert (skerry.scan, skerry.scan_at) == (Scan.OTHER, utc("2026-11-25 05:17:23"))
    assert shoal.damaged == 324
    assert shoal.devices[1] == Device("odd file with  spaces", "UNAVAIL", 0, 8, 0, "cannot open", top=True)
    assert shoal.devices[2] == Device("leg9", "AVAIL", role="spares", top=True)


@pytest.mark.parametrize(("line", "expected"), SCANS.items())
def test_every_form_of_the_last_scan(line: str, expected: tuple[Scan, str | None]) -> None:
    """A scrub that was done or is at work counts; one that was paused or called off, and a resilver, do not."""
    (status,) = zfs_tables.read_status(f"  pool: skerry\n  scan: {line}\nconfig:\n")
    assert (status.scan, status.scan_at) == (expected[0], utc(expected[1]) if expected[1] else None)
    assert status.scan_line == " ".join(line.split())


@given(st.integers(0, len(DEGRADED)))
def test_a_status_that_is_cut_short(end: int) -> None:
    """Wherever it ends, what is read is a beginning of what was there."""
    whole = zfs_tables.read_status(DEGRADED)
    found = zfs_tables.read_status(DEGRADED[:end])
    assert len(found) <= len(whole)
    for part, full in zip(found, whole, strict=False):
        assert full.pool.startswith(part.pool)
        assert len(part.devices) <= len(full.devices)


@given(st.text())
def test_any_text_is_read_without_a_fault(text: str) -> None:
    """The report is for people, and may change: what is not known is passed over."""
    assert all(isinstance(each, Status) for each in zfs_tables.read_status(text))


def test_sections_before_the_first_pool_are_nobodys() -> None:
    """Labels without a pool say nothing."""
    assert zfs_tables.read_status(" state: ONLINE\nerrors: 3 data errors\n") == []
